"""Acceptance 20-28: prediction, stage, planned work. Each test quotes its requirement."""

from __future__ import annotations

import random
from math import sqrt

import pytest

from kojimon.model import Priority
from kojimon.schedule.spec import Band, Deviation, Exposure
from tests.alarms.build import HIGH, LOW, MIN, TELL, Case, high, limit, schedule
from tests.engine.build import MIDDLE
from tests.parts.inputs import says

SOON = "time-to-limit/bed/temperature"


def ramp(case: Case, from_c: float, to_c: float, per_min: float, noise: float = 0.0, seed: int = 1) -> Case:
    """The koji's top probe on a straight line, a sample every 30 s."""
    source, value = random.Random(seed), from_c
    while value < to_c:
        value += per_min / 2
        case.hold(30, every_s=30, bed=value + source.gauss(0, noise))
    return case


def test_20_a_sure_slope_towards_a_limit_is_told_with_the_time_left_and_noise_is_not() -> None:
    """Given slope > 3 SE toward a limit and TTL <= response budget (default 25 min), then a predictive alarm naming
    TTL; given slope < 3 SE, none."""
    case = Case(schedule(high(35.0)))
    ramp(case.hold(600), 31.0, 34.0, 0.06)
    (event, *_) = case.of(SOON)
    assert says(event)["left_s"] <= 1500
    assert says(event)["priority"] == "tell"
    noisy = Case(schedule(high(31.0)))
    ramp(noisy.hold(600), 30.0, 30.1, 0.0005, noise=0.2)
    assert noisy.of(SOON) == []


@pytest.mark.parametrize(("errors", "told"), [(2.0, False), (4.0, True)])
def test_20_a_slope_of_two_standard_errors_is_noise_and_one_of_four_is_not(errors: float, told: bool) -> None:
    """Sixteen points two minutes apart on a rise of 1.2 K/h, each so far above or below it that the slope is known to
    1.2 K/h by `errors`: sigma/dt * sqrt(12/(N(N^2-1))), N - 2 degrees of freedom (ordinary least squares)."""
    off = 1.2 / errors * sqrt(14 / 16) / (30 * sqrt(12 / (16 * (16**2 - 1))))
    case = Case(schedule(high(31.0)), probes=(1, 3, 4))
    case.hold(60, bed=30.0)
    for point in range(20):
        sign = (1, -1, -1, 1)[point % 4]
        case.hold(120, every_s=120, bed=30.15 + 1.2 * point / 30 + sign * off)
    assert bool(case.of(SOON)) is told


def test_21_the_time_left_is_right() -> None:
    """Given 33.2 C rising 0.06 C/min and limit 35.0, then TTL is 30.0 +/- 0.5 min and no alarm yet; at 33.5 C (TTL 25)
    alarm."""
    case = Case(schedule(high(35.0)))
    ramp(case.hold(600), 30.0, 33.2, 0.06)
    assert case.of(SOON) == []
    ramp(case, 33.2, 33.8, 0.06)
    (event,) = case.of(SOON)
    # The engine looks every two minutes, in which the value rises by 0.12 K.
    assert 33.5 - 0.07 <= says(event)["value"] <= 33.5 + 0.13
    assert (35.0 - says(event)["value"]) / 0.06 * 60 == pytest.approx(says(event)["left_s"], abs=45)


def test_22_a_stage_change_brings_its_limits_at_once() -> None:
    """Given a stage change, then new limits apply in the same cycle and active alarms are re-judged within one
    sample."""
    case = Case(schedule(high(35.0), later=(high(40.0),)))
    case.hold(300, bed=36.0)
    assert case.state_of() == "UNACK"
    case.do("step.done", step="turn")
    assert case.state_of() == "UNACK"
    case.hold(80)
    assert case.state_of() == "RTNUN", "36 is under the new limit's deadband; the off-delay of 60 s is served"
    gone = Case(schedule(high(35.0), later=()))
    gone.hold(300, bed=36.0)
    gone.do("step.done", step="turn")
    assert says(gone.of()[-1])["ended"] == "stage", "it is still as hot: nothing is said to be normal again"
    lower = Case(schedule(high(40.0), later=(high(35.0, on_s=0.0, min_samples=1),)))
    lower.hold(300, bed=36.0)
    lower.do("step.done", step="turn")
    lower.hold(10)
    assert [at_s for at_s, _, _ in lower.moves()] == [310]


