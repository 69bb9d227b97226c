"""The timetable of a batch that goes on: it moves with what was done, and with what batches of one's own did."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from icalendar import Calendar

from kojimon.contract import events
from kojimon.model import Event
from kojimon.planner.calendar import calendar
from kojimon.planner.course import Known
from kojimon.planner.kept_plan import note_of, root_of
from kojimon.planner.nights import Sleep, zoned
from kojimon.planner.own import own_hours
from kojimon.planner.timetable import Plan, PlannedStep, going_on, plans
from kojimon.schedule.load import SHIPPED, load_schedule

HOME = load_schedule(SHIPPED / "rice-koji-home-trays.yaml")
NIGHT = Sleep(22 * 60 + 30, 6 * 60 + 30)
ZERO = zoned(datetime.fromisoformat("2026-03-02 14:00"), "America/Chicago")
HOUR_MS = 3_600_000


def hour(step: PlannedStep) -> float:
    return (step.at - ZERO) / timedelta(hours=1)


def rest(now_h: float, windows: dict[str, tuple[float | None, float | None, float | None]] | None = None,
         **marks_h: float) -> Plan:  # fmt: skip
    def at(found_h: float | None) -> datetime | None:
        return None if found_h is None else ZERO + timedelta(hours=found_h)

    marks = {name.replace("_", "-"): [ZERO + timedelta(hours=found_h)] for name, found_h in marks_h.items()}
    said = {name: tuple(map(at, three)) for name, three in (windows or {}).items()}
    return going_on(HOME, NIGHT, ZERO + timedelta(hours=now_h), marks, said, {})


def first(plan: Plan, name: str) -> PlannedStep:
    return next(step for step in plan.steps if step.step == name)


def test_later_steps_move_with_the_marks() -> None:
    """First look at hour 18 or 24 by the clock's choice: the mixing after it is six hours and more behind it."""
    early, late = (rest(looked + 0.5, inoculate=0.0, first_check=looked) for looked in (18.0, 23.0))
    for plan, looked in ((early, 18.0), (late, 23.0)):
        assert "first-check" not in [step.step for step in plan.steps] and plan.inoculate == ZERO
        assert looked + 4 <= hour(first(plan, "mix"))
        assert plan.steps[-1].step == "harvest"
    assert first(late, "mix").opens - first(early, "mix").opens == timedelta(hours=5)


def test_nothing_is_planned_into_the_past() -> None:
    """The first look is hours late: it is to be done now."""
    plan = rest(27.0, inoculate=0.0)
    assert all(step.at >= ZERO + timedelta(hours=27) for step in plan.steps)
    assert hour(first(plan, "first-check")) <= 28


def test_a_window_of_the_engine_takes_the_place_of_the_likely_one() -> None:
    """The koji is warm at hour 16: the engine says that the first look is due."""
    plan = rest(16.1, {"first-check": (16.0, 16.0, 22.0)}, inoculate=0.0)
    look = first(plan, "first-check")
    assert not look.koji_decides and look.opens == ZERO + timedelta(hours=16.1)
    assert first(rest(16.1, inoculate=0.0), "first-check").koji_decides
    ahead = first(rest(10.0, {"first-check": (18.0, 24.0, 30.0)}, inoculate=0.0), "first-check")
    assert ahead.koji_decides, "a clock that is still to come: the koji may ask sooner"


def test_before_the_spores_hour_0_follows_from_the_soaking() -> None:
    """Soaked four hours late, everything is four hours late."""
    def begun(at_h: float) -> Plan:
        return going_on(HOME, NIGHT, ZERO + timedelta(hours=at_h), {"soak": [ZERO + timedelta(hours=at_h)]}, {}, {})

    assert begun(4.0).inoculate - begun(0.0).inoculate == timedelta(hours=4)
    assert begun(0.0).steps[0].step == "drain"


def test_a_batch_of_which_nothing_is_done_is_planned_from_now() -> None:
    """Opened at midnight: nobody washes rice then."""
    midnight = zoned(datetime.fromisoformat("2026-03-03 00:00"), "America/Chicago")
    plan = going_on(HOME, NIGHT, midnight, {}, {}, {})
    assert plan.steps[0].step == "wash" and not plan.steps[0].asleep


