"""A forecast as it is kept: thinned and packed to about a kilobyte, so that one a minute wears no card. No numpy.

The journal keeps `pack(thin(forecast))` as the field `forecast` of an input: names at the top, below them values in the
order of the records' fields (`answers`). A field added to a record later must stand at its end, with a default.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final, get_args, get_origin

import msgspec
from msgspec.structs import replace

from kojimon.forecast.answers import Curve, Forecast, Range

KEPT_IN_H: Final = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
"""Hours from now at which the curve is kept: the review asks for 2, 4 and 6."""
FINE_UNTIL_H: Final = 6.0
"""Until then a quiet night is kept by half hours, afterwards by hours."""
SURE: Final = 0.9
"""How sure a quiet night must be to be promised: 9 in 10."""


def thin(forecast: Forecast) -> Forecast:
    """The same forecast with the hours of its curve and of its quiet night that are kept; chances in hundredths."""
    curve, quiet_h = forecast.curve, forecast.quiet_in_h
    at = [i for i, hour in enumerate(curve.in_h) if hour in KEPT_IN_H]
    calm = [i for i, hour in enumerate(quiet_h) if hour <= FINE_UNTIL_H or hour == int(hour)]
    rows = (getattr(curve, name) for name in curve.__struct_fields__)
    limits = tuple(replace(one, passes=_r(one.passes), quiet=_at(one.quiet, calm)) for one in forecast.limits)
    return replace(
        forecast,
        curve=Curve(*(tuple(row[i] for i in at) for row in rows)),
        quiet_in_h=tuple(quiet_h[i] for i in calm),
        limits=limits,
        too_cold=_at(forecast.too_cold, calm) if forecast.too_cold else (),
    )


def _at(row: tuple[float, ...], places: list[int]) -> tuple[float, ...]:
    return tuple(_r(row[i]) for i in places)


def _r(probability: float) -> float:
    return round(probability, 2)


def pack(forecast: Forecast) -> dict[str, Any]:
    """As plain data: a map of its fields, everything below them in lists."""
    return {name: _packed(getattr(forecast, name)) for name in forecast.__struct_fields__}


def _packed(value: Any) -> Any:
    if isinstance(value, msgspec.Struct):
        return [_packed(getattr(value, name)) for name in value.__struct_fields__]
    if isinstance(value, tuple):
        return [_packed(one) for one in value]
    return value


def unpack(plain: Any) -> Forecast:
    """Reads what `pack` made.

    Raises:
        ValueError: it is no forecast, or its numbers contradict each other; the text says what is wrong.
    """
    if not isinstance(plain, dict):
        raise ValueError(f"found {type(plain).__name__}, expected a map")
    fields = {field.name: field.type for field in msgspec.structs.fields(Forecast)}
    strange = sorted(set(plain) - set(fields))
    if strange:
        raise ValueError(f"found the field {strange[0]!r}, which no forecast has")
    named = {name: _named(value, fields[name]) for name, value in plain.items()}
    forecast = msgspec.convert(named, Forecast)  # its error is a ValueError and names the field
    check(forecast)
    return forecast


def _named(value: Any, kind: Any) -> Any:
    """Lists back to maps wherever a record is wanted."""
    if not isinstance(value, (list, tuple)):
        return value
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        fields = msgspec.structs.fields(kind)
        if len(value) > len(fields):
            raise ValueError(f"found {len(value)} values where a {kind.__name__} has {len(fields)}")
        return {field.name: _named(one, field.type) for field, one in zip(fields, value, strict=False)}
    if get_origin(kind) is tuple:
        return [_named(one, get_args(kind)[0]) for one in value]
    return value


def check(forecast: Forecast) -> None:
    """Raises ValueError when numbers of a forecast contradict each other."""
    curve, hours = forecast.curve, len(forecast.curve.in_h)
    rows = [getattr(curve, name) for name in curve.__struct_fields__]
    if any(len(row) != hours for row in rows):
        raise ValueError("its curve has rows of different lengths")
    if not _rising(curve.in_h) or not _rising(forecast.quiet_in_h):
        raise ValueError("its hours do not rise")
    for values in zip(*rows[1:6], strict=True):
        if list(values) != sorted(values):
            raise ValueError(f"its range runs backwards: {values}")
    for answer in forecast.limits:
        if len(answer.quiet) != len(forecast.quiet_in_h):
            raise ValueError("a limit's quiet night has another length than its hours")
        _chances((answer.passes, *answer.quiet))
        _ordered(answer.in_h)
    _chances((*forecast.too_cold, forecast.done.complete_now, forecast.grown))
    _ordered(forecast.mix.wanted_in_h)
    _ordered(forecast.done.hour)
    if not (0.0 <= forecast.at_s < 1e8 and 0.0 < forecast.horizon_s < 1e6):
        raise ValueError(f"it was made at {forecast.at_s} s for {forecast.horizon_s} s")


def _rising(row: tuple[float, ...]) -> bool:
    return all(later > earlier for earlier, later in pairwise(row))


def _chances(row: tuple[float, ...]) -> None:
    wrong = [chance for chance in row if not 0.0 <= chance <= 1.0]
    if wrong:
        raise ValueError(f"found the probability {wrong[0]}, expected 0 to 1")


def _ordered(values: Range) -> None:
    known = [value for value in (values.p10, values.p25, values.p50, values.p75, values.p90) if value is not None]
    if known != sorted(known):
        raise ValueError(f"a range runs backwards: {known}")


def calm_until_h(forecast: Forecast) -> float | None:
    """Hours from now until which surely no hand is needed: neither too hot nor too cold.

    The lowest of its limits counts. None where not even the first step is so sure.
    """
    best = None
    for hour, chance in zip(forecast.quiet_in_h, calm_chances(forecast), strict=True):
        if chance < SURE:
            break
        best = hour
    return best


def calm_chances(forecast: Forecast) -> tuple[float, ...]:
    """Probability that no hand is needed until each of `quiet_in_h`; empty where no limit is watched."""
    lowest = min(forecast.limits, key=lambda one: one.limit_c, default=None)
    hot = lowest.quiet if lowest is not None else tuple(1.0 for _ in forecast.quiet_in_h)
    cold = forecast.too_cold or tuple(0.0 for _ in hot)
    return tuple(warm * (1.0 - chill) for warm, chill in zip(hot, cold, strict=True))