@pytest.mark.parametrize(("travel_k", "held_s"), [(3.0, 3240), (0.5, 540), (8.0, 7200)])
def test_23_after_a_new_setpoint_deviation_waits_and_the_limits_do_not(travel_k: float, held_s: float) -> None:
    """Given a setpoint change that leaves 3 C to travel, then deviation alarms are held 54 min, never over 120 min;
    absolute HH/LL are not held. (18 min per C: ASHRAE Guideline 36, 5.1.20, as coded in an open library.)"""
    watch = Deviation("air", 30.0 + travel_k, below=0.4, for_s=0.0)
    case = Case(schedule(high(35.0), watches=(watch,)))
    case.hold(20)
    case.do("box.setpoint", to_c=30.0 + travel_k)
    case.hold(9000, every_s=30)
    raised_s = case.moves("deviation/air/temperature")[0][0]
    assert held_s <= raised_s - 20 <= held_s + 130
    hot = Case(schedule(high(35.0), watches=(watch,)))
    hot.hold(20)
    hot.do("box.setpoint", to_c=30.0 + travel_k)
    hot.hold(80, bed=36.0)
    assert hot.state_of() == "UNACK"


def test_24_an_open_lid_is_recognised_from_the_air_and_never_hides_a_silent_probe() -> None:
    """(Adapted.) An unmarked open lid is recognised from the air, no door switch assumed: consequence alarms stay away;
    sensor, power and stale alarms are never suppressed."""
    from msgspec.structs import replace

    from kojimon.schedule.spec import BoxWatch

    plan = replace(schedule(Band("air", "temperature", low=limit(24, 45 * MIN, TELL))), box=BoxWatch())
    case = Case(plan)
    case.hold(2 * 3600, every_s=30)
    for _ in range(8):
        case.hold(6 * MIN, every_s=30, air=22.0).hold(20 * MIN, every_s=30, air=30.0)
    assert [event.key for event in case.events if event.kind == "alarm"] == []
    case.do("work.begin", for_s=1200)
    case.silent(200, MIDDLE)
    assert case.state_of("silent/koji-middle") == "UNACK"
    case.hold(30 * MIN, every_s=30, air=22.0)
    assert case.state_of("box/off") == "UNACK", "air that stays away is no lid"
    working = Case(replace(schedule(high(35.0)), box=BoxWatch()), probes=(1, 3, 4)).hold(2 * 3600, every_s=30, bed=41.0)
    working.do("work.begin", for_s=2400)
    for minute in range(38):
        working.hold(60, every_s=30, bed=41.0 - minute / 20, air=22.0)
    assert working.hold(30 * MIN, every_s=30, air=30.0).of("box/off") == [], "the lid is open for the work"


def test_25_what_still_holds_at_the_end_of_a_shelf_or_of_work_is_announced_at_once() -> None:
    """Given suppression or shelving ends with the condition true, then UNACK and message within one sample, not at the
    next repeat."""
    case = Case()
    case.hold(200, bed=36.0)
    case.do("alarm.shelve", key=HIGH, for_s=900)
    shelved_s = case.at_s
    before = len(case.urgent())
    case.hold(1000)
    assert case.moves()[-1] == (shelved_s + 900, "unshelve", "UNACK")
    assert case.urgent()[before].at_s == shelved_s + 900
    working = Case()
    working.hold(100)
    working.do("work.begin", for_s=900)
    working.hold(1000, bed=36.0)
    assert working.moves()[-1][2] == "UNACK"
    assert working.moves()[-1][0] <= 100 + 900 + 10
    assert working.urgent()[0].at_s == working.moves()[-1][0]


