"""Acceptance 1-12: state and logic. Each test quotes its requirement."""

from __future__ import annotations

import itertools

import pytest

from kojimon.alarms.levels import IDLE, Threshold, judge
from kojimon.alarms.states import AlarmState, Signal, step
from kojimon.model import Quality
from kojimon.schedule.spec import Band
from kojimon.words.events import Teller
from kojimon.words.speech import Speech
from tests.alarms.build import HIGH, LOW, MIN, TELL, Case, high, limit, schedule
from tests.engine.build import BED, MIDDLE
from tests.parts.inputs import says

S = AlarmState
G = Signal


def test_01_unack_within_one_sample_after_the_on_delay_and_never_before() -> None:
    """Given NORM, when value >= H for the full on-delay, then UNACK within one sample period after the delay ends, and
    never before it."""
    for shift_s in (0, 3, 7):
        case = Case()
        case.hold(100)
        case.rows.at(100 + shift_s)
        case.hold(200, bed=35.0)
        ((at_s, _, to),) = case.moves()
        begun_s = 110 + shift_s
        assert begun_s + 60 <= at_s <= begun_s + 70
        assert to == "UNACK"


def test_02_a_spike_shorter_than_the_delay_changes_nothing() -> None:
    """Given a spike of on-delay minus 1 s, when it ends, then no state change, no message."""
    case = Case()
    case.hold(100)
    before = len(case.events)
    case.hold(59, every_s=1, bed=36.0).hold(200, bed=30.0)
    assert case.moves() == []
    assert len(case.events) == before
    assert case.sent == []


@pytest.mark.parametrize("answer", ["alarm.acknowledge", "alarm.confirm"])
def test_03_an_alarm_that_came_and_went_unseen_stays_listed(answer: str) -> None:
    """Given UNACK, when the value clears before ack, then RTNUN and the event stays listed until acked; 0 such events
    may be lost."""
    case = Case()
    case.hold(200, bed=36.0).hold(3 * 3600, every_s=60, bed=30.0)
    assert [to for _, _, to in case.moves()] == ["UNACK", "RTNUN"]
    assert [alarm.state for alarm in case.listed()] == ["RTNUN"]
    case.do(answer, key=HIGH, occurrence=1)
    assert case.listed() == []


