"""The summary after the night: the engine states it once and has it told; replay states the same."""

from kojimon.engine import advance, initial_state
from kojimon.model import Message, Priority
from tests.engine.build import Rows
from tests.parts.inputs import says


def test_a_duty_is_stated_as_summary_and_told() -> None:
    rows = Rows()
    rows.act("batch.start", id="b1")
    rows.at(3600).input("duty", name="summary", incubator="box", low_c=30.1, high_c=37.4, woke=[], told=2)
    taken = rows.take()
    _, outcome = advance(initial_state(), taken, rows.t_ms)
    (summary,) = [event for event in outcome.events if event.kind == "summary"]
    assert (summary.t_ms, summary.incubator, summary.batch, summary.key) == (rows.t_ms, "box", "b1", "night")
    assert says(summary) == {"low_c": 30.1, "high_c": 37.4, "told": 2}
    assert outcome.messages[-1] == Message(f"event-{summary.no}", summary.no, Priority.TELL)
    assert advance(initial_state(), taken, rows.t_ms)[1] == outcome
