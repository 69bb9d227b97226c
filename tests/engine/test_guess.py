"""Mixings that nobody marked: the windows follow the guess until it is answered, and the answer is theirs alone."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Box
from kojimon.engine import State, advance, initial_state, view
from kojimon.engine.state import decode, encode
from kojimon.model import Outcome, Priority
from kojimon.schedule.load import load_schedule
from tests.engine.build import AIR, BED, H, Rows
from tests.engine.test_box import HOME
from tests.engine.test_own_heat import Kitchen
from tests.parts.inputs import says

MIN = 60.0


def warm(rows: Rows, until_s: float, koji_c: float = 38.5) -> None:
    rows.hold(until_s, {BED: koji_c, AIR: 30.0}, every_s=60)


def mixed(at_h: float = 22.0, more_s: float = 600.0, kind: str = "still") -> Rows:
    """Koji that warms from hour 12 on and falls by 3 K at an hour, with nothing marked."""
    rows = Rows(Kitchen.setup(kind, "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rows.hold(12 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    warm(rows, at_h * H)
    warm(rows, at_h * H + more_s, 35.0)
    return rows


def run(rows: Rows, state: State | None = None) -> tuple[State, Outcome, Box]:
    state, outcome = advance(state or initial_state(), rows.take(), rows.t_ms)
    return state, outcome, view(state, rows.t_ms).incubators[0]


def hour(rows: Rows, t_ms: int | None) -> float:
    assert t_ms is not None
    return (t_ms - rows.t0_ms) / 3_600_000


def test_it_is_asked_and_the_windows_follow_it() -> None:
    rows = mixed()
    _, _, box = run(rows)
    asked = box.question
    assert asked is not None and (asked.key, asked.step, asked.mark, asked.until_t_ms) == (
        "mix-guess", "first-check", 0, None,
    )  # fmt: skip
    assert abs(hour(rows, asked.at_t_ms) - 22.0) < 0.07
    first, swap, mix = (box.step(name) for name in ("first-check", "swap", "mix"))
    assert first is not None and swap is not None and mix is not None
    assert (first.status, first.marks) == ("done", ())
    assert swap.opens_t_ms == asked.at_t_ms + 3 * 3_600_000
    assert box.next is not None and box.next.step != "first-check"


def test_the_second_is_asked_about_after_the_first() -> None:
    """Mixed twice, never marked: two questions, each for its own step, and the later windows count from both."""
    rows = mixed()
    warm(rows, 26 * H)
    warm(rows, 26.2 * H, 35.0)
    state, _, box = run(rows)
    assert [one.step for one in state.batches["box"].guesses] == ["first-check", "mix"]
    assert box.question is not None and box.question.step == "first-check"
    mix = box.step("mix")
    assert mix is not None and mix.round == 2
    rows.act("mix.answer")
    _, outcome, box = run(rows, state)
    done = next(event for event in outcome.events if event.kind == "step-done")
    assert done.key == "first-check" and abs(hour(rows, says(done)["at_ms"]) - 22.0) < 0.07
    assert box.question is not None and box.question.step == "mix"
    assert abs(hour(rows, box.question.at_t_ms) - 26.0) < 0.1


def test_a_first_look_that_was_never_marked_does_not_hide_the_mixing_of_late_koji() -> None:
    """Nothing marked; the koji is at 38 °C from hour 33 on, and is mixed at hour 35: that is no first look."""
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(35 * 60):
        rows.hold((minute + 1) * 60.0, {BED: 30.0 + min(8.5, max(0.0, minute / 60 - 25)), AIR: 30.0}, every_s=60)
    state, outcome, _ = run(rows)
    (opened,) = [event for event in outcome.events if (event.kind, event.key) == ("step-open", "mix")]
    assert 33.0 <= hour(rows, opened.t_ms) <= 33.2
    warm(rows, 35.2 * H, 35.0)
    _, _, box = run(rows, state)
    assert box.question is not None and box.question.step == "mix"


def test_another_time_counts_from_there() -> None:
    rows = mixed()
    state, _, box = run(rows)
    assert box.question is not None
    rows.act("mix.answer", at_t_ms=rows.t0_ms + round(21.5 * 3_600_000), guess_ms=box.question.at_t_ms)
    _, _, box = run(rows, state)
    swap = box.step("swap")
    assert swap is not None and hour(rows, swap.opens_t_ms) == 24.5
    assert box.question is not None and box.question.key == "probe-back", "now that work is known, this is asked"


def test_something_else_gives_the_step_back() -> None:
    rows = mixed()
    state, _, _ = run(rows)
    rows.act("mix.answer", mixed=False)
    _, outcome, box = run(rows, state)
    first = box.step("first-check")
    assert first is not None and first.status == "due" and box.question is None
    assert box.next is not None and box.next.step == "first-check"
    assert "mix-denied" in [event.kind for event in outcome.events]


def test_a_mark_of_the_work_answers_it_and_no_other_work_does() -> None:
    rows = mixed()
    state, _, _ = run(rows)
    rows.act("step.done", step="unwrap")
    state, _, box = run(rows, state)
    assert box.question is not None and box.question.key == "mix-guess"
    rows.act("step.done", step="first-check", at_t_ms=rows.t_ms - 900_000)
    _, outcome, box = run(rows, state)
    assert [event.kind for event in outcome.events][:1] == ["step-done"]
    assert box.question is None or box.question.key == "probe-back"


def test_an_answer_to_nothing_is_refused() -> None:
    rows = mixed()
    state, _, box = run(rows)
    assert box.question is not None
    rows.act("mix.answer", guess_ms=box.question.at_t_ms - 1)
    rows.act("mix.answer", mixed=False)
    rows.act("mix.answer")
    _, outcome, _ = run(rows, state)
    assert [event.kind for event in outcome.events if event.kind != "step-due"] == ["refused", "mix-denied", "refused"]


def test_an_answer_that_cannot_be_leaves_the_question() -> None:
    rows = mixed()
    state, _, _ = run(rows)
    rows.act("mix.answer", at_t_ms=rows.t0_ms - 60_000)
    _, outcome, box = run(rows, state)
    assert [event.kind for event in outcome.events] == ["refused"]
    assert box.question is not None and box.question.key == "mix-guess"


@pytest.mark.parametrize("answer_min", [None, 10.0])
def test_a_message_goes_out_by_day_where_nobody_has_answered_for_a_while(answer_min: float | None) -> None:
    rows = mixed(more_s=600)
    if answer_min is not None:
        rows.act("step.done", step="first-check")
    warm(rows, 23 * H, 36.0)
    _, outcome, _ = run(rows)
    (guess,) = [event for event in outcome.events if event.kind == "mix-guess"]
    told = [message for message in outcome.messages if message.event == guess.no]
    assert [message.priority for message in told] == ([Priority.TELL] if answer_min is None else [])


def test_koji_that_takes_minutes_to_fall_is_not_called_hot_since_the_mixing() -> None:
    """Tray after tray: it was mixed, is asked about, and still stands over 40 °C. No next mixing is due for that."""
    rows = mixed()
    rows.act("mix.answer")
    warm(rows, 26 * H, 42.5)
    for minute in range(30):
        warm(rows, 26 * H + (minute + 1) * MIN, 42.5 - 0.2 * (minute + 1) if minute < 12 else 37.0)
    _, outcome, _ = run(rows)
    asked = [event for event in outcome.events if event.kind == "mix-guess"][-1]
    assert says(asked)["step"] == "mix" and 26.0 <= hour(rows, asked.t_ms) <= 26.15
    assert [e.kind for e in outcome.events if e.key == "mix" and e.t_ms >= asked.t_ms] == []


def test_a_mixing_that_a_message_has_just_asked_for_is_asked_about_on_the_page_alone() -> None:
    """One act, one message; two hours after the message it is a question of its own."""
    for hot_h, told in ((25.7, 1), (23.5, 2)):
        rows = mixed()
        rows.act("mix.answer")
        warm(rows, hot_h * H)
        warm(rows, 26 * H, 41.0)
        warm(rows, 27 * H, 35.0)
        _, outcome, box = run(rows)
        due = next(event for event in outcome.events if (event.kind, event.key) == ("step-due", "mix"))
        asked = [event for event in outcome.events if event.kind == "mix-guess"][-1]
        assert box.question is not None and box.question.step == "mix"
        assert [m.event for m in outcome.messages if m.event in (due.no, asked.no)] == [due.no, asked.no][:told]


def test_that_a_step_is_due_is_not_told_twice_within_minutes() -> None:
    """Marked, and taken back five minutes later: it is due again, and a message said so already."""
    rows = mixed()
    rows.act("mix.answer")
    warm(rows, 25.7 * H)
    warm(rows, 26 * H, 41.0)
    rows.act("step.done", step="mix")
    warm(rows, 26.05 * H, 41.0)
    rows.act("step.undo", mark=3)
    _, outcome, box = run(rows)
    due = [event.no for event in outcome.events if (event.kind, event.key) == ("step-due", "mix")]
    assert box.next is not None and (box.next.step, box.next.status) == ("mix", "due")
    assert len(due) == 2 and [m.event for m in outcome.messages if m.event in due] == due[:1]


def test_it_survives_a_restart() -> None:
    rows = mixed()
    state, _, box = run(rows)
    again = view(decode(encode(state)), rows.t_ms).incubators[0]
    assert again.question == box.question


def test_a_schedule_without_a_mixing_is_left_alone() -> None:
    schedule = load_schedule(HOME)
    bare = replace(schedule, steps=tuple(replace(step, work="none") if step.work == "mix" else step
                                         for step in schedule.steps))  # fmt: skip
    rows = mixed()
    setup = Kitchen.setup("still", "cloth", True)
    rows = Rows(replace(setup, schedules=dict.fromkeys(setup.schedules, bare)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    warm(rows, 22 * H)
    warm(rows, 22.2 * H, 35.0)
    state, outcome, box = run(rows)
    assert state.batches["box"].guesses == () and box.question is None
    assert "mix-guess" in [event.kind for event in outcome.events]


def guesses(outcome: Outcome) -> list[str]:
    return [event.key for event in outcome.events if event.kind == "mix-guess"]


def test_nobody_is_asked_about_a_mixing_that_was_just_marked() -> None:
    rows = mixed(more_s=0)
    rows.act("step.done", step="first-check")
    warm(rows, 22.2 * H, 35.0)
    state, outcome, _ = run(rows)
    assert guesses(outcome) == [] and state.batches["box"].guesses == ()


@pytest.mark.parametrize(("from_c", "to_c"), [(38.5, 37.9), (32.0, 29.0)], ids=["a small dip", "rice that cools"])
def test_neither_a_small_dip_nor_rice_that_cools_is_a_mixing(from_c: float, to_c: float) -> None:
    rows = mixed(more_s=0, at_h=12.0)
    warm(rows, 14 * H, from_c)
    warm(rows, 14.2 * H, to_c)
    _, outcome, box = run(rows)
    assert guesses(outcome) == [] and box.question is None


@pytest.mark.parametrize(("kind", "asked"), [("still", False), ("oven-light", True), ("heat-mat", True)])
def test_koji_that_a_cold_room_or_a_thermostat_keeps_cooler_is_asked_about_too(kind: str, asked: bool) -> None:
    rows = mixed(more_s=0, at_h=12.0, kind=kind)
    warm(rows, 22 * H, 29.5)
    warm(rows, 22.2 * H, 27.5)
    _, outcome, _ = run(rows)
    assert bool(guesses(outcome)) == asked


def test_a_round_of_mixing_marked_half_an_hour_off_is_the_one_asked_about() -> None:
    """It repeats, so that its name alone does not say which of its rounds was meant."""
    rows = mixed()
    rows.act("mix.answer")
    warm(rows, 26 * H)
    warm(rows, 26.2 * H, 35.0)
    state, _, _ = run(rows)
    assert [one.step for one in state.batches["box"].guesses] == ["mix"]
    rows.act("step.done", step="mix", at_t_ms=rows.t0_ms + round(25.5 * 3_600_000), override="test")
    state, _, box = run(rows, state)
    assert state.batches["box"].guesses == ()
    assert box.question is None or box.question.key == "probe-back"


def test_a_denial_puts_the_step_due_again_with_the_same_act() -> None:
    """Not when something else happens to be reckoned anew."""
    rows = mixed()
    state, _, _ = run(rows)
    rows.act("mix.answer", mixed=False)
    _, outcome, _ = run(rows, state)
    assert [(event.kind, event.key) for event in outcome.events] == [
        ("mix-denied", "first-check"), ("step-due", "first-check")
    ]  # fmt: skip


def test_who_said_that_the_heat_is_off_is_not_told_to_switch_it_off() -> None:
    rows = mixed()
    rows.act("box.setpoint", off=True)
    _, _, box = run(rows)
    (mix,) = [step for step in box.steps if step.name == "mix"]
    assert box.heat_off and any("heat is off" in line for line in mix.advice)
    assert not any("down" in line for line in mix.advice)
