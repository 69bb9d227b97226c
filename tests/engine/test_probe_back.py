"""Whether the probe is back in the koji: asked once after work on it, answered by a person or by the readings."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Question
from kojimon.engine import advance, decode, encode, initial_state, view
from kojimon.engine.probe_back import HELD_MS, STILL_MS, WATCH_MS
from kojimon.engine.state import State
from kojimon.model import Event, Outcome, Priority
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, H, Rows, alarms, site
from tests.parts.inputs import says

LOW = {BED: 31.0, MIDDLE: 31.0, AIR: 30.0, HUMIDITY: 85.0}
WARM = {BED: 36.0, MIDDLE: 34.0, AIR: 30.0}
AT_H = 20 * H
MIN = 60.0


def mixed(values: dict[int, float] = LOW, **data: Any) -> Rows:
    """Hour 20: mixed, by default in koji that does not warm itself yet."""
    rows = Rows()
    rows.act("batch.start", id="b1", name="first")
    rows.read(BED, 30.0)
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(AT_H, values, every_s=30.0)
    rows.act("step.done", step="mix", **data)
    return rows


def run(rows: Rows, state: State | None = None) -> tuple[State, Outcome]:
    return advance(state or initial_state(), rows.take(), rows.t_ms)


def told(outcome: Outcome) -> list[Event]:
    return [event for event in outcome.events if event.kind == "probe-back"]


def question(state: State) -> Question | None:
    return view(state, state.t_ms).incubators[0].question


def test_it_is_asked_once_with_the_work_and_calls_nobody() -> None:
    state, outcome = run(mixed())
    (asked,) = told(outcome)
    work = next(event for event in outcome.events if event.kind == "step-done" and event.key == "mix")
    assert (asked.key, says(asked)["step"], says(asked)["probes"]) == ("asked", "mix", 2)
    assert says(asked)["act"] == says(work)["act"], "it is part of the answer to the act"
    asked_of = Question("probe-back", "mix", says(work)["mark"], work.t_ms, work.t_ms + WATCH_MS, 2)
    assert question(state) == asked_of
    assert decode(encode(state)) == state
    assert not [message for message in outcome.messages if message.event == asked.no]


def test_a_person_says_yes() -> None:
    state, _ = run(mixed())
    rows = mixed().hold(AT_H + 5 * MIN, LOW)
    seq = rows.act("probe.back")
    state, outcome = run(rows)
    said = told(outcome)[-1]
    assert (said.key, says(said)["who"], says(said)["act"], says(said)["step"]) == ("said", "anna", seq, "mix")
    assert question(state) is None
    rows.act("probe.back")
    _, outcome = run(rows, state)
    assert [event.key for event in told(outcome)] == ["said"], "said again it is noted again, not refused"


def test_nobody_answers_and_that_is_told_by_day() -> None:
    rows = mixed().hold(AT_H + 3 * H, LOW, every_s=30.0)
    state, outcome = run(rows)
    assert [event.key for event in told(outcome)] == ["asked", "unanswered"]
    asked, ended = told(outcome)
    assert ended.t_ms - asked.t_ms == WATCH_MS
    assert question(state) is None
    assert not alarms(outcome)
    assert [(m.event, m.priority) for m in outcome.messages if m.event in (asked.no, ended.no)] == [
        (ended.no, Priority.TELL)
    ]


def test_the_koji_s_own_warmth_is_the_answer() -> None:
    """3 °C above the air in every tray, held for ten minutes from five minutes after the work on: before, a probe that
    was pulled out is still warm."""
    state, outcome = run(mixed(WARM).hold(AT_H + 40 * MIN, WARM))
    asked, seen = told(outcome)
    assert seen.key == "seen" and question(state) is None
    waited_ms = seen.t_ms - asked.t_ms
    assert STILL_MS + HELD_MS <= waited_ms <= STILL_MS + HELD_MS + 240_000, "looked at every two minutes"


@pytest.mark.parametrize(
    "left_out",
    [{BED: 36.0, MIDDLE: 31.0, AIR: 30.0}, {BED: 36.0, AIR: 30.0}, {BED: 36.0, MIDDLE: 36.0}],
    ids=["one tray at the air's temperature", "one probe silent", "no air to compare with, silent"],
)
def test_one_probe_that_shows_nothing_leaves_it_open(left_out: dict[int, float]) -> None:
    state, outcome = run(mixed(WARM).hold(AT_H + 40 * MIN, left_out))
    assert [event.key for event in told(outcome)] == ["asked"] and question(state) is not None


def test_a_probe_that_was_dead_before_does_not_keep_it_open() -> None:
    """The second tray's probe never spoke; one that falls silent with the work does keep it open (above)."""
    dead = {probe: value for probe, value in WARM.items() if probe != MIDDLE}
    state, outcome = run(mixed(dead).hold(AT_H + 40 * MIN, dead))
    assert ("silent/koji-middle", "NORM", "UNACK") in alarms(outcome)
    assert [event.key for event in told(outcome)] == ["asked", "seen"] and question(state) is None