def test_entries_of_a_calendar_take_the_place_of_the_plan_s() -> None:
    planned = plans(HOME, NIGHT, ZERO)[0]
    root = root_of(note_of("Amazake", planned.inoculate, planned.steps[0].at))
    assert root and root_of("white all over") == ""
    made = datetime(2026, 3, 1, tzinfo=UTC)

    def uids(plan: Plan, **done: int) -> list[str]:
        counts = {name.replace("_", "-"): count for name, count in done.items()}
        ics = calendar(plan, "cellar", made, NIGHT, {}, root, counts)
        return [str(entry["uid"]) for entry in Calendar.from_ical(ics).walk("VEVENT")]

    moved = uids(rest(26.0, inoculate=0.0, first_check=20.0, mix=25.5), inoculate=1, first_check=1, mix=1)
    assert set(moved) <= set(uids(planned)) | {f"kojimon-{root}-mix-{turn}" for turn in (2, 3, 4)}
    assert f"kojimon-{root}-harvest-1" in moved and f"kojimon-{root}-mix-1" not in moved


def batch(number: int, due_h: float, mixed_h: float | None = None) -> list[Event]:
    """Spores at hour 0, the first look due and done; where given a mixing that opened then."""
    found = [(0.0, "inoculate", events.StepDone(mark=1, at_ms=0)), (due_h, "first-check", events.StepDue())]
    if mixed_h is not None:
        found += [(due_h + 0.2, "first-check", events.StepDone(mark=2, at_ms=round((due_h + 0.2) * HOUR_MS))),
                  (mixed_h, "mix", events.StepOpen())]  # fmt: skip
    return [Event(no, round(at_h * HOUR_MS), "box", f"box-{number}", key, what)
            for no, (at_h, key, what) in enumerate(found, 1)]  # fmt: skip


def test_three_batches_make_hours_of_one_s_own() -> None:
    """First looks due at hours 17, 19 and 20.5; mixings 5, 6 and 7 h after them."""
    three = [batch(1, 17.0, 22.2), batch(2, 19.0, 25.2), batch(3, 20.5, 27.7)]
    own = own_hours(three, HOME)
    assert own["first-check", "due"] == (17 * 60, 20.5 * 60)
    least, most = own["mix", "opens"]
    assert (round(least), round(most)) == (5 * 60, 7 * 60)
    assert own_hours(three[:2], HOME) == {}
    usual, mine = (
        next(step for step in plans(HOME, NIGHT, ZERO, known=known)[0].steps if step.step == "first-check")
        for known in (Known(), Known(own))
    )
    assert (usual.chance, mine.chance) != (0.0, 0.0) or usual.opens != mine.opens


def test_a_mark_taken_back_or_corrected_counts_as_it_stands() -> None:
    def with_more(number: int) -> list[Event]:
        told = batch(number, 18.0, 24.0)
        corrected = events.StepCorrected(mark=2, at_ms=20 * HOUR_MS)
        told.insert(3, Event(9, 19 * HOUR_MS, "box", "", "first-check", corrected))
        return told

    least, most = own_hours([with_more(number) for number in range(3)], HOME)["mix", "opens"]
    assert least == most == 4 * 60


def test_a_chance_of_the_night_lies_within_its_window() -> None:
    """A step said to come in sleep may come in hours that its window shows; it was once shown for the evening alone."""
    for start in ("2026-03-02 06:00", "2026-03-02 12:00", "2026-03-02 18:00"):
        for schedule in (HOME, load_schedule(SHIPPED / "rice-koji-sake.yaml")):
            for plan in plans(schedule, NIGHT, zoned(datetime.fromisoformat(start), "America/Chicago")):
                for step in plan.steps:
                    quarters = int((step.closes - step.opens) / timedelta(minutes=15))
                    times = [step.opens + timedelta(minutes=15 * count) for count in range(quarters + 1)]
                    night = any(NIGHT.holds(at.hour * 60 + at.minute) for at in times)
                    assert night or not step.chance, (start, step)
