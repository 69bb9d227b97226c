"""How the forecasts of a batch fared: each one that was kept, held against what the koji did afterwards.

A forecast says what comes if nobody touches the koji, so only those count between whose making and whose moment nobody
did. Times are ms since hour 0, as everywhere in the review.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from msgspec import Struct

from kojimon.forecast.answers import Forecast
from kojimon.forecast.kept import calm_chances, unpack
from kojimon.units import median

LEADS_H: Final = (2.0, 4.0, 6.0)
NIGHT_H: Final = 8.0
BLIND_STEPS: Final = 6
"""A night of which half an hour was not read is none to judge by; chosen."""
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


class Past(NamedTuple):
    """A batch to hold forecasts against.

    Attributes:
        forecasts: (ms since hour 0, forecast) of each.
        hottest: middle of the hottest tray (°C) by step (ms // STEP_MS).
        works_ms: when it was touched.
    """

    forecasts: Sequence[tuple[float, Forecast]]
    hottest: Mapping[int, float]
    works_ms: Sequence[float]


class Night(Struct, frozen=True):
    """Promises of a quiet night that were as sure as each other: how often it came.

    Attributes:
        hours: how long it was to be quiet. said: the chance told, on the average. came, count: of how many.
    """

    hours: float
    said: float
    came: int
    count: int


def fared(batches: Iterable[Past]) -> tuple[Lead, ...]:
    """The score of the forecasts that knew, of all batches together, at each lead; leads without any are left out."""
    known = [one._replace(forecasts=[(at_ms, f) for at_ms, f in one.forecasts if f.known]) for one in batches]
    found = []
    for lead_h in LEADS_H:
        scored = [
            score for past in known for at_ms, one in past.forecasts
            if (score := _score(at_ms, one, lead_h, past.hottest, past.works_ms)) is not None
        ]  # fmt: skip
        if scored:
            off = [error for error, _ in scored]
            limits = [error for past in known for error in _limit_off_h(past, lead_h)]
            found.append(Lead(
                lead_h, len(scored), round(median(abs(e) for e in off), 2), round(median(off), 2),
                round(sum(inside for _, inside in scored) / len(scored), 3),
                round(median(limits), 2) if limits else None,
            ))  # fmt: skip
    return tuple(found)


def promised(batches: Iterable[Past]) -> tuple[Night, ...]:
    """How often a night of `NIGHT_H` was quiet, by the tenths of the chance that was told, the surest first."""
    tenths: dict[int, list[tuple[float, bool]]] = {}
    for past in batches:
        for at_ms, one in past.forecasts:
            came = _quiet(at_ms, one, past)
            if came is not None:
                said = calm_chances(one)[one.quiet_in_h.index(NIGHT_H)]
                tenths.setdefault(min(int(said * 10), 9), []).append((said, came))
    return tuple(
        Night(NIGHT_H, round(sum(said for said, _ in part) / len(part), 3), sum(came for _, came in part), len(part))
        for _, part in sorted(tenths.items(), reverse=True)
    )


def _quiet(at_ms: float, one: Forecast, past: Past) -> bool | None:
    """Whether the koji stayed within its limits for a night; None where it was touched, not read or beyond them."""
    first, last = int(at_ms // STEP_MS), int((at_ms + NIGHT_H * HOUR_MS) // STEP_MS)
    values = [past.hottest.get(step) for step in range(first, last)]
    read = [value for value in values if value is not None]
    top_c = min((limit.limit_c for limit in one.limits), default=None)
    blind = any(not any(values[at : at + BLIND_STEPS]) for at in range(0, len(values), BLIND_STEPS))
    if top_c is None or blind or NIGHT_H not in one.quiet_in_h:
        return None
    low_c = float("-inf") if one.low_c is None else one.low_c
    if _touched(at_ms, last * STEP_MS, past.works_ms) or not low_c <= read[0] < top_c:
        return None
    return max(read) < top_c and min(read) >= low_c


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


def _limit_off_h(past: Past, lead_h: float) -> list[float]:
    """Errors of the time to the lowest limit, over the moments it was passed from below."""
    known, errors = past.forecasts, []
    for limit_c in {min(answer.limit_c for answer in one.limits) for _, one in known if one.limits}:
        for pass_ms in _passes(past.hottest, limit_c):
            made_ms = pass_ms - lead_h * HOUR_MS
            near = min(known, key=lambda one: abs(one[0] - made_ms))
            answer = next((a for a in near[1].limits if a.limit_c == limit_c), None)
            if answer is None or answer.in_h.p50 is None or abs(near[0] - made_ms) > 2 * STEP_MS:
                continue
            if not _touched(near[0], pass_ms, past.works_ms):
                errors.append(abs(near[0] + answer.in_h.p50 * HOUR_MS - pass_ms) / HOUR_MS)
    return errors


def _passes(hottest: Mapping[int, float], limit_c: float) -> list[float]:
    steps = pairwise(sorted(hottest))
    return [float(later * STEP_MS) for step, later in steps if hottest[step] < limit_c <= hottest[later]]


def read_forecast(plain: object) -> Forecast | None:
    """A forecast as the journal keeps it; None for one that was refused."""
    try:
        return unpack(plain)
    except ValueError:
        return None
