"""How early the forecasts warned of each limit the koji passed, and how many warned of one it never passed. Pure.

A forecast says what comes if nobody touches the koji: it warned of a passing when it was made after the koji was last
worked on, and below the limit. Times are ms since hour 0.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from math import inf
from typing import Final, NamedTuple

from msgspec import Struct

from kojimon.forecast.answers import Forecast, LimitAnswer

HOUR_MS: Final = 3_600_000
STEP_MS: Final = 300_000
"""The koji's hottest value is taken in steps of five minutes, and so is a moment."""
EVEN: Final = 0.5
"""The middle of a forecast says that a limit is passed where it is in this share of its cases, or in more."""
FATES: Final = ("came", "never", "hands", "unknown")
SAME_K: Final = 0.3
"""Limits ramp between stages: answers about limits no further apart are about one (as in `engine.outlook`)."""
REARM_K: Final = 0.5
"""So far below the limit the koji must have been before passing it counts again: trembling about it is one passing.
Chosen."""
NEAR_MS: Final = 900_000
"""A likely range that misses the moment by no more than this has it still: nobody in a kitchen calls that wrong.
Chosen."""
HOLE_MS: Final = 1_800_000
"""A longer time without a reading leaves it unknown what the koji did. Chosen."""


class Passing(Struct, frozen=True):
    """A limit the koji passed from below, and when the forecasts said so.

    Attributes:
        limit_c, hour: the limit, and hours since hour 0 at which it was passed.
        known: forecasts that knew, made since the koji was last worked on or above the limit.
        since_h: hours before the passing at which the first of those was made; None without one.
        first_h: hours before it at which the first of them said in its middle that the limit would be passed.
        right_h: hours before it from which on every one had the moment inside its likely range (8 in 10).
    """

    limit_c: float
    hour: float
    known: int
    since_h: float | None = None
    first_h: float | None = None
    right_h: float | None = None


class Warnings(Struct, frozen=True):
    """What became of the forecasts that warned of one limit.

    Attributes:
        said: forecasts whose middle said it would be passed, made while the koji was below it.
        came: it was, before anybody worked on the koji and within what the forecast looked at.
        never: it was not, although nobody worked on the koji until its likely range was over.
        hands: somebody worked on the koji before it came to that.
        unknown: readings are missing, or ended before.
    """

    limit_c: float
    said: int
    came: int
    never: int
    hands: int
    unknown: int


class Warned(Struct, frozen=True):
    """Both, mildest limit first; passings in order of time within a limit."""

    passings: tuple[Passing, ...] = ()
    warnings: tuple[Warnings, ...] = ()


class _Answer(NamedTuple):
    at_ms: float
    horizon_ms: float
    known: bool
    answer: LimitAnswer


def warned(
    forecasts: Iterable[tuple[float, Forecast]], hottest: Mapping[int, float], works_ms: Sequence[float]
) -> Warned:
    """How early the forecasts warned.

    Args:
        forecasts: (ms since hour 0, forecast), in any order, also those that did not know yet.
        hottest: middle of the hottest tray (°C) by step (ms // STEP_MS).
        works_ms: when it was touched.
    """
    answers = _by_limit(forecasts)
    steps, works = sorted(hottest), sorted(works_ms)
    passings: list[Passing] = []
    counted = []
    for limit_c in sorted(answers):
        bed = _Bed(limit_c, steps, hottest, works)
        passings += [
            _passing(bed, pass_ms, answers[limit_c])
            for pass_ms in bed.passes
            if _asked_about(answers, limit_c, pass_ms)
        ]
        said = [one for one in answers[limit_c] if _warns(one) and bed.below(one.at_ms)]
        if said:
            fates = [_fate(bed, one) for one in said]
            counted.append(Warnings(limit_c, len(said), *(fates.count(fate) for fate in FATES)))
    return Warned(tuple(passings), tuple(counted))


def _by_limit(forecasts: Iterable[tuple[float, Forecast]]) -> dict[float, list[_Answer]]:
    """The answers about each limit in order of time; a limit is named as it was asked about first."""
    found: dict[float, list[_Answer]] = {}
    for at_ms, one in sorted(forecasts, key=lambda pair: pair[0]):
        for answer in one.limits:
            name = next((name for name in found if abs(name - answer.limit_c) <= SAME_K), answer.limit_c)
            found.setdefault(name, []).append(_Answer(at_ms, one.horizon_s * 1000, one.known, answer))
    return found


def _asked_about(answers: Mapping[float, list[_Answer]], limit_c: float, pass_ms: float) -> bool:
    """Whether the last forecast before a passing was about this limit: a milder stage's limit may be over by then."""
    before = [max((one.at_ms for one in rows if one.at_ms <= pass_ms), default=-1.0) for rows in answers.values()]
    own = max((one.at_ms for one in answers[limit_c] if one.at_ms <= pass_ms), default=-1.0)
    return own >= 0 and own >= max(before)


