"""Windows that hang on other steps and come again: the earliest, the latest, the second round, the end."""

from __future__ import annotations

from kojimon.engine import advance, initial_state
from kojimon.model import Outcome, Priority
from kojimon.schedule.spec import (
    After,
    Condition,
    FirstOf,
    Holds,
    LastOf,
    Moment,
    Schedule,
    Stage,
    Step,
    Window,
)
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, kinds, site


def told(opens: Moment, *mixed_h: float, **window: Moment) -> tuple[list[tuple[str, float]], Outcome]:
    """(kind, hour) of what is said of a step with that window, koji mixed at these hours after the spores."""
    steps = (Step("inoculate", "Sprinkle", work="inoculate"), Step("mix", "Mix", work="mix", repeats=True),
             Step("swap", "Swap", work="swap", repeats=True, window=Window(opens, **window)))  # fmt: skip
    rows = Rows(site(Schedule("home", "Home", "test", (Stage("only", "Only", After("inoculate", 0)),), steps)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    for hour in mixed_h:
        rows.hold(hour * H, {BED: 30.0}, every_s=600).act("step.done", step="mix")
    rows.hold(24 * H, {BED: 30.0}, every_s=600)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    events = [event for event in outcome.events if event.key == "swap"]
    return [(event.kind, round((event.t_ms - rows.t0_ms) / 3_600_000, 2)) for event in events], outcome


TWO_HOURS_ON, SIX_HOURS = After("mix", 2 * H), After("inoculate", 6 * H)


def test_the_latest_of_several_waits_for_all_of_them() -> None:
    both = LastOf((SIX_HOURS, TWO_HOURS_ON))
    assert told(both)[0] == [], "not mixed, so it is not known when"
    assert told(both, 1)[0] == [("step-open", 6.0)]
    assert told(both, 10)[0] == [("step-open", 12.0)]


def test_the_earliest_of_several_waits_for_none() -> None:
    one = FirstOf((SIX_HOURS, TWO_HOURS_ON))
    assert told(one)[0] == [("step-open", 6.0)]
    assert told(one, 1)[0] == [("step-open", 3.0)]


def test_a_second_round_counts_from_the_second_mixing() -> None:
    assert told(TWO_HOURS_ON, 10, 11)[0] == [("step-open", 13.0)]
    assert told(TWO_HOURS_ON, 10, 20)[0] == [("step-open", 12.0), ("step-open", 22.0)], "and comes again"


def test_a_window_that_opens_is_shown_and_one_that_is_due_or_closes_is_told() -> None:
    said, outcome = told(SIX_HOURS, due=After("inoculate", 8 * H), closes=After("inoculate", 10 * H))
    assert said == [("step-open", 6.0), ("step-due", 8.0), ("step-missed", 10.0)]
    kind_of = {event.no: event.kind for event in outcome.events}
    messages = [(kind_of[message.event], message.priority) for message in outcome.messages]
    assert [one for one in messages if one[0].startswith("step-")] == [
        ("step-due", Priority.TELL), ("step-missed", Priority.TELL),
    ]  # fmt: skip


def test_koji_that_its_box_has_warmed_is_not_taken_for_grown() -> None:
    """Air that is hotter than the koji heats it; what is warmer than its air heats itself."""
    steps = (Step("inoculate", "Sprinkle", work="inoculate"), Step("check", "Check", window=Window(Holds("warm"))))
    warm = {"warm": Condition("bed", at_least=34, hold_s=600, from_s=H)}
    only = (Stage("only", "Only", After("inoculate", 0)),)
    rows = Rows(site(Schedule("home", "Home", "test", only, steps, conditions=warm)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    rows.hold(3 * H, {BED: 34.5, AIR: 36.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert kinds(outcome, "step-open") == []
    rows.hold(4 * H, {BED: 34.5, AIR: 33.0}, every_s=60)
    assert kinds(advance(state, rows.take(), rows.t_ms)[1], "step-open") == [("step-open", "check")]


def test_a_hold_that_another_probe_saw_complete_stays_complete() -> None:
    """The hot tray is read each 61 s and falls below right after the cool one was read: due once, not once more when it
    is hot again. Other work is marked meanwhile."""
    steps = (Step("inoculate", "Sprinkle", work="inoculate"), Step("swap", "Swap"),
             Step("mix", "Mix", window=Window(due=Holds("hot"))))  # fmt: skip
    hot, only = Condition("bed", at_least=40, hold_s=600), (Stage("only", "Only", After("inoculate", 0)),)
    rows = Rows(site(Schedule("home", "Home", "test", only, steps, conditions={"hot": hot})))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    for second in range(60, 1800, 61):
        rows.at(second).read(BED, 39.0 if second == 670 else 40.2)
        if second == 670:
            rows.act("step.done", step="swap")
        rows.at(second + 56).read(MIDDLE, 36.0)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert kinds(outcome, "step-due") == [("step-due", "mix")]
