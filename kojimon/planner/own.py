"""What your own batches say in place of what is published: what they weighed, and the hours that they kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct

from kojimon.contract import events
from kojimon.journal.records import BatchRow
from kojimon.mash.facts import Fact
from kojimon.model import Event
from kojimon.planner.likely import Span, decided, references
from kojimon.schedule.spec import Schedule
from kojimon.units import median

if TYPE_CHECKING:
    from kojimon.journal.reading.reader import Reader

OWN_BATCHES = 3
"""So many harvested batches of a schedule take the place of the published yield and hours (judgement)."""

OWN_LEAST, OWN_MOST = 1.0, 1.42
"""Koji on dry grain: less was not weighed whole, more than steamed rice (a technologist's note: 142) cannot be."""


class Own(Struct, frozen=True):
    """Of one schedule: koji on dry grain, and when each moment of its windows came (`planner.course.Known.own`)."""

    ratio: Fact | None = None
    hours: dict[tuple[str, str], Span] = {}


def own_of(schedule: Schedule, reader: Reader) -> Own:
    """What the harvested batches of this schedule say, once there are enough of them."""
    rows = reader.batches()
    stated = [reader.events(batch=row.id, kinds=_HOURS) for row in _harvested(rows, schedule.name)]
    return Own(own_yield(rows, schedule.name), own_hours(stated, schedule))


def own_hours(batches: Iterable[Sequence[Event]], schedule: Schedule) -> dict[tuple[str, str], Span]:
    """When what the koji decides came: least and most minutes after the latest step that it counts from.

    Args:
        batches: the events of each harvested batch. A moment that came in fewer than three of them has no own hours.
    """
    came = [dict(_came(stated, schedule)) for stated in batches]
    found: dict[tuple[str, str], Span] = {}
    for moment in {moment for one in came for moment in one}:
        own = [one[moment] for one in came if moment in one]
        if len(own) >= OWN_BATCHES:
            found[moment] = min(own), max(own)
    return found


_HOURS = tuple(one.kind for one in (events.StepDone, events.StepUndone, events.StepCorrected, events.StepOpen,
                                    events.StepDue))  # fmt: skip


def _came(stated: Sequence[Event], schedule: Schedule) -> Iterator[tuple[tuple[str, str], float]]:
    """Each moment of a batch, the last time it was told where it came more than once."""
    marks: dict[int, tuple[str, int]] = {}
    for event in stated:
        match event.what:
            case events.StepDone(mark=mark, at_ms=at_ms):
                marks[mark] = event.key, event.t_ms if at_ms is None else at_ms
            case events.StepUndone(mark=mark):
                marks.pop(mark, None)
            case events.StepCorrected(mark=mark, at_ms=at_ms) if mark in marks and at_ms is not None:
                marks[mark] = marks[mark][0], at_ms
            case events.StepOpen() | events.StepDue():
                which = "due" if isinstance(event.what, events.StepDue) else "opens"
                step = schedule.step(event.key)
                moment = getattr(step.window, which) if step else None
                since = [at_ms for name, at_ms in marks.values() if name in references(moment)]
                if since and decided(moment):
                    yield (event.key, which), (event.t_ms - max(since)) / 60_000


def _harvested(batches: Iterable[BatchRow], schedule: str) -> list[BatchRow]:
    return [
        row for row in batches if row.schedule == schedule and row.outcome == "harvest" and row.hour0_t_ms is not None
    ]


def own_yield(batches: Iterable[BatchRow], schedule: str) -> Fact | None:
    """Koji on dry grain as harvested, weighed batches of a schedule gave it; None for fewer than three.

    Only what was inoculated and can be counts.
    """
    mine = _harvested(batches, schedule)
    own = [row.yield_kg / row.rice_kg for row in mine if row.yield_kg and row.rice_kg]
    own = [ratio for ratio in own if OWN_LEAST <= ratio <= OWN_MOST]
    if len(own) < OWN_BATCHES:
        return None
    return Fact(min(own), median(own), max(own), f"your own {len(own)} batches")
