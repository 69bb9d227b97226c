"""Before the batch: how much of everything, and when to begin so that the work does not fall into the night. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from msgspec import Struct

from kojimon.schedule.spec import After, FirstOf, LastOf, Moment, Schedule, Step
from kojimon.units import checked_mass_kg

STARTER_KG_PER_KG = 0.001
"""Starter on dry rice, 1 g/kg: Kanagawa Prefecture, rice koji, materials (15 g on 15 kg)."""
SOAKED_KG_PER_KG = 1.295
STEAMED_KG_PER_KG = 1.415
KOJI_KG_PER_KG = 1.17
"""Weights on dry white rice: 100 -> 129.5 soaked -> 141.5 steamed -> 117 koji, a sake technologist's published note on
box koji; for koji 117-119 a brewing blog quoting the textbook Koji-gaku."""
TRAY_KG = 1.5
"""Dry rice to a tray: Nada sake research group glossary, tray koji method (about 1.5 kg)."""
WORKS_H = ((20.0, 22.0), (26.0, 29.0), (31.0, 38.0))
"""Hours after the spores at which the koji usually wants hands: 20, 28-29 and 38 h in trials of the National Research
Institute of Brewing (respiratory activity of koji mould); 21-22, 26-28 and 31-34 h summed from one brewery's page on
box koji."""
STEP_MIN = 15
SOAK_H = (8.0, 17.0)
"""Hours of soaking that do: overnight; 12-17 h in spring and autumn (Kanagawa Prefecture, rice koji, advice)."""
NIGHT_STEP_COST, WORK_COST, HARVEST_COST = 20.0, 1.0, 4.0
"""Weights of the search (judgement): a fixed step at night, an hour of work at night, a harvest that must wait."""


class Quantities(Struct, frozen=True):
    """Masses in kg for a mass of dry rice; trays at the usual load."""

    rice_kg: float
    soaked_kg: float
    steamed_kg: float
    koji_kg: float
    starter_kg: float
    trays: int


class PlannedStep(Struct, frozen=True):
    """One step of a timetable.

    Attributes:
        step: name in the schedule, or `work` for hands the koji will probably want.
        begins, ends: when to do it, or the span in which it will be wanted.
        asleep_s: how much of it falls into the person's sleep, s.
        firm: whether the time is fixed by the schedule rather than expected.
    """

    step: str
    label: str
    begins: datetime
    ends: datetime
    asleep_s: float
    firm: bool = True


class Plan(Struct, frozen=True):
    """A timetable; the lower its cost, the less of it falls into the night."""

    inoculate: datetime
    steps: tuple[PlannedStep, ...]
    cost: float


class Sleep(Struct, frozen=True):
    """Hours of sleep as minutes of the local day, which may cross midnight."""

    from_min: int
    to_min: int

    def asleep_s(self, begins: datetime, ends: datetime) -> float:
        """Seconds of a span (local wall time) that are slept through; a step without length counts as a minute."""
        minutes = max(1, round((ends - begins).total_seconds() / 60))
        first = begins.hour * 60 + begins.minute
        return 60.0 * sum(self._asleep((first + offset) % 1440) for offset in range(minutes))

    def _asleep(self, minute: int) -> bool:
        if self.from_min <= self.to_min:
            return self.from_min <= minute < self.to_min
        return minute >= self.from_min or minute < self.to_min


def quantities(rice_kg: float) -> Quantities:
    """Masses that go with so much dry rice. Raises ValueError as `units.checked_mass_kg` does."""
    checked_mass_kg(rice_kg)
    return Quantities(
        rice_kg, rice_kg * SOAKED_KG_PER_KG, rice_kg * STEAMED_KG_PER_KG, rice_kg * KOJI_KG_PER_KG,
        rice_kg * STARTER_KG_PER_KG, max(1, round(rice_kg / TRAY_KG + 0.49)),
    )  # fmt: skip


def plans(schedule: Schedule, sleep: Sleep, earliest: datetime, days: float = 1.0, most: int = 3) -> list[Plan]:
    """The best timetables, at least two hours apart, best first.

    Args:
        schedule: whose steps are laid out.
        sleep: when the person sleeps.
        earliest: local wall time before which nothing can begin.
        days: how far ahead the first step may lie.
        most: how many.
    """
    found = sorted(_all(schedule, sleep, earliest, days), key=lambda plan: (plan.cost, plan.inoculate))
    kept: list[Plan] = []
    for plan in found:
        if all(abs(plan.inoculate - other.inoculate) >= timedelta(hours=2) for other in kept):
            kept.append(plan)
        if len(kept) == most:
            break
    return kept


def _all(schedule: Schedule, sleep: Sleep, earliest: datetime, days: float) -> Iterator[Plan]:
    first = earliest + timedelta(minutes=-earliest.minute % STEP_MIN, seconds=-earliest.second)
    for soak_h in range(int(SOAK_H[0]), int(SOAK_H[1]) + 1):
        lead_s = sum(_lasts_s(step, soak_h) for step in _before(schedule))
        for step in range(round(days * 1440 / STEP_MIN)):
            zero = first + timedelta(seconds=lead_s, minutes=step * STEP_MIN)
            yield lay_out(schedule, sleep, zero, soak_h)


def _before(schedule: Schedule) -> list[Step]:
    names = [step.name for step in schedule.steps]
    return list(schedule.steps[: names.index("inoculate")]) if "inoculate" in names else []


def _lasts_s(step: Step, soak_h: float) -> float:
    return soak_h * 3600 if step.name == "soak" else step.lasts_s


def lay_out(schedule: Schedule, sleep: Sleep, zero: datetime, soak_h: float = 12.0) -> Plan:
    """The timetable of a batch whose spores go on at `zero` (local wall time)."""
    steps, cost, at = [], 0.0, zero
    for step in reversed(_before(schedule)):
        at -= timedelta(seconds=_lasts_s(step, soak_h))
        hands_s = min(_lasts_s(step, soak_h), 1800.0)
        asleep_s = sleep.asleep_s(at, at + timedelta(seconds=hands_s))
        steps.append(PlannedStep(step.name, step.label, at, at + timedelta(seconds=hands_s), asleep_s))
        cost += NIGHT_STEP_COST * (asleep_s > 0)
    steps.reverse()
    steps.append(_fixed(schedule, sleep, zero))
    for begins_h, ends_h in WORKS_H:
        span = zero + timedelta(hours=begins_h), zero + timedelta(hours=ends_h)
        asleep_s = sleep.asleep_s(*span)
        steps.append(PlannedStep("work", "The koji will want hands", *span, asleep_s, firm=False))
        cost += WORK_COST * asleep_s / 3600
    harvest = _harvest(schedule, sleep, zero)
    if harvest is not None:
        steps.append(harvest)
        cost += HARVEST_COST * (harvest.asleep_s > 0)
    cost += NIGHT_STEP_COST * (sleep.asleep_s(zero, zero) > 0)
    return Plan(zero, tuple(sorted(steps, key=lambda step: step.begins)), cost)


def _fixed(schedule: Schedule, sleep: Sleep, zero: datetime) -> PlannedStep:
    step = schedule.step("inoculate")
    ends = zero + timedelta(minutes=20)
    return PlannedStep("inoculate", step.label if step else "Inoculate", zero, ends, sleep.asleep_s(zero, ends))


def _harvest(schedule: Schedule, sleep: Sleep, zero: datetime) -> PlannedStep | None:
    """The harvest window; asleep only if all of it, up to when it is due, is slept through."""
    step = next((step for step in schedule.steps if step.work == "harvest"), None)
    opens_h = hours_of(step.window.opens) if step else None
    closes_h = hours_of(step.window.closes) if step else None
    if step is None or opens_h is None or closes_h is None:
        return None
    due_h = hours_of(step.window.due) or closes_h
    begins, due = zero + timedelta(hours=opens_h), zero + timedelta(hours=due_h)
    slept_s = sleep.asleep_s(begins, due)
    ends = zero + timedelta(hours=closes_h)
    whole = slept_s >= (due - begins).total_seconds()
    return PlannedStep(step.name, step.label, begins, ends, slept_s if whole else 0.0)


def hours_of(moment: Moment | None) -> float | None:
    """Hours after the spores at which a moment surely comes, where the clock alone decides; None where it does not."""
    if isinstance(moment, After):
        return moment.wait_s / 3600 if moment.step == "inoculate" else None
    if isinstance(moment, FirstOf):
        return min((h for part in moment.moments if (h := hours_of(part)) is not None), default=None)
    if isinstance(moment, LastOf):
        known = [hours_of(part) for part in moment.moments]
        return None if None in known else max(h for h in known if h is not None)
    return None


def calendar(plan: Plan, zone: str, name: str, made: datetime) -> bytes:
    """The plan as an iCalendar file (RFC 5545): an entry a step, a reminder ten minutes before.

    Args:
        plan: local wall times in `zone` (IANA name).
        name: of the batch, in each entry's title.
        made: when the plan was made, UTC.
    """
    from zoneinfo import ZoneInfo

    from icalendar import Alarm, Calendar
    from icalendar import Event as Entry

    book = Calendar()
    book.add("prodid", "-//kojimon//plan//EN")
    book.add("version", "2.0")
    for number, step in enumerate(plan.steps):
        entry = Entry()
        entry.add("uid", f"kojimon-{plan.inoculate:%Y%m%dT%H%M}-{number}-{step.step}")
        entry.add("dtstamp", made)
        entry.add("summary", f"{step.label} ({name})")
        # In UTC: a local time would want its zone's rules in the file as well (RFC 5545, 3.2.19).
        entry.add("dtstart", step.begins.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC))
        entry.add("dtend", step.ends.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC))
        if step.firm:
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", step.label)
            alarm.add("trigger", timedelta(minutes=-10))
            entry.add_component(alarm)
        book.add_component(entry)
    written: bytes = book.to_ical()
    return written