def test_a_bad_reading_shows_nothing() -> None:
    rows = mixed(WARM)
    for minute in range(1, 41):
        rows.at(AT_H + minute * MIN)
        for probe, value in WARM.items():
            rows.read(probe, value, 12 if probe == MIDDLE else 0)
    assert [event.key for event in told(run(rows)[1])] == ["asked"]


def test_warmth_that_does_not_last_shows_nothing() -> None:
    rows = mixed(WARM).hold(AT_H + 8 * MIN, WARM)
    for minute in range(8, 60, 8):
        rows.hold(AT_H + minute * MIN, WARM).hold(AT_H + (minute + 3) * MIN, LOW)
    assert [event.key for event in told(run(rows)[1])] == ["asked"]


def test_a_box_without_an_air_probe_goes_by_the_koji_s_warmth_alone() -> None:
    whole = site()
    setup = replace(whole, probes=tuple(probe for probe in whole.probes if probe.no not in (AIR, HUMIDITY)))
    for warm_c, keys in ((34.5, ["asked", "seen"]), (33.5, ["asked"])):
        rows = Rows(setup)
        rows.act("batch.start", id="b1")
        rows.act("step.done", step="inoculate", override="by hand")
        rows.hold(AT_H, {BED: warm_c, MIDDLE: warm_c}, every_s=30.0).act("step.done", step="mix")
        rows.hold(AT_H + 40 * MIN, {BED: warm_c, MIDDLE: warm_c})
        assert [event.key for event in told(run(rows)[1])] == keys


def test_work_taken_back_takes_the_question_back_and_a_batch_that_ends_lets_it_go() -> None:
    state, outcome = run(mixed())
    rows = mixed()
    rows.act("step.undo", mark=says(told(outcome)[0])["mark"])
    state, outcome = run(rows)
    assert [event.key for event in told(outcome)] == ["asked", "withdrawn"] and question(state) is None
    rows = mixed()
    rows.act("batch.discard", reason="over")
    state, outcome = run(rows.hold(AT_H + 3 * H, LOW, every_s=30.0))
    assert [event.key for event in told(outcome)] == ["asked"] and not state.asked


def test_the_next_work_asks_anew() -> None:
    rows = mixed().hold(AT_H + H, LOW)
    rows.act("step.done", step="mix")
    state, outcome = run(rows.hold(AT_H + 2.5 * H, LOW, every_s=30.0))
    assert [event.key for event in told(outcome)] == ["asked", "asked"]
    assert question(state) is not None, "its two hours count from the second"


def test_what_is_not_asked_about() -> None:
    """Looking asks nothing, nor does work told long after it was done, nor a box without a probe in the koji."""
    rows = mixed(at_t_ms=1_000_000 + round((AT_H - 1.6 * H) * 1000))
    assert not told(run(rows)[1])
    rows = mixed()
    rows.act("step.done", step="check")
    assert len(told(run(rows)[1])) == 1
    bare = replace(site(), probes=tuple(probe for probe in site().probes if probe.place != "bed"))
    rows = Rows(bare)
    rows.act("batch.start", id="b1")
    rows.act("step.done", step="inoculate", override="by hand")
    rows.act("step.done", step="mix")
    rows.act("probe.back")
    _, outcome = run(rows)
    assert not told(outcome)
    assert [says(event)["code"] for event in outcome.events if event.kind == "refused"] == ["no-probe"]


def test_cut_anywhere_it_comes_to_the_same() -> None:
    """The split law, over the question's whole life."""
    rows = mixed(WARM).hold(AT_H + 30 * MIN, WARM)
    end_ms, whole = rows.t_ms, rows.take()
    state, outcome = advance(initial_state(), whole, end_ms)
    for cut in range(len(whole) - 200, len(whole), 17):
        first = whole[:cut]
        at_ms = first[-1][1] if isinstance(first[-1], tuple) else first[-1].t_ms
        half, one = advance(initial_state(), first, at_ms)
        again, other = advance(decode(encode(half)), whole[cut:], end_ms)
        assert again == state and (*one.events, *other.events) == outcome.events


def test_a_probe_that_hangs_in_the_air_is_told_by_day_after_an_hour() -> None:
    """The koji had its own heat when it was mixed; since then the probes show no more than the air."""
    air = {BED: 30.5, MIDDLE: 30.5, AIR: 30.0}
    early, late = (mixed(WARM).hold(AT_H + minutes * MIN, air) for minutes in (55, 75))
    assert [event.key for event in told(run(early)[1])] == ["asked"]
    _, outcome = run(late)
    assert [event.key for event in told(outcome)] == ["asked", "follows"]
    follows = told(outcome)[1]
    assert [m.priority for m in outcome.messages if m.event == follows.no] == [Priority.TELL]
