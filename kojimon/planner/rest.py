"""What is left of an open batch as a timetable, made of the state document: for the terminal and the calendar."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from msgspec import Struct

from kojimon.contract.state import Box
from kojimon.planner.course import Known
from kojimon.planner.kept_plan import planned_in
from kojimon.planner.likely import Span
from kojimon.planner.nights import Sleep, zoned
from kojimon.planner.timetable import Plan, as_planned, going_on
from kojimon.schedule.spec import Schedule

Utc = datetime | None


class Begun(Struct, frozen=True):
    """An open batch, as far as its timetable hangs on it.

    Attributes:
        zone: IANA name, of the times that are shown. now: any zone. note: the batch's first.
        marks, windows, gone: as in `timetable.going_on`. own: of one's own batches: step, moment, least and most (min).
    """

    schedule: Schedule
    zone: str
    now: datetime
    note: str
    marks: dict[str, tuple[datetime, ...]]
    windows: dict[str, tuple[Utc, Utc, Utc]]
    gone: frozenset[str]
    own: tuple[tuple[str, str, float, float], ...] = ()

    @property
    def done(self) -> dict[str, int]:
        """How often each step was done."""
        return {name: len(found) for name, found in self.marks.items()}


def begun_of(
    box: Box, now_utc: str, schedule: Schedule, note: str, zone: str, own: dict[tuple[str, str], Span]
) -> Begun:
    """Of a box of the state document whose batch is open."""

    def at(text: str | None) -> datetime | None:
        return None if text is None else datetime.fromisoformat(text)

    marks = {step.name: tuple(found for mark in step.standing if (found := at(mark.at_utc))) for step in box.steps}
    return Begun(
        schedule, zone, datetime.fromisoformat(now_utc), note, {name: found for name, found in marks.items() if found},
        {step.name: (at(step.opens_utc), at(step.due_utc), at(step.closes_utc)) for step in box.steps},
        frozenset(step.name for step in box.steps if step.status == "missed" and step.optional),
        tuple((*moment, *span) for moment, span in own.items()),
    )  # fmt: skip


def rest_of(begun: Begun, sleep: Sleep) -> tuple[Plan, bool]:
    """The timetable, and whether it is still the one that was planned: as long as no step is marked."""
    now = begun.now.astimezone(ZoneInfo(begun.zone))
    own = {(step, which): (low, high) for step, which, low, high in begun.own}
    if not begun.marks and (planned := planned_in(begun.note)):
        begins, zero = (zoned(at, begun.zone) for at in planned)
        if kept := as_planned(begun.schedule, sleep, max(begins, now), zero, Known(own)):
            return kept, True
    return going_on(begun.schedule, sleep, now, begun.marks, begun.windows, own, begun.gone), False
