"""What follows from two probes together: the dryness of the air, the koji's warmth above it. For the state document.

Each value comes with the age of the oldest reading it was made of and the worst quality among them. A reading that is
bad or stale gives no number: nothing is derived from what nobody may trust.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Final

from msgspec import Struct

from kojimon import air
from kojimon.contract.state import Derived
from kojimon.engine.conditions import fresh
from kojimon.engine.state import elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.model import Place, Quality, Quantity
from kojimon.units import median

DAMP: Final = ("dew_point_c", "absolute_humidity_g_m3", "vapour_pressure_deficit_kpa", "dry_wet_difference_k")
ROUNDED: Final = (2, 2, 3, 2)


class _Source(Struct, frozen=True):
    """Probes of one place and quantity together: their middle, where each that counts is fresh and good."""

    value: float | None
    age_s: float | None
    quality: int
    probes: tuple[str, ...]


def derived(turn: Turn, incubator: str) -> list[Derived]:
    """Every value that follows from an incubator's probes; one that cannot be had now has the value None.

    `lacking` says why: `quality` (a reading is bad), `fresh` (there is no reading, or an old one), `contradiction`
    (the readings cannot all be true: a dry wick, probes exchanged).

    `dry_wet_difference_k` and the others of `air` come from temperature and humidity of one place, of several good
    probes there from their middle; a wet bulb serves where no humidity is measured (psychrometer with natural
    ventilation, pressure by the site's altitude: `air.humidity_from_wet_bulb_pct`). `above_air_k` is the hottest koji
    less the air.
    """
    return [*_above(turn, incubator), *_damp(turn, incubator, Place.AIR), *_damp(turn, incubator, Place.ROOM)]


def _above(turn: Turn, incubator: str) -> Iterator[Derived]:
    bed = _source(turn, incubator, Place.BED, Quantity.TEMPERATURE, max)
    around = _source(turn, incubator, Place.AIR, Quantity.TEMPERATURE)
    if bed and around:
        apart = None if bed.value is None or around.value is None else round(bed.value - around.value, 2)
        yield _row("above_air_k", Place.BED, apart, bed, around)


def _damp(turn: Turn, incubator: str, place: Place) -> Iterator[Derived]:
    warm = _source(turn, incubator, place, Quantity.TEMPERATURE)
    damp = _source(turn, incubator, place, Quantity.HUMIDITY)
    wet = _source(turn, incubator, Place.WET_BULB, Quantity.TEMPERATURE) if place == Place.AIR else None
    beside = damp or wet
    if warm is None or beside is None:
        return
    humidity_pct, apart_k = beside.value, None
    if damp is None:
        humidity_pct, apart_k = _by_wet_bulb(warm.value, beside.value, turn.setup.pressure_pa)
        yield _row("humidity_pct", place, None if humidity_pct is None else round(humidity_pct, 1), warm, beside)
    values = _moist(warm.value, humidity_pct, turn.setup.pressure_pa)
    for name, value in zip(DAMP, values, strict=True):
        # Two thermometers say their difference themselves.
        measured = apart_k is not None and name == "dry_wet_difference_k"
        yield _row(name, place, apart_k if measured else value, warm, beside)


def _by_wet_bulb(
    dry_c: float | None, wet_c: float | None, pressure_pa: float
) -> tuple[float | None, float | None]:  # fmt: skip
    """Humidity and the difference of the two; None for both where they contradict each other (a dry wick)."""
    if dry_c is None or wet_c is None:
        return None, None
    try:
        found = air.humidity_from_wet_bulb_pct(dry_c, wet_c, pressure=pressure_pa)
        return found, round(dry_c - wet_c, 2)
    except ValueError:
        return None, None


@lru_cache(maxsize=64)
def _moist(warm_c: float | None, humidity_pct: float | None, pressure_pa: float) -> tuple[float | None, ...]:
    """The values of `DAMP`; None where the air cannot be so."""
    if warm_c is None or humidity_pct is None:
        return (None,) * len(DAMP)
    relations = (air.dew_point_c, air.absolute_humidity_g_m3, air.vapour_pressure_deficit_kpa)
    try:
        found = [relation(warm_c, humidity_pct) for relation in relations]
        found.append(air.dry_wet_difference_k(warm_c, humidity_pct, pressure_pa))
    except ValueError:
        return (None,) * len(DAMP)
    # Saturated air is as wet as its own wet bulb: no -0.0 from the last digit of the solver.
    return tuple(max(0.0, round(value, digits)) if name != "dew_point_c" else round(value, digits)
                 for name, value, digits in zip(DAMP, found, ROUNDED, strict=True))  # fmt: skip


def _source(
    turn: Turn, incubator: str, place: Place, quantity: Quantity, pick: Callable[[Sequence[float]], float] = median
) -> _Source | None:
    """The probes of a place together; None where there is none."""
    numbers = turn.compiled.probes_at(incubator, place, quantity)
    if not numbers:
        return None
    good = [no for no in fresh(turn, numbers) if no not in turn.bad]
    if not good:
        worst = max((turn.bad[no][2] for no in numbers if no in turn.bad), default=int(Quality.GOOD))
        return _Source(None, _oldest_s(turn, numbers), worst, _names(turn, numbers))
    value = pick([turn.last_v[no] for no in good])
    if pick is max:
        good = [max(good, key=lambda no: turn.last_v[no])]
    return _Source(value, _oldest_s(turn, good), int(Quality.GOOD), _names(turn, good))


def _names(turn: Turn, numbers: Sequence[int]) -> tuple[str, ...]:
    return tuple(turn.compiled.probes[no].name for no in numbers)


def _oldest_s(turn: Turn, numbers: Sequence[int]) -> float | None:
    """Age of the oldest last good reading among them; None where one has had none."""
    if any(no not in turn.last_t for no in numbers):
        return None
    return max(round(elapsed_ms(turn.anchors, turn.last_t[no], turn.t_ms) / 1000, 1) for no in numbers)


def _row(name: str, place: Place, value: float | None, one: _Source, other: _Source) -> Derived:
    ages = [source.age_s for source in (one, other)]
    age_s = None if None in ages else max(age for age in ages if age is not None)
    lacking = None if value is not None else _lacking(one, other)
    quality, probes = max(one.quality, other.quality), (*one.probes, *other.probes)
    return Derived(name, str(place), value, age_s, quality, probes, lacking)


def _lacking(one: _Source, other: _Source) -> str:
    if one.quality or other.quality:
        return "quality"
    return "fresh" if one.value is None or other.value is None else "contradiction"
