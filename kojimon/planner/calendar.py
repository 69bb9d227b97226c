"""A timetable as a calendar file (RFC 5545)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import datetime, timedelta

from kojimon.planner.nights import Sleep
from kojimon.planner.timetable import Plan, PlannedStep
from kojimon.schedule.spec import Schedule

REMINDER_MIN = 10


def advice_of(schedule: Schedule, kind: str, cover: str) -> dict[str, str]:
    """What to do at each step in a kind of box whose rice is covered so, with its cautions."""
    return {step.name: "\n".join((*step.advice_for(kind, cover), *step.cautions)) for step in schedule.steps}


def calendar(
    plan: Plan, name: str, made: datetime, sleep: Sleep, advice: Mapping[str, str], root: str,
    done: Mapping[str, int] = {},
) -> bytes:  # fmt: skip
    """An entry a step, with what to do, and a reminder ten minutes before, or as it begins where you sleep until then.

    Zones are described in the file, as RFC 5545, 3.2.19 asks: a calendar need not know their names.

    Args:
        name: of the batch, in each entry's title.
        made: when the plan was made, UTC.
        advice: step -> text for the entry's description.
        root: the same for every calendar of one batch: its entries take the place of those of the plan.
        done: how often each step was done.
    """
    from icalendar import Alarm, Calendar, Timezone
    from icalendar import Event as Entry

    book = Calendar()
    book.add("prodid", "-//kojimon//plan//EN")
    book.add("version", "2.0")
    book.add("name", f"Koji, {name}")  # RFC 7986, 5.1
    book.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})  # RFC 7986, 5.7
    turns = Counter(done)
    for step in plan.steps:
        turns[step.step] += 1
        entry = Entry()
        entry.add("uid", f"kojimon-{root}-{step.step}-{turns[step.step]}")
        entry.add("dtstamp", made)
        entry.add("summary", f"{step.label} ({name})")
        entry.add("description", "\n".join(filter(None, [_window(step), advice.get(step.step, "")])))
        entry.add("dtstart", step.at)
        entry.add("dtend", step.until)
        before = step.at - timedelta(minutes=REMINDER_MIN)
        if not sleep.holds(step.at.hour * 60 + step.at.minute):
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", step.label)
            early = sleep.holds(before.hour * 60 + before.minute)
            alarm.add("trigger", timedelta(0) if early else -timedelta(minutes=REMINDER_MIN))
            entry.add_component(alarm)
        book.add_component(entry)
    around = timedelta(days=366)
    if plan.steps:
        book.add_missing_timezones(plan.steps[0].at.date() - around, plan.steps[-1].at.date() + around)
    else:  # a calendar has one component at least (RFC 5545, 3.6)
        book.add_component(Timezone.from_tzid("UTC"))
    written: bytes = book.to_ical()
    return written


def _window(step: PlannedStep) -> str:
    if step.closes < step.at:
        return f"Was due by {step.closes:%a %H:%M}."
    if step.opens == step.closes:
        return ""
    koji = " The koji decides: kojimon says when it comes." if step.koji_decides else ""
    return f"Can be done {step.opens:%a %H:%M} to {step.closes:%a %H:%M}.{koji}"
