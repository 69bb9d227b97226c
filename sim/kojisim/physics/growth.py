"""Growth of the mould: temperature, water and oxygen factors, germination as a distributed delay.

Deliberately of other forms than a cardinal-temperature model with logistic growth.
"""

from __future__ import annotations

from math import exp, sqrt

from kojisim.physics.params import GrowthParams

_R = 8.314
_T_LOW, _T_STEP, _T_COUNT = 0.0, 0.25, 321  # table over 0 to 80 °C


def temperature_factor(temp_c: float) -> float:
    """Growth rate as a share of the rate at 38 °C.

    Form of Saucedo-Castaneda et al. 1990 with Ea 70225 and 283356 J/mol (Mitchell 2006); the two
    pre-exponential constants from memory. The form has no upper limit of growth: see `heat_damage`.
    """
    kelvin = temp_c + 273.0
    return 8.31e11 * exp(-70225.0 / (_R * kelvin)) / (1.0 + 1.3e47 * exp(-283356.0 / (_R * kelvin)))


_TABLE = tuple(temperature_factor(_T_LOW + _T_STEP * i) for i in range(_T_COUNT))


def temperature_factor_fast(temp_c: float) -> float:
    """`temperature_factor` by linear interpolation in a table of 0.25 °C, clamped to 0 and 79 °C."""
    place = min(max(temp_c - _T_LOW, 0.0), 79.0) / _T_STEP
    index = int(place)
    below = _TABLE[index]
    return below + (place - index) * (_TABLE[index + 1] - below)


def water_factor(activity: float) -> float:
    """Growth rate as a share of the rate at the best water activity.

    Form of Gibson et al. 1994 (Int. J. Food Microbiol. 23:419-431): ln rate = C0 + C1 b + C2 b^2,
    b = sqrt(1 - aw), with C1 5.571 and C2 -25.16 of an A. oryzae strain in a public model collection.
    """
    b = sqrt(max(1.0 - activity, 0.0))
    best = 5.571 / (2 * 25.16)
    return exp(-25.16 * (b - best) * (b - best))


def water_activity(water_per_dry: float) -> float:
    """Water activity of steamed rice of a moisture in kg per kg dry.

    Oswin form, aw = 1 / (1 + (A/M)^(1/B)), A 0.135 and B 0.32 for rice near 30 °C: from memory.
    """
    if water_per_dry <= 1e-6:
        return 0.0
    return 1.0 / (1.0 + float((0.135 / water_per_dry) ** 3.125))


def starch_factor(biomass: float, half: float) -> float:
    """Slowing as accessible starch is used up: Monod form on 1 - biomass, scaled to 1 on fresh rice."""
    left = max(1.0 - biomass, 0.0)
    return left * (1.0 + half) / (left + half)


def heat_damage_h(temp_c: float) -> float:
    """Share of activity lost per hour by heat, 1/h.

    Nothing below 45 °C, where growth is said to stop; steep towards 50 °C, where none is said to survive
    (an importer's and a maker's page). The slope is judgement.
    """
    return 0.0 if temp_c <= 45.0 else min(0.02 * exp(0.9 * (temp_c - 45.0)), 10.0)


class Germination:
    """Spores on their way to growing hyphae: an Erlang chain of equal stages."""

    __slots__ = ("_rate_h", "stages")

    def __init__(self, params: GrowthParams) -> None:
        count = params.germination_stages
        self.stages = [params.viability] + [0.0] * (count - 1)
        self._rate_h = count / params.germination_h

    def advance(self, hours: float, speed: float) -> float:
        """Move the chain by `hours` at `speed` (share of the best rate); the share that germinated."""
        keep = exp(-self._rate_h * speed * hours)
        moved = 0.0
        stages = self.stages
        for i, here in enumerate(stages):
            leaving = here * (1.0 - keep)
            stages[i] = here - leaving + moved
            moved = leaving
        return moved
