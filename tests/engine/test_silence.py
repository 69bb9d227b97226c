"""Silence is an alarm of its own, wakes only when nobody sees the koji any more, and never clears anything."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Probe
from kojimon.engine import advance, initial_state, view
from kojimon.engine.state import State
from kojimon.model import Quality
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, H, Rows, alarms, moves, site
from tests.parts.inputs import says

ALL = {BED: 30.0, MIDDLE: 30.0, AIR: 30.0, HUMIDITY: 85.0}


def begun(stale_ms: int = 90_000) -> Rows:
    rows = Rows(site(stale_ms=stale_ms))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    return rows


def test_stale_after_the_limit_at_the_clocks_own_time() -> None:
    """Requirement (adapted): no fresh sample for three intervals and at least 90 s: an alarm, at that very time."""
    rows = begun()
    rows.hold(1000, ALL)
    rows.hold(2000, {probe: value for probe, value in ALL.items() if probe != MIDDLE})
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    silent = moves(outcome, "silent/koji-middle")
    assert [(e.t_ms - rows.t0_ms, says(e)["to"], says(e)["priority"]) for e in silent] == [(1_090_000, "UNACK", "tell")]


def test_bad_readings_are_silence_too() -> None:
    rows = begun()
    rows.hold(1000, ALL)
    for second in range(1010, 1500, 10):
        rows.at(second)
        rows.read(BED, 85.0, 4)
        rows.read(MIDDLE, None, 3)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert {e.key for e in outcome.events if e.kind == "alarm"} >= {"silent/koji-top", "silent/koji-middle"}


def test_a_bad_reading_followed_by_good_ones_is_over() -> None:
    rows = begun()
    rows.hold(1000, ALL)
    rows.at(1005)
    rows.read(BED, 85.0, 4)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    assert koji_top(state, rows.t_ms).quality == 4
    rows.hold(1030, ALL)
    state, _ = advance(state, rows.take(), rows.t_ms)
    assert koji_top(state, rows.t_ms).quality == 0
    assert {row.name: row.lacking for row in view(state, rows.t_ms).incubators[0].derived}[
        "above_air_k"
    ] is None


def koji_top(state: State, t_ms: int) -> Probe:
    probes = view(state, t_ms).incubators[0].probes
    return next(row for row in probes if row.name == "koji-top")


@pytest.mark.parametrize(("bed_c", "wait_s"), [(30.0, 2 * H), (36.0, 15 * 60)])
def test_losing_sight_of_the_koji_wakes_by_stage(bed_c: float, wait_s: float) -> None:
    """15 min in the hot hours, 2 h before (judgement of the home-tray schedule)."""
    rows = begun()
    rows.hold(19 * H, {**ALL, BED: bed_c, MIDDLE: bed_c}, every_s=60)
    seen_s = (rows.t_ms - rows.t0_ms) / 1000
    rows.hold(22.5 * H, {AIR: 30.0, HUMIDITY: 85.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    blind = moves(outcome, "blind/bed")
    assert [((e.t_ms - rows.t0_ms) / 1000, says(e)["priority"]) for e in blind] == [(seen_s + wait_s, "wake")]
    assert view(state, rows.t_ms).incubators[0].places[0].hottest is None


def test_one_probe_left_in_the_koji_lets_the_person_sleep() -> None:
    rows = begun()
    rows.hold(19 * H, {**ALL, BED: 36.0, MIDDLE: 36.0}, every_s=60)
    rows.hold(24 * H, {AIR: 30.0, HUMIDITY: 85.0, MIDDLE: 36.0}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarms(outcome, ["blind/bed"]) == []
    assert all(message.priority != "wake" for message in outcome.messages)


def test_missing_data_never_clears_an_alarm() -> None:
    """Requirement: missing data must never read as resolved."""
    key = "limit/bed/temperature/high"
    rows = begun()
    rows.hold(19 * H, {**ALL, BED: 36.0, MIDDLE: 36.0}, every_s=60)
    rows.hold(20 * H, {**ALL, BED: 44.0, MIDDLE: 37.0}, every_s=60)
    rows.hold(23 * H, {AIR: 30.0, HUMIDITY: 85.0, MIDDLE: 37.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarms(outcome, [key]) == [(key, "NORM", "UNACK")]
    assert state.alarms[f"box/{key}"].active


def test_heard_again_is_over_and_the_koji_is_seen_again() -> None:
    rows = begun()
    rows.hold(19 * H, {**ALL, BED: 36.0, MIDDLE: 36.0}, every_s=60)
    rows.hold(20 * H, {AIR: 30.0, HUMIDITY: 85.0}, every_s=60)
    rows.hold(20 * H + 60, {BED: 36.5}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [says(e)["to"] for e in moves(outcome, "blind/bed")] == ["UNACK", "RTNUN"]
    assert [says(e)["to"] for e in moves(outcome, "silent/koji-top")] == ["UNACK", "RTNUN"]


def test_a_probe_that_never_spoke_is_silent() -> None:
    rows = begun()
    rows.hold(400, {BED: 30.0, AIR: 30.0, HUMIDITY: 85.0})
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarms(outcome) == [("silent/koji-middle", "NORM", "UNACK")]


def test_slow_probe_is_given_its_own_time() -> None:
    rows = begun(stale_ms=1_800_000)
    rows.hold(4 * H, ALL, every_s=600)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarms(outcome) == []


def test_a_silent_probe_is_heard_again_though_the_others_have_spoken_since() -> None:
    """Each of the others sets anew what is looked at in full; a value as quiet as before it fell silent always is."""
    rows = begun()
    rows.hold(900, ALL).hold(1200, {no: value for no, value in ALL.items() if no != BED}).hold(1300, ALL)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [says(e)["to"] for e in moves(outcome, "silent/koji-top")] == ["UNACK", "RTNUN"]


def test_the_quickest_probe_says_when_the_koji_is_unseen() -> None:
    """One that may be silent for four hours gives the other one no four hours."""
    plain = site()
    slow = tuple(replace(one, stale_ms=14_400_000) if one.no == MIDDLE else one for one in plain.probes)
    rows = Rows(replace(plain, probes=slow))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(19 * H, {**ALL, BED: 36.0, MIDDLE: 36.0}, every_s=60)
    rows.hold(20 * H, {AIR: 30.0, HUMIDITY: 85.0}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [(e.t_ms - rows.t0_ms) / 1000 for e in moves(outcome, "blind/bed")] == [19 * H + 15 * 60]


def test_who_has_answered_gets_the_time_to_put_the_probe_back() -> None:
    """Twenty minutes from the answer, where the stage would wake in fifteen from the last sight of the koji."""
    rows = begun()
    rows.hold(19 * H, {**ALL, BED: 36.0, MIDDLE: 36.0}, every_s=60)
    for minute in range(1, 61):
        rows.at(19 * H + minute * 60)
        rows.read(BED, 30.0, Quality.OUT_OF_KOJI)
        rows.read(MIDDLE, 30.0, Quality.OUT_OF_KOJI)
        if minute == 14:
            rows.act("alarm.acknowledge", key="silent/koji-top")
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [(e.t_ms - rows.t0_ms) / 1000 for e in moves(outcome, "blind/bed")] == [19 * H + (14 + 20) * 60]


def test_nonsense_is_told_otherwise_than_nothing() -> None:
    rows = begun()
    rows.hold(1000, ALL)
    for second in range(1010, 1300, 10):
        rows.at(second)
        rows.read(BED, 85.0, 4)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    silent = [moves(outcome, f"silent/{name}") for name in ("koji-top", "koji-middle")]
    assert [[says(e).get("quality", 0) for e in one] for one in silent] == [[4], [0]]
