"""Thermal time: what a bed's warmth is worth in hours at one temperature. Loads no numpy.

A batch at 28 °C and one at 33 °C are not equally far after 20 hours. Hours at one temperature that would have let as
much grow make them comparable. It says nothing about the spores, the water or what really grew.

Source of the rate: Rosso, L., Lobry, J. R., Flandrois, J. P. (1993), "An unexpected correlation between cardinal
temperatures of microbial growth highlighted by a new model", J. Theor. Biol. 162:447-463.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Num = TypeVar("Num", float, "NDArray[np.float64]")
Piece = tuple[float, float, float, float]
"""A straight piece of a curve: time and °C at its beginning, time and °C at its end."""


class Cardinal(NamedTuple):
    """Cardinal temperatures of one organism, °C: below `min_c` and above `max_c` nothing grows."""

    min_c: float
    opt_c: float
    max_c: float


KOJI: Final = Cardinal(8.0, 37.5, 46.0)
"""Centre of the prior. `opt_c`: 37.5 °C on steamed rice by evolved CO2 (abstract in the Japanese brewing society's
journal, around 1979; title and authors not shown where it was read); 38 °C in Narahara et al. 1982, J. Ferment.
Technol. 60(4):311-319. `min_c` and `max_c`: from memory, unverified; 10 and 43 A. flavus, 9.1 and 46.4 B. fulva in
published tables. That they differ from batch to batch taught the forecast nothing, so they do not."""
WORTH_C: Final = 30.0
"""Thermal time is told in hours at this temperature, the usual one of a koji box."""


def fraction(inside_c: Num, min_c: Num | float, opt_c: Num, max_c: Num | float) -> Num:
    """Growth rate as a fraction of that at the optimum, for a temperature between `min_c` and `max_c` (°C).

    f(T) = (T - Tmax)(T - Tmin)^2 / {(Topt - Tmin) [(Topt - Tmin)(T - Topt) - (Topt - Tmax)(Topt + Tmin - 2 T)]}

    Source: Rosso, Lobry & Flandrois 1993, cardinal temperature model with inflection.
    """
    above_min = inside_c - min_c
    span = opt_c - min_c
    bracket = span * (inside_c - opt_c) - (opt_c - max_c) * (opt_c + min_c - 2.0 * inside_c)
    return (inside_c - max_c) * above_min * above_min / (span * bracket)


def speed(temperature_c: float, cardinal: Cardinal = KOJI) -> float:
    """`fraction` at any temperature (°C): 0 below `min_c` and above `max_c`."""
    return fraction(min(max(temperature_c, cardinal.min_c), cardinal.max_c), *cardinal)


def worth(pieces: Iterable[Piece], at_c: float = WORTH_C) -> float:
    """Time at `at_c` (°C) that the pieces of a bed's curve are worth, in their unit of time.

    The rate's integral over the bed's temperature, by trapezoids; what lies between the pieces is not known and counts
    nothing. `at_c` must lie between the cardinal temperatures.
    """
    done = sum((t1 - t0) * (speed(v0) + speed(v1)) / 2.0 for t0, v0, t1, v1 in pieces)
    return done / speed(at_c)
