"""A batch nobody ended: a message a day, the hour it probably ended, and closed at that hour."""

from __future__ import annotations

import pytest

from kojimon.engine import advance, initial_state, view
from kojimon.words.events import line
from kojimon.words.speech import Speech
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, site
from tests.engine.test_hand import bare
from tests.parts.inputs import says


def test_forgotten_for_days_it_says_so_once_a_day_and_is_closed_where_it_ended() -> None:
    rows = Rows(site())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(44 * H, {BED: 36.0, MIDDLE: 36.0, AIR: 30.0}, every_s=60)
    rows.hold(100 * H, {BED: 21.0, MIDDLE: 21.0, AIR: 21.0}, every_s=600)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    told = [event for event in outcome.events if event.kind == "batch-forgotten"]
    assert [(event.t_ms - rows.t0_ms) / 3_600_000 for event in told] == [58.0, 82.0], "50 h, a night, and a day"
    assert {message.event for message in outcome.messages} >= {event.no for event in told}
    ended_ms = says(told[-1])["ended_ms"]
    assert (ended_ms - rows.t0_ms) / 3_600_000 == pytest.approx(44.0, abs=0.1)
    batch = view(state, rows.t_ms).incubators[0].batch
    assert batch is not None and batch.forgotten_t_ms == ended_ms
    rows.act("batch.harvest", at_t_ms=ended_ms)
    _, outcome = advance(state, rows.take(), rows.t_ms)
    over = next(event for event in outcome.events if event.kind == "batch-harvest")
    assert says(over)["at_ms"] == ended_ms and says(over)["hours"] == pytest.approx(44.0, abs=0.1)


def test_koji_still_warm_is_not_said_to_have_been_taken_out() -> None:
    rows = Rows(site())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(75 * H, {BED: 33.0, MIDDLE: 33.0, AIR: 30.0}, every_s=300)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (told,) = [event for event in outcome.events if event.kind == "batch-forgotten"]
    assert says(told)["ended_ms"] is None
    (missed,) = [event for event in outcome.events if (event.kind, event.key) == ("step-missed", "harvest")]
    for event in (missed, told):  # at its latest hour, and after a night: spores, mask, what to do
        said = line(event, Speech(fahrenheit=False))
        assert said is not None
        assert said.text.endswith("making spores: wear an FFP2 or N95 mask, look, take it out, and end the batch.")


def test_without_a_probe_the_end_of_the_harvests_time_is_offered() -> None:
    rows = Rows(bare())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.at(75 * H)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (told,) = [event for event in outcome.events if event.kind == "batch-forgotten"]
    assert says(told)["ended_ms"] == says(told)["closed_ms"] == rows.t0_ms + 50 * 3_600_000