def test_25_what_is_told_by_day_is_told_again_at_the_end_of_its_shelf() -> None:
    """It does not call by itself every two minutes: without a message of its own the end would be silent."""
    case = Case(schedule(high(priority=TELL)))
    case.hold(300, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH)
    case.do("alarm.shelve", key=HIGH, for_s=900)
    shelved_s, before = case.at_s, len(case.sent)
    case.hold(1200)
    assert [one.at_s for one in case.sent[before:]] == [shelved_s + 900]


@pytest.mark.parametrize(
    ("key", "inner_c", "outer_c"), [(HIGH, 36.0, 46.0), (LOW, 25.0, 19.0)], ids=["too hot", "too cold"]
)
def test_hands_in_the_koji_hold_back_what_they_can_cause_and_never_the_outermost_limit(
    key: str, inner_c: float, outer_c: float
) -> None:
    band = Band(
        "bed", "temperature", low_low=limit(20.0), low=limit(26.0), high=limit(35.0), high_high=limit(45.0)
    )
    case = Case(schedule(band))
    case.hold(100)
    case.do("work.begin", for_s=1800)
    case.hold(300, bed=inner_c)
    assert (case.state_of(key), case.urgent()) == ("DSUPR", [])
    case.hold(100, bed=outer_c)
    assert case.state_of(key) == "UNACK" and case.urgent(), "no work does that"
    case.hold(300, bed=30.0)
    assert [one.brief[2] for one in case.urgent()][:1] == ["call"]


def test_26_a_shelf_has_a_cap_and_a_one_shot_ends_at_it_too() -> None:
    """Given a shelve request of 3 h and cap 60 min, then refused with the cap stated; OneShot also ends at the cap."""
    case = Case()
    case.hold(200, bed=36.0)
    for way in ("alarm.shelve", "alarm.silence"):
        (refused,) = case.do(way, key=HIGH, for_s=3 * 3600)
        assert refused.kind == "refused"
        assert "expected an hour at most" in says(refused)["reason"]
    case.do("alarm.shelve", key=HIGH, one_shot=True)
    shelved_s = case.at_s
    case.hold(3700, every_s=30)
    assert case.moves()[-1] == (shelved_s + 3600, "unshelve", "UNACK")
    once = Case()
    once.hold(200, bed=36.0)
    once.do("alarm.shelve", key=HIGH, one_shot=True)
    once.hold(120, bed=30.0).hold(120, bed=36.0)
    assert once.state_of() == "UNACK", "a one-shot shelf ends with the alarm: the next occurrence calls"


def test_28_time_above_a_limit_adds_up_in_any_number_of_pieces() -> None:
    """Given readings >= limit adding up to the exposure budget (e.g. 10 h) in any number of pieces, then the cumulative
    alarm fires even if no single piece reaches the consecutive delay. (The shape of WHO/PQS/E006/TR07 type 1: 30 C for
    10 h added up.)"""
    case = Case(schedule(high(31.0, on_s=3600.0), watches=(Exposure("bed", 31.0, 10 * 3600.0),)))
    for piece in range(20):
        assert case.moves("exposure/bed/temperature") == [], piece
        case.hold(30 * MIN, every_s=60, bed=31.5).hold(10 * MIN, every_s=60, bed=30.0)
    ((at_s, _, _),) = case.moves("exposure/bed/temperature")
    assert at_s == pytest.approx(20 * 40 * MIN - 10 * MIN, abs=10 * MIN)
    assert case.state.alarms["box/exposure/bed/temperature"].priority is Priority.TELL
    assert case.moves(HIGH) == [], "no piece is as long as an hour"


@pytest.mark.parametrize(("late_min", "state"), [(10, "DSUPR"), (50, "UNACK")])
def test_work_that_is_told_late_holds_back_what_is_left_of_it_only(late_min: int, state: str) -> None:
    """The koji is given 40 min at most, counted from the work and not from when it was told."""
    case = Case().hold(4000, every_s=30).hold(200, bed=36.0)
    case.do("step.done", step="mix", at_t_ms=case.rows.t_ms - late_min * 60_000)
    assert case.state_of() == state


