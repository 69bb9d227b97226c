"""A batch through the engine: gate, stages, windows, expectation, corrections, restarts."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.engine import advance, initial_state, view
from kojimon.model import Outcome
from kojimon.schedule.spec import Gate
from kojimon.words.events import line
from kojimon.words.speech import Speech
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, H, Rows, alarms, home_schedule, kinds, moves, site
from tests.parts.inputs import says


def begun(rows: Rows | None = None) -> Rows:
    rows = rows or Rows()
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    return rows


def run(rows: Rows) -> tuple[Any, Outcome]:
    return advance(initial_state(), rows.take(), rows.t_ms)


def hour(rows: Rows, t_ms: int) -> float:
    return round((t_ms - rows.t0_ms) / 3_600_000, 3)


def test_gate_refuses_hot_rice_and_says_so_and_is_passed_by_the_probes_tolerance() -> None:
    """Gate at 90 °F (32.2 °C): common practice, no source."""
    rows = Rows()
    rows.act("batch.start")
    rows.read(BED, 32.9)
    refused = rows.act("step.done", step="inoculate")
    rows.read(BED, 32.6)
    passed = rows.act("step.done", step="inoculate")
    _, outcome = run(rows)
    told = [e for e in outcome.events if says(e).get("act") in (refused, passed) and e.kind in ("refused", "step-done")]
    assert [(e.kind, says(e).get("code")) for e in told] == [("refused", "gate"), ("step-done", None)]
    assert says(told[0])["value"] == 32.9
    assert "32.9 °C" in says(told[0])["reason"]
    assert says(told[1])["gate"] == {"value": 32.6, "by": "koji-top", "at_most": 32.2}


def test_a_step_marked_before_its_window_carries_the_window_that_was_never_announced() -> None:
    rows = begun()
    rows.hold(3 * H, {BED: 30.0, MIDDLE: 29.8, AIR: 29.5})
    early = rows.act("step.done", step="check")
    state, outcome = run(rows)
    done = next(e for e in outcome.events if says(e).get("act") == early and e.kind == "step-done")
    opens, due = says(done)["opens_ms"], says(done)["due_ms"]
    assert done.t_ms < opens and (due is None or opens <= due)
    zero = next(e for e in outcome.events if e.kind == "step-done" and e.key == "inoculate")
    assert "opens_ms" not in says(zero)
    assert view(state, rows.t_ms).incubators[0].batch.hour > 0


def test_gate_without_a_probe_wants_a_thermometer_or_a_reason() -> None:
    rows = Rows()
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    rows.act("step.done", step="inoculate", override="measured by hand, 31")
    _, outcome = run(rows)
    assert [says(e).get("code") for e in outcome.events if e.kind == "refused"] == ["gate-unknown"]
    done = next(e for e in outcome.events if e.kind == "step-done")
    assert says(done)["gate"]["override"] == "measured by hand, 31"


def test_hot_rice_before_hour_zero_alarms_nobody() -> None:
    rows = Rows()
    rows.act("batch.start")
    rows.hold(2 * H, {BED: 70.0, AIR: 30.0})
    _, outcome = run(rows)
    assert alarms(outcome, ["limit/bed/temperature/high"]) == []


def test_self_warming_by_the_difference_to_the_air_opens_stage_and_check() -> None:
    """Self-warming: 3 °C above the air for 10 min (judgement of the home-tray schedule)."""
    rows = begun()
    rows.hold(16 * H, {BED: 30.0, MIDDLE: 29.8, AIR: 29.5})
    rows.hold(17 * H, {BED: 32.5, MIDDLE: 31.0, AIR: 29.5})
    state, outcome = run(rows)
    moved = [(e.key, hour(rows, e.t_ms)) for e in outcome.events if e.kind in ("stage", "step-due")]
    assert moved == [("settling", 0.0), ("warming", 16.169), ("check", 16.169)]
    assert view(state, rows.t_ms).incubators[0].stage.name == "warming"


def test_a_falling_air_is_no_self_warming() -> None:
    """The box goes off and its air falls under the koji: the difference grows, but nothing grows."""
    plain = home_schedule()
    over = replace(plain.conditions["over-air"], itself_at_least=31.0)
    schedule = replace(plain, conditions={**plain.conditions, "over-air": over})
    rows = begun(Rows(site(schedule)))
    rows.hold(10 * H, {BED: 30.0, AIR: 29.5}, every_s=60)
    rows.hold(12 * H, {BED: 29.0, AIR: 24.0}, every_s=60)
    rows.hold(13 * H, {BED: 30.5, AIR: 27.4}, every_s=60)
    rows.hold(14 * H, {BED: 31.2, AIR: 27.4}, every_s=60)
    _, outcome = run(rows)
    moved = [(e.key, hour(rows, e.t_ms)) for e in outcome.events if e.kind == "stage"]
    assert moved == [("settling", 0.0), ("warming", 13.183)]


def test_rice_still_warm_from_the_steamer_is_no_self_warming() -> None:
    plain = home_schedule()
    late = {name: replace(condition, from_s=8 * H) for name, condition in plain.conditions.items()}
    rows = begun(Rows(site(replace(plain, conditions=late))))
    rows.hold(2 * H, {BED: 36.0, AIR: 30.0}, every_s=60)
    rows.hold(9 * H, {BED: 34.5, AIR: 33.0}, every_s=60)
    _, outcome = run(rows)
    moved = [(e.key, hour(rows, e.t_ms)) for e in outcome.events if e.kind == "stage"]
    assert moved == [("settling", 0.0), ("warming", 8.167)]


def test_rice_that_was_hot_from_the_steamer_and_cooled_has_not_warmed_itself() -> None:
    """Its hours count from hour 8 on only, whatever is looked at anew later."""
    plain = home_schedule()
    late = {name: replace(condition, from_s=8 * H) for name, condition in plain.conditions.items()}
    rows = begun(Rows(site(replace(plain, conditions=late))))
    rows.hold(2 * H, {BED: 36.0, AIR: 30.0}, every_s=60)
    rows.hold(9 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="check")
    rows.hold(9 * H + 600, {BED: 30.0, AIR: 30.0}, every_s=60)
    state, _ = run(rows)
    assert state.batches["box"].stage == "settling"


def test_a_tremble_around_the_condition_does_not_add_up() -> None:
    rows = begun()
    for minute in range(0, 300, 9):
        rows.hold((minute + 8) * 60, {BED: 34.2, AIR: 33.0})
        rows.hold((minute + 9) * 60, {BED: 33.9, AIR: 33.0})
    state, _ = run(rows)
    assert state.batches["box"].stage == "settling"


def test_windows_by_the_clock_are_announced_once_each_at_their_own_time() -> None:
    rows = begun()
    rows.hold(52 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    _, outcome = run(rows)
    kinds = ("step-open", "step-due", "step-missed")
    told = [(e.kind, e.key, hour(rows, e.t_ms)) for e in outcome.events if e.kind in kinds]
    assert told == [
        ("step-open", "check", 18.0), ("step-due", "check", 24.0), ("step-missed", "check", 30.0),
        ("step-open", "harvest", 40.0), ("step-due", "harvest", 45.0), ("step-missed", "harvest", 50.0),
    ]  # fmt: skip


def test_no_self_warming_by_26_h_is_told_with_causes_and_ends_when_it_comes() -> None:
    rows = begun()
    rows.hold(27 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.hold(28 * H, {BED: 34.5, AIR: 30.0}, every_s=60)
    _, outcome = run(rows)
    told = [(hour(rows, e.t_ms), says(e)["to"]) for e in outcome.events if e.key == "expect/self-warming"]
    assert told == [(26.0, "UNACK"), (27.183, "RTNUN")]
    first = next(e for e in outcome.events if e.key == "expect/self-warming")
    assert says(first)["causes"] == ["too cold", "too dry"]
    assert says(first)["priority"] == "tell"
    late = begun()
    late.hold(27 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    late.act("step.correct", mark=1, at_t_ms=late.t0_ms + 4 * 3_600_000)
    assert says(moves(run(late)[1], "expect/self-warming")[-1])["corrected"], "it is hour 23: nothing is late yet"


def test_mixing_window_opens_on_the_bed_and_again_after_each_mix() -> None:
    rows = begun()
    rows.hold(20 * H, {BED: 38.5, AIR: 32.0}, every_s=60)
    rows.act("step.done", step="mix")
    rows.hold(21 * H, {BED: 36.5, AIR: 32.0}, every_s=60)
    rows.hold(22 * H, {BED: 38.2, AIR: 32.0}, every_s=60)
    _, outcome = run(rows)
    told = [
        (e.kind, says(e)["round"], hour(rows, e.t_ms))
        for e in outcome.events
        if e.key == "mix" and e.kind in ("step-open", "step-due", "step-missed")
    ]
    assert told == [("step-open", 1, 0.183), ("step-open", 2, 21.183)]


def test_a_condition_that_lasts_over_a_mix_is_counted_from_the_mix() -> None:
    rows = begun()
    rows.hold(20 * H, {BED: 38.5, AIR: 32.0}, every_s=60)
    rows.act("step.done", step="mix")
    rows.hold(21 * H, {BED: 38.4, AIR: 32.0}, every_s=60)
    _, outcome = run(rows)
    opened = [e for e in outcome.events if e.kind == "step-open" and e.key == "mix"]
    told = [(says(e)["round"], hour(rows, e.t_ms)) for e in opened]
    assert told == [(1, 0.183), (2, 20.167)]


def test_runaway_heat_wakes_after_its_delay_and_one_occurrence_has_one_number() -> None:
    """After self-warming 43 °C for 10 min wakes, 45 °C for 2 min is the same alarm made worse (judgement)."""
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 43.2, MIDDLE: 41.0, AIR: 31.0}, every_s=60)
    rows.hold(22 * H, {BED: 45.1, MIDDLE: 42.0, AIR: 31.0}, every_s=60)
    rows.hold(23 * H, {BED: 38.0, MIDDLE: 38.0, AIR: 31.0}, every_s=60)
    _, outcome = run(rows)
    key = "limit/bed/temperature/high"
    told = [
        (hour(rows, e.t_ms), says(e)["event"], says(e)["level"], says(e)["occurrence"], says(e)["probe"])
        for e in moves(outcome, key)
    ]  # fmt: skip
    assert told == [
        (20.183, "on", "high", 1, "koji-top"),
        (21.05, "up", "high_high", 1, "koji-top"),
        (22.033, "off", "", 1, "koji-top"),
    ]
    calls = [(m.id, str(m.priority)) for m in outcome.messages if key in m.id]
    assert calls[0] == (f"box/{key}#1.1", "wake")
    assert calls[-1] == (f"box/{key}#1.over", "tell")
    assert len({name for name, _ in calls}) == len(calls)


def test_koji_called_too_hot_goes_on_calling_in_a_stage_that_its_own_heat_begins() -> None:
    """41 °C is over the limit of koji that settles in and under that of koji that grows."""
    rows = begun()
    rows.hold(10 * H, {BED: 31.0, MIDDLE: 31.0, AIR: 30.0, HUMIDITY: 85.0}, every_s=60)
    rows.hold(11 * H, {BED: 41.0, MIDDLE: 41.0, AIR: 30.0, HUMIDITY: 85.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert kinds(outcome, "stage")[-1] == ("stage", "warming")
    assert state.alarms["box/limit/bed/temperature/high"].state == "UNACK"


def test_on_delay_survives_a_clean_restart_and_an_unclean_one_fires_early_not_late() -> None:
    """Requirement: power cut in the middle of an on-delay: time served is kept or, if unknown, it fires early."""
    for clean, value_before, fires_s in ((True, 43.2, 680), (False, 43.2, 680), (False, 42.9, 920), (True, 42.9, 1280)):
        rows = begun()
        rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
        rows.hold(20 * H + 300, {BED: value_before, AIR: 31.0}, every_s=60)
        rows.at(20 * H + 620)
        rows.input("start", clean=clean, gap_ms=320_000, boot=2)
        rows.hold(20 * H + 1400, {BED: 43.2, AIR: 31.0}, every_s=60)
        _, outcome = run(rows)
        on = moves(outcome, "limit/bed/temperature/high")
        assert [round((e.t_ms - rows.t0_ms) / 1000 - 20 * H) for e in on] == [fires_s], (clean, value_before)


def test_time_away_is_told_and_no_probe_is_blamed_for_it() -> None:
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0, MIDDLE: 36.0, 4: 85.0}, every_s=60)
    rows.at(23 * H)
    rows.input("start", clean=False, gap_ms=3 * 3_600_000, boot=2)
    rows.hold(24 * H, {BED: 36.5, AIR: 31.0, MIDDLE: 36.0, 4: 85.0}, every_s=60)
    _, outcome = run(rows)
    assert [e.key for e in outcome.events if e.kind == "alarm"] == []
    start = [e for e in outcome.events if e.kind == "start"][-1]
    assert says(start)["gap_ms"] == 3 * 3_600_000
    assert f"event-{start.no}" in {m.id for m in outcome.messages}


def test_a_card_that_fails_is_told_by_day_and_wakes_once_it_is_dead_for_good() -> None:
    rows = begun()
    for ok, wake in ((False, False), (False, True), (False, True), (True, False)):
        rows.at((rows.t_ms - rows.t0_ms) / 1000 + 60).input("health", what="disk", ok=ok, text="dead", wake=wake)
    _, outcome = run(rows)
    assert [(says(e)["event"], says(e)["priority"]) for e in moves(outcome, "health/disk")] == [
        ("on", "tell"), ("up", "wake"), ("off", "wake"),
    ]  # fmt: skip


def test_a_clock_that_is_set_is_noted_in_either_direction() -> None:
    rows = begun()
    for step_ms in (-3_600_000, 900, 2_000):
        rows.input("clock", boot=1, step_ms=step_ms, trusted=True)
    assert [says(e)["step_ms"] for e in run(rows)[1].events if e.kind == "clock-step"] == [-3_600_000, 2_000]


def test_mid_batch_start_is_in_the_right_stage_and_does_not_scold() -> None:
    rows = Rows(t_ms=10**9)
    rows.act("batch.start", name="late", hour0_t_ms=rows.t_ms - 30 * 3_600_000)
    rows.hold(0.5 * H, {BED: 37.0, AIR: 31.0, MIDDLE: 36.0, 4: 85.0})
    state, outcome = run(rows)
    assert kinds(outcome, "stage", "alarm") == [("stage", "settling"), ("stage", "warming")]
    assert view(state, rows.t_ms).incubators[0].batch.hour == pytest.approx(30.5)
    assert ("step-missed", "check") in kinds(outcome)


def test_undone_mark_closes_what_it_had_opened_and_numbers_are_never_used_again() -> None:
    rows = begun()
    rows.hold(2 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.act("step.undo", mark=1)
    rows.act("step.done", step="inoculate", value_c=30.0)
    state, outcome = run(rows)
    assert kinds(outcome, "step-undone", "stage") == [
        ("stage", "settling"), ("step-undone", "inoculate"), ("stage", ""), ("stage", "settling")
    ]  # fmt: skip
    assert [(m.id, m.undone) for m in state.batches["box"].marks] == [(1, True), (2, False)]


def test_same_idempotency_key_does_it_once() -> None:
    rows = begun()
    first = rows.act("step.done", idempotency="k1", step="mix")
    again = rows.act("step.done", idempotency="k1", step="mix")
    state, outcome = run(rows)
    assert [says(e)["mark"] for e in outcome.events if e.kind == "step-done" and e.key == "mix"] == [2]
    repeated = next(e for e in outcome.events if says(e).get("act") == again)
    assert (repeated.kind, says(repeated)["first"]) == ("repeated", first)
    assert len(state.batches["box"].marks) == 2


@pytest.mark.parametrize(
    ("act", "data", "code"),
    [
        ("batch.harvest", {}, "no-batch"),
        ("step.done", {"step": "mix"}, "no-batch"),
        ("batch.start", {"schedule": "tea"}, "unknown-schedule"),
        ("batch.fly", {}, "unknown-act"),
        ("alarm.acknowledge", {"key": "limit/bed/temperature/high"}, "unknown-alarm"),
    ],
)
def test_refusals_carry_a_code_and_words(act: str, data: dict[str, Any], code: str) -> None:
    rows = Rows()
    seq = rows.act(act, **data)
    _, outcome = run(rows)
    refused = [e for e in outcome.events if says(e).get("act") == seq]
    assert [(e.kind, says(e)["code"]) for e in refused] == [("refused", code)]
    assert len(says(refused[0])["reason"]) > 15


def test_harvest_ends_the_batch_and_its_alarms_and_a_second_can_start() -> None:
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    rows.act("batch.harvest", yield_kg=1.2)
    rows.act("batch.start", name="second")
    state, outcome = run(rows)
    assert [says(e)["to"] for e in moves(outcome, "limit/bed/temperature/high")] == ["UNACK", "RTNUN"]
    ended = next(e for e in outcome.events if e.kind == "batch-harvest")
    assert says(ended)["yield_kg"] == 1.2
    assert says(ended)["hours"] == 21.0
    late = begun()
    late.hold(21 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    late.act("batch.harvest", at_t_ms=late.t_ms - 3 * 3_600_000)
    (ended,) = [e for e in run(late)[1].events if e.kind == "batch-harvest"]
    assert says(ended)["hours"] == 18.0, "it was entered three hours late"
    assert state.batches["box"].name == "second"


def test_an_old_message_cannot_acknowledge_a_new_occurrence() -> None:
    """Requirement: given an ack for occurrence 7 while 8 is active, then 8 stays UNACK and the phone is told so."""
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    for part in range(2):
        rows.hold((21 + part) * H, {BED: 44.0, AIR: 31.0}, every_s=60)
        rows.hold((21 + part) * H + 900, {BED: 38.0, AIR: 31.0}, every_s=60)
    rows.hold(23 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    old = rows.act("alarm.acknowledge", key=key, occurrence=2)
    state, outcome = run(rows)
    assert state.alarms[f"box/{key}"].occurrence == 3
    assert state.alarms[f"box/{key}"].state == "UNACK"
    told = next(e for e in outcome.events if says(e).get("act") == old)
    assert (told.kind, says(told)["code"], says(told)["occurrence"]) == ("refused", "over", 3)


def test_two_acknowledgements_record_one() -> None:
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    rows.act("alarm.acknowledge", key=key, occurrence=1)
    second = rows.act("alarm.acknowledge", key=key, occurrence=1)
    state, outcome = run(rows)
    assert state.alarms[f"box/{key}"].state == "ACKED"
    assert [says(e)["event"] for e in moves(outcome, key)] == ["on", "ack"]
    assert next(e.kind for e in outcome.events if says(e).get("act") == second) == "unchanged"


def test_shelf_ends_by_itself_and_what_still_holds_is_announced_at_once() -> None:
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    rows.act("alarm.shelve", key=key, for_s=3 * 3600)
    rows.act("alarm.shelve", key=key, for_s=1200)
    rows.hold(22 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    _, outcome = run(rows)
    told = [(hour(rows, e.t_ms), says(e)["from"], says(e)["to"]) for e in moves(outcome, key)]
    assert told == [(20.183, "NORM", "UNACK"), (21.0, "UNACK", "SHLVD"), (21.333, "SHLVD", "UNACK")]
    assert [says(e)["code"] for e in outcome.events if e.kind == "refused"] == ["too-long"]


def test_a_longer_gap_learnt_later_moves_the_hours_not_the_alarms_of_the_past() -> None:
    rows = begun()
    rows.hold(10 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.input("start", clean=False, gap_ms=0, boot=2)
    rows.hold(11 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.input("anchor", boot=2, delta_ms=9 * 3_600_000)
    state, outcome = run(rows)
    assert view(state, rows.t_ms).incubators[0].batch.hour == pytest.approx(20.0)
    assert ("step-open", "check") in kinds(outcome)


def test_settings_that_drop_a_probe_end_its_alarms() -> None:
    from kojimon.engine.setup import to_json

    rows = begun()
    rows.hold(H, {BED: 30.0, AIR: 30.0}, every_s=60)
    assert ("silent/koji-middle") in {e.key for e in run_copy(rows).events}
    setup = site()
    fewer = replace(setup, probes=tuple(p for p in setup.probes if p.no != MIDDLE))
    rows.input("settings", hash="h2", setup=to_json(fewer))
    state, outcome = run(rows)
    assert state.alarms["box/silent/koji-middle"].active is False
    assert MIDDLE not in state.last_t
    assert [says(e)["to"] for e in outcome.events if e.key == "silent/koji-middle"] == ["UNACK", "RTNUN"]


def run_copy(rows: Rows) -> Outcome:
    return advance(initial_state(), list(rows.rows), rows.t_ms)[1]


def test_work_suppresses_the_limit_until_the_trend_is_known_but_not_the_outermost() -> None:
    """Suppressed by design while mixing; judged at once at the end; the outermost limit is never suppressed."""
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(21 * H - 240, {BED: 42.5, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 43.5, AIR: 31.0}, every_s=60)
    rows.act("step.done", step="mix")
    rows.hold(21 * H + 1500, {BED: 43.5, AIR: 31.0}, every_s=60)
    rows.hold(22 * H, {BED: 45.5, AIR: 31.0}, every_s=60)
    _, outcome = run(rows)
    changes = [(e, says(e)) for e in moves(outcome, key)]
    told = [(round((e.t_ms - rows.t0_ms) / 1000 - 21 * H), said["event"], said["to"]) for e, said in changes]
    assert [(event, to) for _, event, to in told[:3]] == [("sup", "DSUPR"), ("on", "DSUPR"), ("unsup", "UNACK")]
    assert told[1][0] == 420
    assert 600 <= told[2][0] <= 840, "ten minutes after the mixing the trend is known, and it does not fall"
    assert ("up", "UNACK") in [(event, to) for _, event, to in told[3:]]


def test_the_outermost_limit_ends_the_suppression_at_once() -> None:
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    rows.act("alarm.acknowledge", key=key)
    rows.act("step.done", step="mix")
    rows.hold(21 * H + 240, {BED: 45.5, AIR: 31.0}, every_s=60)
    _, outcome = run(rows)
    changes = [(e, says(e)) for e in moves(outcome, key)]
    told = [(round((e.t_ms - rows.t0_ms) / 1000 - 21 * H), said["event"], said["to"]) for e, said in changes]
    assert told[1:] == [(0, "ack", "ACKED"), (0, "sup", "DSUPR"), (180, "unsup", "UNACK"), (180, "up", "UNACK")]


def test_shelf_is_kept_while_hands_are_in_the_koji() -> None:
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(20.5 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    rows.act("alarm.shelve", key=key, for_s=3600)
    rows.hold(20.6 * H, {BED: 40.0, AIR: 31.0}, every_s=60)
    rows.act("step.done", step="mix")
    rows.hold(21 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    state, _ = run(rows)
    assert state.alarms[f"box/{key}"].state == "SHLVD"


def test_a_fall_of_the_koji_without_a_mark_is_asked_about_once() -> None:
    rows = begun()
    rows.hold(20 * H, {BED: 37.0, AIR: 31.0}, every_s=60)
    rows.hold(20 * H + 240, {BED: 35.2, AIR: 31.0}, every_s=60)
    rows.hold(21 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    _, outcome = run(rows)
    guesses = [e for e in outcome.events if e.kind == "mix-guess"]
    assert len(guesses) == 1
    assert abs(says(guesses[0])["at_ms"] - rows.t0_ms - 20 * H * 1000) <= 240_000


def test_silence_ends_by_itself_and_the_alarm_was_unanswered_all_the_time() -> None:
    """Requirement: given silence for 10 min, then sound stops, the state stays UNACK, sound is back at 10 min."""
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0}, every_s=60)
    rows.hold(20.3 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    rows.act("alarm.silence", key=key, for_s=600)
    silenced_ms = rows.t_ms
    rows.hold(20.6 * H, {BED: 44.0, AIR: 31.0}, every_s=60)
    state, outcome = run(rows)
    assert [e.t_ms - silenced_ms for e in outcome.events if e.key == key and says(e).get("event") == "re"][:1] == [
        600_000
    ]
    assert state.alarms[f"box/{key}"].state == "UNACK"


def test_a_step_after_the_spores_cannot_be_dated_before_them() -> None:
    rows = begun(Rows(t_ms=10**9))
    rows.hold(H, {BED: 30.0, AIR: 30.0}, every_s=60)
    early = rows.act("step.done", step="mix", at_t_ms=rows.t0_ms - 1000)
    state, outcome = run(rows)
    assert [says(e)["code"] for e in outcome.events if says(e).get("act") == early] == ["before-spores"]
    assert [m.step for m in state.batches["box"].marks] == ["inoculate"]


def test_work_on_koji_whose_spores_nobody_told_of_asks_when_they_went_on() -> None:
    """It can be told later, with its time: the rice is no more what it was, and its gate is not asked now."""
    rows = Rows(t_ms=10**9)
    rows.act("batch.start")
    rows.hold(20 * H, {BED: 36.0, AIR: 30.0}, every_s=60)
    early = rows.act("step.done", step="mix")
    spores = rows.act("step.done", step="inoculate", at_t_ms=rows.t_ms - 19 * 3_600_000)
    late = rows.act("step.done", step="mix")
    state, outcome = run(rows)
    told = {seq: next(e for e in outcome.events if says(e).get("act") == seq) for seq in (early, spores, late)}
    assert [(e.kind, says(e).get("code")) for e in told.values()] == [
        ("refused", "no-spores"), ("step-done", None), ("step-done", None)
    ]  # fmt: skip
    said = line(told[early], Speech())
    assert said is not None and "when did they?" in said.text
    assert [m.step for m in state.batches["box"].marks] == ["inoculate", "mix"]


def test_a_harvest_whose_hours_nobody_knows_says_so() -> None:
    rows = Rows()
    rows.act("batch.start")
    rows.hold(H, {BED: 36.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="harvest")
    _, outcome = run(rows)
    said = line(next(e for e in outcome.events if e.kind == "batch-harvest"), Speech())
    assert said is not None and "Its hours are not known" in said.text


def test_what_was_expected_is_named_with_its_causes_in_the_state_document() -> None:
    rows = begun()
    rows.hold(27 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    state, _ = run(rows)
    shown = view(state, rows.t_ms).incubators[0].alarms
    missed = next(alarm for alarm in shown if alarm.key == "expect/self-warming")
    assert (missed.label, missed.causes) == ("It warms itself", ("too cold", "too dry"))


def test_a_calibration_that_an_older_version_let_in_is_stated_again() -> None:
    """Bounds are kept at the door (daemon.certificates), or a journal would not replay to the same events."""
    rows = Rows()
    rows.act("probe.calibrate", probe="koji-top", points=[[4.0, 40.0]])
    rows.act("probe.calibrate", probe="koji-top", points=[[36.0, 36.1], [36.5, 36.65]])
    _, outcome = run(rows)
    assert [says(event)["points"] for event in outcome.events if event.kind == "calibration"] == [
        [[4.0, 40.0]],
        [[36.0, 36.1], [36.5, 36.65]],
    ]


def test_a_calibration_is_kept_or_refused_with_the_reason() -> None:
    """Needs no batch; a slope no working probe has, a day that is none and a probe of nobody are refused."""
    rows = Rows()
    rows.act("probe.calibrate", probe="koji-top", points=[[0.5, 0.0]], date="2026-10-02", note="ice")
    rows.act("probe.calibrate", probe="koji-top", points=[[0.0, 0.0], [10.0, 20.0]])
    rows.act("probe.calibrate", probe="koji-top", points=[[0.5, 0.0]], date="last week")
    rows.act("probe.calibrate", probe="nobody", points=[[0.5, 0.0]])
    _, outcome = run(rows)
    kept = [event for event in outcome.events if event.kind == "calibration"]
    assert [(event.key, says(event)["points"], says(event)["date"]) for event in kept] == [
        ("koji-top", [[0.5, 0.0]], "2026-10-02")
    ]
    refused = [says(event)["code"] for event in outcome.events if event.kind == "refused"]
    assert refused == ["bad-points", "bad-points", "unknown-probe"]


def test_rice_that_is_too_cold_for_the_spores_passes_no_gate() -> None:
    schedule = home_schedule()
    gate = Gate("bed", at_least=28.0, at_most=32.2)
    steps = tuple(replace(step, gate=gate) if step.name == "inoculate" else step for step in schedule.steps)
    rows = Rows(site(replace(schedule, steps=steps)))
    rows.act("batch.start")
    rows.hold(60, {BED: 20.0, MIDDLE: 19.0})
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    shown = view(state, rows.t_ms).incubators[0].step("inoculate")
    assert shown is not None and shown.gate is not None and shown.gate.passed is False
    rows.act("step.done", step="inoculate")
    rows.hold(120, {BED: 29.0, MIDDLE: 19.0})
    rows.act("step.done", step="inoculate")
    _, outcome = advance(state, rows.take(), rows.t_ms)
    refused = next(event for event in outcome.events if event.kind == "refused")
    assert "at least 28.0" in says(refused)["reason"] and "warm it first" in says(refused)["reason"]
    done = next(event for event in outcome.events if event.kind == "step-done")
    assert says(done)["gate"]["value"] == 29.0, "a probe that hangs in the air beside it says nothing of the rice"


@pytest.mark.parametrize("to_c", [121.1, -5.0])
def test_what_no_koji_box_is_set_to_is_refused(to_c: float) -> None:
    """250 °F is a slip; the box's watch goes by what is said here."""
    rows = begun()
    rows.act("box.setpoint", to_c=to_c)
    _, outcome = run(rows)
    assert [says(e).get("code") for e in outcome.events if e.kind == "refused"] == ["impossible-setpoint"]
    assert not [e for e in outcome.events if e.kind == "setpoint"]
