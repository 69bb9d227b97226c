"""How the forecasts of a batch fared: each one that was kept, held against what the koji did afterwards.

A forecast says what comes if nobody touches the koji, so only those count between whose making and whose moment nobody
did. Times are ms since hour 0, as everywhere in the review.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Final

from msgspec import Struct

from kojimon.forecast.answers import Forecast
from kojimon.forecast.kept import unpack
from kojimon.units import median

LEADS_H: Final = (2.0, 4.0, 6.0)
HOUR_MS: Final = 3_600_000
STEP_MS: Final = 300_000
"""The koji's hottest value is taken in steps of five minutes, and so is a moment."""


class Lead(Struct, frozen=True):
    """How forecasts so many hours ahead fared.

    Attributes:
        count: forecasts of the temperature that could be held against it.
        off_k: median of how far the middle was off, without sign; warm_k: with sign, above 0 when it was warmer.
        inside: share of them with the koji inside the likely range (8 in 10).
        limit_off_h: median of how far the time to the limit was off, made so long before the koji passed it; None where
            it passed none, or was touched on the way.
    """

    hours: float
    count: int
    off_k: float
    warm_k: float
    inside: float
    limit_off_h: float | None = None


def fared(
    forecasts: Iterable[tuple[float, Forecast]], hottest: Mapping[int, float], works_ms: Sequence[float]
) -> tuple[Lead, ...]:
    """The score of a batch's forecasts at each lead; leads without any are left out.

    Args:
        forecasts: (ms since hour 0, forecast) of each that knew.
        hottest: middle of the hottest tray (°C) by step (ms // STEP_MS).
        works_ms: when it was touched.
    """
    known = [(at_ms, one) for at_ms, one in forecasts if one.known]
    found = []
    for lead_h in LEADS_H:
        scored = [score for at_ms, one in known if (score := _score(at_ms, one, lead_h, hottest, works_ms)) is not None]
        if scored:
            off = [error for error, _ in scored]
            found.append(Lead(
                lead_h, len(scored), round(median(abs(e) for e in off), 2), round(median(off), 2),
                round(sum(inside for _, inside in scored) / len(scored), 3),
                _limit_off_h(known, lead_h, hottest, works_ms),
            ))  # fmt: skip
    return tuple(found)


def _touched(from_ms: float, to_ms: float, works_ms: Sequence[float]) -> bool:
    return any(from_ms < work_ms <= to_ms for work_ms in works_ms)


def _score(
    at_ms: float, forecast: Forecast, lead_h: float, hottest: Mapping[int, float], works_ms: Sequence[float]
) -> tuple[float, bool] | None:
    """How far the middle was off, and whether the koji was inside; None where it cannot be said."""
    curve, then_ms = forecast.curve, at_ms + lead_h * HOUR_MS
    was_c = hottest.get(int(then_ms // STEP_MS))
    if lead_h not in curve.in_h or was_c is None or _touched(at_ms, then_ms, works_ms):
        return None
    i = curve.in_h.index(lead_h)
    return was_c - curve.p50_c[i], curve.p10_c[i] <= was_c <= curve.p90_c[i]


def _limit_off_h(
    known: Sequence[tuple[float, Forecast]], lead_h: float, hottest: Mapping[int, float], works_ms: Sequence[float]
) -> float | None:
    """Median error of the time to the lowest limit, over the moments it was passed from below."""
    errors = []
    limits = {min(answer.limit_c for answer in one.limits) for _, one in known if one.limits}
    for limit_c in limits:
        for pass_ms in _passes(hottest, limit_c):
            made_ms = pass_ms - lead_h * HOUR_MS
            near = min(known, key=lambda one: abs(one[0] - made_ms))
            answer = next((a for a in near[1].limits if a.limit_c == limit_c), None)
            if answer is None or answer.in_h.p50 is None or abs(near[0] - made_ms) > 2 * STEP_MS:
                continue
            if not _touched(near[0], pass_ms, works_ms):
                errors.append(abs(near[0] + answer.in_h.p50 * HOUR_MS - pass_ms) / HOUR_MS)
    return round(median(errors), 2) if errors else None


def _passes(hottest: Mapping[int, float], limit_c: float) -> list[float]:
    steps = pairwise(sorted(hottest))
    return [float(later * STEP_MS) for step, later in steps if hottest[step] < limit_c <= hottest[later]]


def read_forecast(plain: object) -> Forecast | None:
    """A forecast as the journal keeps it; None for one that was refused."""
    try:
        return unpack(plain)
    except ValueError:
        return None