def _warns(one: _Answer) -> bool:
    return one.known and one.answer.passes >= EVEN and one.answer.in_h.p50 is not None


class _Bed:
    """The koji beside one limit."""

    def __init__(
        self, limit_c: float, steps: Sequence[int], hottest: Mapping[int, float], works: Sequence[float]
    ) -> None:
        self._limit_c, self._steps, self._hottest, self._works = limit_c, steps, hottest, works
        self.passes = self._find()
        self.end_ms = float((steps[-1] + 1) * STEP_MS) if steps else 0.0

    def _find(self) -> list[float]:
        found, armed = [], False
        for step in self._steps:
            value = self._hottest[step]
            if armed and value >= self._limit_c:
                found.append(float(step * STEP_MS))
                armed = False
            elif value <= self._limit_c - REARM_K:
                armed = True
        return found

    def below(self, at_ms: float) -> bool:
        """Whether the koji was below the limit then, by the last reading of half an hour."""
        place = bisect_right(self._steps, int(at_ms // STEP_MS)) - 1
        if place < 0 or at_ms - self._steps[place] * STEP_MS > HOLE_MS:
            return False
        return self._hottest[self._steps[place]] < self._limit_c

    def clear_since(self, pass_ms: float) -> float:
        """Since when, before a passing, nobody has worked on the koji and it has been below the limit."""
        worked = max((one for one in self._works if one <= pass_ms), default=0.0)
        above = [
            (step + 1) * STEP_MS
            for step in self._steps
            if step * STEP_MS < pass_ms and self._hottest[step] >= self._limit_c
        ]
        return max(worked, float(above[-1]) if above else 0.0)

    def first_above(self, from_ms: float, to_ms: float) -> float | None:
        """The first moment in a span at which the koji was at the limit."""
        first = bisect_right(self._steps, int(from_ms // STEP_MS))
        spans = (step for step in self._steps[first:] if self._hottest[step] >= self._limit_c)
        found = next(spans, None)
        return None if found is None or found * STEP_MS > to_ms else float(found * STEP_MS)

    def next_work(self, from_ms: float) -> float:
        """When somebody worked on the koji next; endless where nobody did."""
        return min((one for one in self._works if one > from_ms), default=inf)

    def has_hole(self, from_ms: float, to_ms: float) -> bool:
        """Whether readings are missing for long in a span."""
        inside = [step * STEP_MS for step in self._steps if from_ms - STEP_MS < step * STEP_MS <= to_ms]
        return any(later - one > HOLE_MS for one, later in pairwise([from_ms, *inside, to_ms]))


def _passing(bed: _Bed, pass_ms: float, answers: Sequence[_Answer]) -> Passing:
    since_ms = bed.clear_since(pass_ms)
    known = [one for one in answers if one.known and since_ms <= one.at_ms < pass_ms]
    first = next((one for one in known if _warns(one)), None)
    right: _Answer | None = None
    for one in reversed(known):
        if not _holds(one, pass_ms):
            break
        right = one

    def ahead_h(one: _Answer | None) -> float | None:
        return None if one is None else round((pass_ms - one.at_ms) / HOUR_MS, 3)

    return Passing(
        answers[0].answer.limit_c, round(pass_ms / HOUR_MS, 3), len(known), ahead_h(known[0] if known else None),
        ahead_h(first), ahead_h(right),
    )  # fmt: skip


def _holds(one: _Answer, pass_ms: float) -> bool:
    """Whether the moment lies inside the likely range, give or take a quarter of an hour."""
    early, late = one.answer.in_h.p10, one.answer.in_h.p90
    if early is None or late is None or not _warns(one):
        return False
    return one.at_ms + early * HOUR_MS - NEAR_MS <= pass_ms <= one.at_ms + late * HOUR_MS + NEAR_MS


def _fate(bed: _Bed, one: _Answer) -> str:
    """One of `FATES`."""
    looked_ms = one.at_ms + one.horizon_ms
    work_ms = bed.next_work(one.at_ms)
    until_ms = min(work_ms, bed.end_ms, looked_ms)
    if bed.first_above(one.at_ms, until_ms) is not None:
        return "came"
    late_h = one.answer.in_h.p90
    over_ms = looked_ms if late_h is None else min(looked_ms, one.at_ms + late_h * HOUR_MS + STEP_MS)
    if bed.has_hole(one.at_ms, until_ms):
        return "unknown"
    if until_ms >= over_ms:
        return "never"
    return "hands" if work_ms == until_ms else "unknown"
