"""Tests of the alarm, in the engine: a test alarm that is answered or not, a probe warmed in the hand."""

from __future__ import annotations

from typing import Any

from kojimon.engine import advance, decode, encode, initial_state
from kojimon.model import Event, Outcome
from tests.engine.build import BED, Rows
from tests.parts.inputs import says


def run(rows: Rows) -> tuple[Any, Outcome]:
    return advance(initial_state(), rows.take(), rows.t_ms)


def of_test(outcome: Outcome) -> list[tuple[float, str, str]]:
    return [
        ((event.t_ms - 1_000_000) / 1000, says(event)["event"], says(event)["to"])
        for event in outcome.events
        if event.key == "test" and event.kind == "alarm"
    ]


def test_a_test_ends_with_its_answer() -> None:
    rows = Rows()
    rows.act("alarm.test", incubator="", wake=True, text="tonight")
    rows.at(40).act("alarm.acknowledge", incubator="", key="test", occurrence=1)
    state, outcome = run(rows.at(8 * 3600))
    assert of_test(outcome) == [(0, "on", "UNACK"), (40, "ack", "ACKED"), (40, "off", "NORM")]
    told = [(m.id, str(m.priority)) for m in outcome.messages if m.id.startswith("/test")]
    assert told == [("/test#1.1", "wake"), ("/test#1.over", "tell")]
    marked = [says(event).get("test") for event in outcome.events if event.key == "test"]
    assert marked == [True, False, True]
    assert not state.alarms["/test"].active


def test_a_test_that_nobody_answers_ends_after_five_minutes_and_says_so() -> None:
    rows = Rows()
    rows.act("alarm.test", incubator="")
    _, outcome = run(rows.at(3600))
    assert of_test(outcome) == [(0, "on", "UNACK"), (300, "off", "RTNUN")]
    assert [says(e).get("expired") for e in outcome.events if e.key == "test"] == [False, True]


def test_a_second_test_is_a_new_occurrence() -> None:
    rows = Rows()
    rows.act("alarm.test", incubator="")
    rows.at(60).act("alarm.test", incubator="")
    _, outcome = run(rows.at(3600))
    assert [at for at, signal, _ in of_test(outcome) if signal == "on"] == [0, 60]
    assert of_test(outcome)[-1] == (360, "off", "RTNUN")


def warmed(values: list[float], **data: Any) -> tuple[Any, Outcome, Rows]:
    rows = Rows()
    rows.hold(60, {BED: 24.0})
    rows.act("alarm.probe_test", probe="koji-top", **data)
    for value in values:
        rows.hold((rows.t_ms - rows.t0_ms) / 1000 + 10, {BED: value})
    return *run(rows), rows


def test_a_probe_that_is_warmed_raises_the_test_alarm_after_its_delay() -> None:
    """Requirement: a test from a probe (probe warmed past a limit) goes the way of a real alarm."""
    state, outcome, _ = warmed([24.5, 25.5, 26.0, 27.0, 28.0, 29.0])
    event = next(event for event in outcome.events if event.key == "test")
    assert (says(event)["probe_test"], says(event)["limit"], says(event)["value"]) == ("koji-top", 26.0, 28.0)
    assert (event.t_ms - 1_000_000) / 1000 == 110
    assert (says(event)["since_ms"] - 1_000_000) / 1000 == 90
    assert says(event)["priority"] == "wake"
    assert state.probe_tests == {}


def test_one_warm_reading_is_no_test_and_time_runs_out() -> None:
    state, outcome, rows = warmed([27.0, 24.0, 27.0, 24.0])
    assert of_test(outcome) == []
    assert decode(encode(state)) == state
    _, later = advance(state, [], rows.t_ms + 900_000)
    assert [event.kind for event in later.events if event.kind.startswith("probe-test")] == ["probe-test-missed"]


def test_a_probe_that_does_not_speak_cannot_be_tested() -> None:
    rows = Rows()
    rows.act("alarm.probe_test", probe="koji-top")
    _, outcome = run(rows)
    refused: Event = next(event for event in outcome.events if event.kind == "refused")
    assert says(refused)["code"] == "unknown-probe"
    assert says(refused)["reason"] == "no reading from a probe 'koji-top'; there are readings from: none yet"