def test_04_worse_than_when_acknowledged_voids_the_acknowledgement() -> None:
    """Given ACKED at H, when value reaches HH, then UNACK again within one sample, same occurrence id, priority
    raised."""
    band = Band("bed", "temperature", high=limit(35, priority=TELL), high_high=limit(38, 0, min_samples=1))
    case = Case(schedule(band))
    case.hold(200, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    reached_s = case.at_s + 10
    case.hold(60, bed=38.0)
    on, ack, up = case.of()
    assert (says(up)["event"], says(up)["to"], says(up)["occurrence"]) == ("up", "UNACK", says(on)["occurrence"])
    assert (up.t_ms - case.rows.t0_ms) / 1000 == reached_s
    assert (says(on)["priority"], says(up)["priority"]) == ("tell", "wake")
    assert says(ack)["to"] == "ACKED"


def test_05_re_alarm_without_end_while_it_holds() -> None:
    """Given ACKED and still active, when ReAlarmTime (default 20 min) elapses, then UNACK and repeat count +1; repeats
    have no upper bound."""
    case = Case()
    case.hold(200, bed=36.0)
    for count in range(2, 14):
        case.do("alarm.acknowledge", key=HIGH, occurrence=1)
        acked_s = case.at_s
        case.hold(21 * MIN, every_s=30)
        last = case.of(repeats=True)[-1]
        assert (says(last)["event"], says(last)["to"], says(last)["calls"]) == ("re", "UNACK", count)
        assert (last.t_ms - case.rows.t0_ms) / 1000 == acked_s + 1200


def test_06_the_deadband_holds_until_it_is_left_for_the_off_delay() -> None:
    """Given an active alarm with limit 35.0 and deadband 0.5, when value is 34.6, then still active; at 34.4 for the
    off-delay, cleared."""
    case = Case()
    case.hold(200, bed=36.0).hold(900, bed=34.6)
    assert case.state_of() == "UNACK"
    case.hold(60, bed=34.4)
    assert case.state_of() == "UNACK"
    case.hold(10)
    assert case.state_of() == "RTNUN"


@pytest.mark.parametrize(("key", "sign"), [(HIGH, 1), (LOW, -1)], ids=["warmer", "colder"])
def test_06_a_walk_by_tenths_over_a_limit_and_back_is_seen_at_both_edges(key: str, sign: int) -> None:
    """Given a limit 5 K away with deadband 0.5, when koji creeps to 0.2 K beyond it, then active; at 0.6 K back,
    cleared. Nothing but the last tenths is out of the ordinary, and no reading says so by a jump."""
    case = Case(schedule(Band("bed", "temperature", low=limit(25.0), high=limit(35.0))))
    for tenth in range(1, 49):
        case.hold(10, bed=30.0 + sign * tenth / 10)
    assert case.moves(key) == []
    case.hold(120, bed=30.0 + sign * 5.2)
    assert case.state_of(key) == "UNACK"
    case.hold(120, bed=30.0 + sign * 4.6).hold(120, bed=30.0 + sign * 4.4)
    assert case.state_of(key) == "RTNUN"


def test_07_two_limits_of_one_signal_are_one_alarm() -> None:
    """Given two limits on one signal, when HH is active, then exactly one alarm exists, not two."""
    case = Case(schedule(Band("bed", "temperature", high=limit(35), high_high=limit(38))))
    case.hold(300, bed=39.0)
    assert [(alarm.key, alarm.level) for alarm in case.listed()] == [(HIGH, "high_high")]


@pytest.mark.parametrize("step_k", [0.0625, 0.1])
def test_08_reaching_the_limit_is_beyond_it(step_k: float) -> None:
    """Given value == limit, then active (rule >=/<=), proven by a test at limit, limit -1 LSB, limit +1 LSB. The rule
    is that of WHO/PQS/E006/TR07 as quoted in a device manual (30.0 alarms, 29.9 does not)."""
    for high_side, sign in ((True, 1), (False, -1)):
        threshold = Threshold(30.0, high_side, 0, 0, 0.5)
        assert judge(IDLE, threshold, 30.0, 0).active
        assert not judge(IDLE, threshold, 30.0 - sign * step_k, 0).active
        assert judge(IDLE, threshold, 30.0 + sign * step_k, 0).active


TRANSITIONS = [
    (S.NORM, G.ON, True, S.UNACK), (S.UNACK, G.ACK, True, S.ACKED), (S.UNACK, G.OFF, False, S.RTNUN),
    (S.UNACK, "latching off", False, S.LATCH_UNACK), (S.UNACK, G.UP, True, S.UNACK), (S.UNACK, G.RE, True, S.UNACK),
    (S.ACKED, G.OFF, False, S.NORM), (S.ACKED, "latching off", False, S.LATCH_ACK), (S.ACKED, G.UP, True, S.UNACK),
    (S.ACKED, G.RE, True, S.UNACK), (S.RTNUN, G.ACK, False, S.NORM), (S.RTNUN, G.ON, True, S.UNACK),
    (S.LATCH_UNACK, G.ACK, False, S.LATCH_ACK), (S.LATCH_UNACK, G.ON, True, S.UNACK),
    (S.LATCH_ACK, G.RESET, False, S.NORM), (S.LATCH_ACK, G.ON, True, S.UNACK),
    (S.LATCH_UNACK, G.RESET, False, S.LATCH_UNACK), (S.ACKED, G.SHELVE, True, S.SHLVD),
    (S.SHLVD, G.UNSHELVE, False, S.NORM), (S.SHLVD, G.UNSHELVE, True, S.UNACK),
    (S.SHLVD, "one-shot off", False, S.NORM), (S.NORM, G.SUPPRESS, False, S.DSUPR),
    (S.DSUPR, G.UNSUPPRESS, False, S.NORM), (S.DSUPR, G.UNSUPPRESS, True, S.UNACK), (S.UNACK, G.OUT, True, S.OOSRV),
    (S.OOSRV, G.IN, False, S.NORM), (S.OOSRV, G.IN, True, S.UNACK), (S.RTNUN, G.RE, False, S.RTNUN),
]  # fmt: skip


def after(state: AlarmState, signal: Signal | str, active: bool) -> AlarmState:
    if signal == "latching off":
        return step(state, G.OFF, active, latching=True)
    if signal == "one-shot off":
        return step(state, G.OFF, active, one_shot=True)
    return step(state, Signal(signal), active)


def test_10_all_transitions_and_nothing_else() -> None:
    """Given all 28 transitions, when run as a table test, then 28/28 match and every unlisted (state, event) pair
    leaves the state unchanged."""
    assert len(TRANSITIONS) == 28
    assert [after(*row[:3]) for row in TRANSITIONS] == [row[3] for row in TRANSITIONS]
    known = {(row[0], row[1]) for row in TRANSITIONS}
    hiding = {G.SHELVE, G.SUPPRESS, G.OUT}
    for state, signal in itertools.product(S, G):
        listed = (state, signal) in known or signal in hiding
        if not listed and not (state is S.SHLVD and signal is G.OFF):
            assert step(state, signal, active=False) is state, (state, signal)


@pytest.mark.parametrize("quality", [Quality.UNREADABLE, Quality.SENTINEL, Quality.RANGE, Quality.STUCK])
def test_11_bad_readings_are_an_alarm_of_their_own_and_clear_nothing(quality: Quality) -> None:
    """Given NaN, None, out-of-range or frozen value, then a sensor alarm, and the process alarm holds its last state;
    never "resolved"."""
    case = Case()
    case.hold(200, bed=36.0)
    assert case.state_of() == "UNACK"
    for _ in range(30):
        case.rows.at(case.at_s + 10)
        value = None if quality is Quality.UNREADABLE else 30.0
        case.rows.read(BED, value, int(quality))
        for no in (2, 3, 4):
            case.rows.read(no, 30.0)
    case.run()
    silent = case.of("silent/koji-top")
    assert [says(event)["to"] for event in silent] == ["UNACK"]
    assert says(silent[0])["quality"] == int(quality)
    assert case.state_of() == "UNACK"
    assert case.state.alarms[f"box/{HIGH}"].active


def test_12_stale_data_is_told_by_the_probe_s_own_interval_and_discrepancy_only_side_by_side() -> None:
    """Given no fresh sample for three of the probe's intervals and at least 90 s, then an alarm within 100 s. (Adapted:
    discrepancy only between probes declared side by side; the judgement of readings gives it as DRIFT.)"""
    case = Case()
    case.hold(100)
    case.silent(200, BED)
    ((at_s, _, to),) = case.moves("silent/koji-top")
    assert to == "UNACK"
    assert 90 <= at_s - 100 <= 100
    for _ in range(30):
        case.rows.at(case.at_s + 10)
        case.rows.read(MIDDLE, 31.5, int(Quality.DRIFT))
    case.run()
    assert says(case.of("silent/koji-middle")[0])["quality"] == int(Quality.DRIFT)


def test_trays_that_differ_are_no_discrepancy() -> None:
    """Adapted 12: two trays 4 K apart are told as they are and alarm nobody."""
    case = Case(schedule(high(45.0)))
    case.hold(3600, every_s=30, bed=40.0, middle=36.0)
    assert [event.key for event in case.events if event.kind == "alarm"] == []


def latched() -> Case:
    """The koji's top tray has been beyond a limit that latches, and is back."""
    band = Band("bed", "temperature", high=limit(35), high_high=limit(38, latch=True))
    return Case(schedule(band)).hold(200, bed=39.0).hold(200, bed=32.0)


def test_09_a_limit_that_latches_stays_listed_through_the_engine() -> None:
    """Given a latched alarm whose condition is gone, when acked, then still shown until reset; reset before ack is
    refused."""
    case = latched()
    assert case.state_of() == "LATCH-UNACK"
    (refused,) = case.do("alarm.reset", key=HIGH, occurrence=1)
    assert (refused.kind, says(refused)["reason"]) == ("unchanged", "acknowledge it first; only what is kept is reset")
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.hold(3 * 3600, every_s=60)
    assert [alarm.state for alarm in case.listed()] == ["LATCH-ACK"]
    (reset,) = case.do("alarm.reset", key=HIGH, occurrence=1)
    assert (says(reset)["event"], says(reset)["to"], says(reset)["who"]) == ("reset", "NORM", "anna")
    assert case.listed() == []
    case.hold(200, bed=36.0).hold(200, bed=30.0)
    assert case.state_of() == "RTNUN", "the next occurrence did not reach the limit that latches"


def test_only_a_reset_clears_a_latch() -> None:
    """OPC 10000-9, 4.8: a latched alarm stays until it is explicitly reset. Neither a shelf nor repair nor a milder
    occurrence on top of it does that."""
    for hide, show in (("alarm.shelve", "alarm.unshelve"), ("alarm.out_of_service", "alarm.in_service")):
        case = latched()
        case.do(hide, key=HIGH)
        case.do(show, key=HIGH)
        assert case.state_of() == "LATCH-UNACK", hide
    case = latched().hold(200, bed=36.0).hold(200, bed=30.0)
    assert case.state_of() == "LATCH-UNACK"


def test_out_of_service_says_why_until_it_is_back() -> None:
    """Design: whoever switches an alarm off says why; it stands in the record and on every screen until it is back."""
    case = latched()
    why = "new cable on Sunday"
    case.do("alarm.out_of_service", key=HIGH, reason=why)
    assert [(row.state, row.reason) for row in case.listed()] == [("OOSRV", why)]
    told = Teller(Speech()).tell(case.events[-1])
    assert told is not None and told.text.startswith(f"Out of service ({why}): ")
    case.do("alarm.out_of_service", key=HIGH, reason="another")
    assert case.events[-1].kind == "unchanged" and case.listed()[0].reason == why
    case.do("alarm.in_service", key=HIGH)
    assert [(row.state, row.reason) for row in case.listed()] == [("LATCH-UNACK", "")]


def test_whoever_ends_the_batch_gives_the_all_clear_for_what_was_seen() -> None:
    case = latched()
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.do("batch.discard", reason="slimy")
    assert case.state_of() == "NORM"
    unseen = latched()
    unseen.do("batch.discard", reason="slimy")
    assert unseen.state_of() == "LATCH-UNACK", "what nobody has seen stays listed"


def test_a_call_for_cold_koji_carries_the_air_around_it() -> None:
    """Design: it wakes all the same. Koji does not stay cold in warm air: the call asks for a look at the probe."""
    case = Case(schedule(Band("bed", "temperature", low_low=limit(22.0))))
    case.hold(200, bed=21.0, air=30.0)
    (event,) = case.of(LOW)
    assert says(event)["priority"] == "wake" and says(event)["air_c"] == 30.0
    assert case.listed()[0].air_c == 30.0


@pytest.mark.parametrize(("key", "beyond_c"), [(HIGH, 36.0), (LOW, 24.0)])
def test_an_end_is_told_with_the_tray_that_is_still_nearest_to_the_limit(key: str, beyond_c: float) -> None:
    case = Case(schedule(Band("bed", "temperature", low=limit(25.0), high=limit(35.0))))
    case.hold(200, bed=beyond_c, middle=beyond_c).hold(200, bed=29.0, middle=31.0)
    assert says(case.of(key)[-1])["event"] == "off"
    assert says(case.of(key)[-1])["value"] == (31.0 if key == HIGH else 29.0)
