"""When a moment of a schedule will probably come, seen from before the batch."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from kojimon.schedule.spec import After, Condition, FirstOf, Holds, LastOf, Moment, Schedule, Step

HOUR_ZERO: Final = "inoculate"
Span = tuple[float, float]
"""Earliest and latest, minutes after hour 0."""
Times = Mapping[str, float]
"""Steps that are planned, minutes after hour 0."""


def likely(moment: Moment | None, times: Times, conditions: Mapping[str, Condition]) -> Span | None:
    """When it probably comes; None where nothing is known.

    What the koji decides comes within the usual hours of its condition, or, as without a probe, by the clock.
    """
    if isinstance(moment, After):
        at = times.get(moment.step)
        return None if at is None else (at + moment.wait_s / 60, at + moment.wait_s / 60)
    if isinstance(moment, Holds):
        return _holds(conditions[moment.condition], times.get(moment.since or HOUR_ZERO))
    if moment is None:
        return None
    known = [span for part in moment.moments if (span := likely(part, times, conditions)) is not None]
    if not known:
        return None
    pick = min if isinstance(moment, FirstOf) else max
    return pick(span[0] for span in known), pick(span[1] for span in known)


def _holds(condition: Condition, since: float | None) -> Span | None:
    if since is None:
        return None
    if condition.usual_to_s:
        return max(since, condition.usual_from_s / 60), max(since, condition.usual_to_s / 60)
    if condition.unseen_s is None:
        return None
    at = max(since, condition.from_s / 60) + condition.unseen_s / 60
    return at, at


def references(moment: Moment | None) -> set[str]:
    """The steps a moment counts from."""
    if isinstance(moment, After):
        return {moment.step}
    if isinstance(moment, Holds):
        return {moment.since or HOUR_ZERO}
    return set().union(*(references(part) for part in moment.moments)) if moment else set()


def decided(moment: Moment | None) -> bool:
    """Whether the koji has a say in it."""
    if isinstance(moment, Holds):
        return True
    return isinstance(moment, FirstOf | LastOf) and any(decided(part) for part in moment.moments)


def before(schedule: Schedule) -> list[Step]:
    """The steps before hour 0, in order."""
    names = [step.name for step in schedule.steps]
    return list(schedule.steps[: names.index(HOUR_ZERO)])


def soak_min(schedule: Schedule) -> tuple[int, int, int]:
    """Shortest, usual and longest soaking, minutes: as the draining after it opens and is due, and as much over.

    For polished rice that is the published 1-3 h; (0, 0, 0) where nothing is soaked.
    """
    soak, drain = schedule.step("soak"), schedule.step("drain")
    if soak is None:
        return 0, 0, 0
    usual = round(soak.lasts_s / 60)
    opens = drain.window.opens if drain else None
    least = round(opens.wait_s / 60) if isinstance(opens, After) and opens.step == "soak" else usual
    return min(least, usual), usual, max(usual, 2 * usual - least)