def test_a_tray_that_goes_on_heating_is_told_though_the_other_one_cools() -> None:
    case = Case().hold(200, bed=36.0, middle=36.0)
    case.do("work.begin", for_s=2400)
    began_s = case.at_s
    for minute in range(16):
        case.hold(60, every_s=30, bed=36.0 + minute / 10, middle=36.0 - minute / 10)
    at_s, signal, state = case.moves()[-1]
    assert (signal, state) == ("unsup", "UNACK") and at_s <= began_s + 12 * MIN + 120


def test_koji_at_its_outermost_limit_goes_on_calling_when_work_begins() -> None:
    case = Case(schedule(Band("bed", "temperature", high=limit(35.0), high_high=limit(45.0))))
    case.hold(300, bed=46.0)
    case.do("work.begin", for_s=1800)
    assert case.state_of() == "UNACK"


def test_work_that_nobody_ends_ends_by_itself() -> None:
    """Ten hours are asked for and an hour is given, though the koji goes on cooling."""
    case = Case(probes=(1, 3, 4)).hold(300, bed=42.0)
    case.do("work.begin", for_s=36_000)
    for minute in range(59):
        case.hold(60, every_s=30, bed=42.0 - minute / 20)
    assert case.state_of() == "DSUPR"
    case.hold(90, every_s=30, bed=39.0)
    assert case.state_of() == "UNACK"


@pytest.mark.parametrize(("bed", "middle", "probe"), [(1.0, 3.0, "koji-middle"), (3.0, 1.0, "koji-top")])
def test_the_tray_that_is_sooner_at_its_limit_is_the_one_that_is_told(bed: float, middle: float, probe: str) -> None:
    case = Case(schedule(high(35.0)))
    for minute in range(76):
        case.hold(60, every_s=30, bed=31.0 + bed * minute / 60, middle=31.0 + middle * minute / 60)
    (event,) = case.of(SOON)
    assert says(event)["probe"] == probe and says(event)["left_s"] <= 1500


@pytest.mark.parametrize("mixed", [False, True], ids=["probe put back", "koji mixed"])
def test_koji_or_a_probe_on_its_way_back_is_not_soon_too_hot(mixed: bool) -> None:
    """A probe out for ten minutes and back with a jump; koji that makes up in six minutes for what its mixing took."""
    case = Case(schedule(high(35.0)), probes=(1, 3, 4)).hold(3600, every_s=30, bed=34.5)
    if mixed:
        case.do("step.done", step="mix")
    for minute in range(60):
        dip_k = max(0.0, 1.6 - abs(minute - 4) * (0.4 if minute < 4 else 0.25))
        case.hold(60, every_s=30, bed=34.5 - (dip_k if mixed else 2.5 * (minute < 10)))
    assert case.of(SOON) == []


def test_soon_too_hot_does_not_come_and_go_as_the_koji_slows() -> None:
    """Told with 25 min left; as the line levels out more are left, which is not yet twice as far."""
    case = Case(schedule(high(35.0)))
    ramp(case.hold(600), 31.0, 33.7, 0.06).hold(840, every_s=30, bed=33.75)
    assert [signal for _, signal, _ in case.moves(SOON)] == ["on"]


def test_soon_too_hot_is_not_told_while_hands_are_in_the_koji() -> None:
    """Work on koji that goes on warming all the same is over before its time, and then it is told."""
    case = Case(schedule(high(35.0)))
    ramp(case.hold(600), 31.0, 33.4, 0.06)
    case.do("work.begin", for_s=1800)
    ramp(case, 33.4, 33.8, 0.06)
    assert case.of(SOON) == []
    ramp(case, 33.8, 34.3, 0.06)
    assert [signal for _, signal, _ in case.moves(SOON)] == ["on"]
