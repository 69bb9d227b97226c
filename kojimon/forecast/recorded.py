"""Runs the forecast over a recorded curve as if live, and returns every forecast it would have made."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from msgspec import Struct

from kojimon.errors import UsageError
from kojimon.forecast.answers import Forecast, ForecastSetup, MixAim
from kojimon.forecast.forecaster import Forecaster, Reading
from kojimon.forecast.prior import published


class Recorded(Struct, frozen=True):
    """A curve: readings and works in order of time, seconds since inoculation.

    Attributes:
        readings: (t_s, bed °C, air °C, room °C, relative humidity %), None where there was no reading.
        works: (t_s, kind) as `Forecaster.work` takes them.
        mixes: from when which mixing is the next one, in order of time; before the first the setup's is.
    """

    readings: Sequence[Reading]
    works: Sequence[tuple[float, str]] = ()
    mixes: Sequence[tuple[float, MixAim | None]] = ()


def forecasts(
    curve: Recorded,
    every_s: float,
    limits_c: tuple[float, ...],
    *,
    setup: ForecastSetup = ForecastSetup(),  # noqa: B008 - frozen
    seed: int = 0,
    low_c: float | None = None,
) -> Iterator[Forecast]:
    """Every forecast that would have been made, at 0, every_s, 2 every_s, ... until the last reading.

    A forecast at a moment knows what was recorded up to and including it, and nothing later.

    Args:
        curve: what was recorded.
        every_s: seconds between forecasts.
        limits_c: upper limits of the bed, low_c: a lower one; °C.
        setup, seed: as for a live batch, which begins at the published prior.

    Raises:
        UsageError: every_s is not above 0, or times run backwards.
    """
    if not every_s > 0:
        raise UsageError(f"forecasts every {every_s} s: expected an interval above 0, as in `10min`")
    _in_order("readings", [row[0] for row in curve.readings])
    _in_order("works", [t_s for t_s, _ in curve.works])
    forecaster = Forecaster(setup, published(), seed)
    reading, work, due_s = 0, 0, 0.0
    end_s = curve.readings[-1][0] if curve.readings else -1.0
    while due_s <= end_s:
        until, works = reading, work
        while until < len(curve.readings) and curve.readings[until][0] <= due_s:
            until += 1
        while works < len(curve.works) and curve.works[works][0] <= due_s:
            works += 1
        forecaster.take(curve.readings[reading:until], curve.works[work:works])
        reading, work = until, works
        mix = next((aim for at_s, aim in reversed(curve.mixes) if at_s <= due_s), None)
        yield forecaster.forecast(due_s, limits_c, low_c=low_c, mix=mix)
        due_s += every_s


def _in_order(what: str, times: list[float]) -> None:
    for place, (before, after) in enumerate(pairwise(times), start=1):
        if after < before:
            raise UsageError(f"{what} no. {place + 1} is at {after} s, before its forerunner at {before} s: sort them")
