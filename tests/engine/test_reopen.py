"""The end of a batch taken back: limits and windows are what they were, and the time between is told as a gap."""

from __future__ import annotations

from kojimon.engine import advance, decode, encode, initial_state, view
from kojimon.engine.state import State
from kojimon.model import Outcome
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, kinds, moves, site
from tests.parts.inputs import says

WARM = {BED: 36.0, MIDDLE: 36.0, AIR: 30.0}
MIN = 60.0


def grown() -> Rows:
    """A batch eleven hours old that warms itself."""
    rows = Rows(site())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    return rows.hold(11 * H, WARM, every_s=60)


def run(rows: Rows) -> tuple[State, Outcome]:
    return advance(initial_state(), rows.take(), rows.t_ms)


def test_a_harvest_by_mistake_is_taken_back_and_the_koji_is_watched_on() -> None:
    rows = grown()
    before, _ = run(rows)
    rows.act("batch.harvest")
    rows.hold(11.5 * H, {BED: 44.0, MIDDLE: 44.0, AIR: 30.0}, every_s=60)
    rows.act("batch.reopen")
    rows.hold(12 * H, {BED: 44.0, MIDDLE: 44.0, AIR: 30.0}, every_s=60)
    after, outcome = advance(before, rows.take(), rows.t_ms)
    back = next(event for event in outcome.events if event.kind == "batch-reopened")
    assert (says(back)["was"], says(back)["gap_ms"]) == ("batch-harvest", 1_800_000)
    assert ("step-undone", "harvest") in kinds(outcome)
    one, other = before.batches["box"], after.batches["box"]
    assert (other.id, other.started_ms, other.stage, other.stage_since_ms) == (
        one.id, one.started_ms, one.stage, one.stage_since_ms
    )  # fmt: skip
    hot = moves(outcome, "limit/bed/temperature/high")
    assert [(e.t_ms - back.t_ms, says(e)["to"]) for e in hot] == [(660_000, "UNACK")], "its delay runs from now on"
    assert "box" not in after.ended
    harvest = view(after, rows.t_ms).incubators[0].step("harvest")
    assert harvest is not None and harvest.status == "waiting" and [mark.undone for mark in harvest.marks] == [True]


def test_what_held_before_is_not_said_to_have_held_while_nobody_judged() -> None:
    rows = Rows(site())
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(8 * H, {BED: 38.5, MIDDLE: 31.0, AIR: 30.0}, every_s=60)
    rows.act("batch.harvest")
    rows.hold(9 * H, {BED: 31.0, MIDDLE: 31.0, AIR: 30.0}, every_s=60)
    rows.act("batch.reopen")
    state, _ = run(rows)
    hot = state.batches["box"].conditions["hot"]
    assert hot.since_ms == -1 and hot.runs[-1][1] == rows.t0_ms + 8 * 3_600_000


def test_a_batch_thrown_away_comes_back_too_and_twice_is_refused() -> None:
    rows = grown()
    rows.act("batch.discard", reason="the other one was meant")
    state, _ = run(rows)
    ended = view(state, rows.t_ms).incubators[0].ended
    assert ended is not None and (ended.name, ended.outcome) == ("first", "discard")
    assert ended.until_t_ms - ended.at_t_ms == 86_400_000
    rows.act("batch.reopen")
    rows.act("batch.reopen")
    state, outcome = advance(state, rows.take(), rows.t_ms)
    refused = next(event for event in outcome.events if event.kind == "refused")
    assert says(refused)["code"] == "batch-open"
    assert view(state, rows.t_ms).incubators[0].ended is None


def test_with_a_new_batch_open_it_is_refused_in_words() -> None:
    rows = grown()
    rows.act("batch.harvest")
    rows.act("batch.start", name="second")
    rows.act("batch.reopen")
    state, outcome = run(rows)
    refused = next(event for event in outcome.events if event.kind == "refused")
    assert says(refused)["code"] == "batch-open" and "'second' is open" in says(refused)["reason"]
    assert state.batches["box"].name == "second"


def test_after_a_day_it_is_too_late() -> None:
    rows = grown()
    rows.act("batch.harvest")
    rows.at(11 * H + 25 * H).act("batch.reopen")
    state, outcome = run(rows)
    refused = next(event for event in outcome.events if event.kind == "refused")
    assert says(refused)["code"] == "too-late" and "25 h ago" in says(refused)["reason"]
    assert view(state, rows.t_ms).incubators[0].ended is None


def test_a_probe_that_was_moved_is_where_it_was() -> None:
    rows = grown()
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.act("batch.harvest")
    rows.at(11.2 * H).act("batch.reopen")
    state, _ = run(rows)
    assert next(one.tray for one in state.setup.probes if one.name == "koji-top") == "middle"


def test_work_marked_by_mistake_holds_back_no_alarm() -> None:
    rows = grown()
    rows.hold(12 * H, {BED: 44.0, MIDDLE: 44.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="mix")
    rows.at(12 * H + 2 * MIN).act("step.undo", mark=2)
    state, outcome = run(rows)
    assert state.work == {}
    assert [says(event)["to"] for event in moves(outcome, "limit/bed/temperature/high")] == ["UNACK", "DSUPR", "UNACK"]


def test_law_split_holds_and_a_prior_of_an_open_batch_is_left_aside() -> None:
    def rows_of() -> Rows:
        rows = grown()
        rows.act("batch.harvest")
        rows.hold(11.5 * H, WARM, every_s=60)
        rows.act("batch.reopen")
        rows.input("prior", incubator="box", schedule="home", batch="box-3", prior={"batches": 1})
        return rows.hold(12 * H, WARM, every_s=60)

    rows = rows_of()
    whole, together = run(rows)
    assert ("forecast", "learnt") not in kinds(together) and whole.batches["box"].id == "box-3"
    state, events, rows = initial_state(), [], rows_of()
    for row in rows.take():
        state, outcome = advance(decode(encode(state)), [row], row[1] if isinstance(row, tuple) else row.t_ms)
        events += outcome.events
    state, outcome = advance(state, [], rows.t_ms)
    assert [*events, *outcome.events] == list(together.events)
    assert state == whole
