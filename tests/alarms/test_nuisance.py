"""Acceptance 13-19: nuisance. Each test quotes its requirement."""

from __future__ import annotations

import random
import statistics
from collections import Counter
from pathlib import Path

import pytest

from kojimon.alarms.levels import IDLE, Threshold, judge
from kojimon.model import Quality
from kojimon.notify.night_check import night_check
from kojimon.schedule.load import load_schedule
from kojimon.schedule.spec import Band
from kojimon.words.meaning import unexplained
from kojisim import scenarios
from tests.alarms.build import HIGH, MIN, Case, limit, schedule
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE
from tests.notify.board import NIGHT_UTC_MS, PHONE
from tests.parts.inputs import says
from tests.scenario.night import Night

ROOT = Path(__file__).resolve().parents[2]
HOME = ROOT / "config/schedules/rice-koji-home-trays.yaml"


def noisy(samples: int, sigma: float, mean: float, level: float, on_s: float, seed: int) -> Case:
    """The koji's top probe with independent Gaussian noise, a sample every 10 s."""
    source = random.Random(seed)
    case = Case(schedule(Band("bed", "temperature", high=limit(level, on_s, off_delay_s=0.0, deadband=0.0))))
    for _ in range(samples):
        case.rows.at(case.at_s + 10)
        case.rows.read(BED, source.gauss(mean, sigma))
        for no in (MIDDLE, AIR, HUMIDITY):
            case.rows.read(no, 30.0)
    case.run()
    return case


def test_13_quiet_data_wake_nobody_and_noise_hardly() -> None:
    """Given 48 h of quiet data at 10 s (17 280 samples), then 0 wake activations; and with synthetic noise limit = +2
    sigma, n=3, at most 3 activations in total (expected 0.199)."""
    assert noisy(17_280, 0.05, 36.0, 43.0, 600, seed=1).urgent() == []
    case = noisy(17_280, 1.0, 30.0, 32.0, 20, seed=2)
    assert sum(says(event)["event"] == "on" for event in case.of()) <= 3


def test_14_a_three_sigma_fault_is_found_in_its_mean_time() -> None:
    """Given a +3 sigma step, when 10 000 replays run, then mean delay is 32.8 s +/- 1 s at n=3, h=10 s."""
    source, threshold, delays = random.Random(14), Threshold(2.0, True, 20_000, 0, 0.0, 3), []
    for _ in range(10_000):
        level, t_ms = IDLE, 0
        while not level.active:
            level = judge(level, threshold, source.gauss(3, 1), t_ms)
            t_ms += 10_000
        delays.append((t_ms - 10_000) / 1000)
    assert statistics.fmean(delays) == pytest.approx(32.8, abs=1.0)


def broker(case: Case, ok: bool, name: str = "house") -> None:
    case.rows.input("health", what=f"broker:{name}", ok=ok, text="gone")
    case.run()


def test_15_chatter_is_one_message_and_goes_on_being_evaluated() -> None:
    """Given 3 activations of one alarm in 60 s, then it is flagged chattering, its notifications merge into one, and
    its state keeps being evaluated."""
    case = Case()
    case.hold(100)
    for _ in range(10):
        broker(case, False)
        case.hold(10)
        broker(case, True)
        case.hold(10)
    case.hold(1200, every_s=30)
    own = [one for one in case.sent if "broker" in one.send.key]
    keys = Counter(one.send.key.rsplit("#", 1)[1] for one in own)
    assert set(keys) == {"1", "2", "3"}, "from the third on everything is one entry"
    assert [one.send.kind for one in own if one.send.key.endswith("#3")] == ["told", "over"]
    assert sum(says(event)["event"] == "on" for event in case.of("health/broker:house")) == 10


def test_16_a_flood_is_one_combined_message_and_what_wakes_still_passes() -> None:
    """Given >10 alarms in 10 min, then flood mode: one combined message, wake class still passes; flood ends at <5 in
    10 min."""
    case = Case()
    case.hold(100)
    for number in range(20):
        case.hold(25)
        broker(case, False, f"b{number}")
    case.hold(300, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.hold(1500, every_s=30)
    told = [one for one in case.sent if not one.send.urgent]
    eleventh_s = [at_s for number in range(20) for at_s, _, _ in case.moves(f"health/broker:b{number}")][10]
    assert all(one.send.kind == "told" for one in told if one.at_s < eleventh_s)
    folded = [one for one in told if one.at_s >= eleventh_s]
    assert folded[0].send.kind == "flood"
    assert len(folded) <= 3
    assert next(one.send.kind for one in case.urgent()) == "call"
    names = {name for one in case.sent for name in one.send.messages}
    assert {f"/health/broker:b{number}#1.1" for number in range(20)} <= names, "nothing is dropped"


def test_17_one_cause_is_one_waking_message_that_lists_all() -> None:
    """Given one cause (power loss), when 5 dependent alarms follow, then exactly 1 waking message lists all 6,
    first-out first."""
    case = Case(schedule(blind_s=15 * MIN), PHONE, utc_ms=NIGHT_UTC_MS)
    case.hold(600)
    case.rows.input("health", what="broker:house", ok=False, text="gone")
    case.silent(20 * MIN)
    keys = {one.send.key for one in case.urgent()}
    assert len(keys) == 1
    by_no = {event.no: event.key for event in case.events}
    listed = [by_no[no] for no in case.urgent()[-1].send.events]
    assert sorted(listed) == sorted(["blind/bed", "silent/koji-top", "silent/koji-middle", "silent/air",
                                     "silent/humidity"])  # fmt: skip
    assert listed[0] == "blind/bed", "what woke is spoken of first; the others in the order in which they came"
    assert listed[1:] == sorted(listed[1:], key=lambda key: next(e.no for e in case.events if e.key == key))


def test_18_a_whole_batch_stays_within_what_a_sleeper_can_bear() -> None:
    """Given a full 48 h batch, then wakings <= 8 in total, <= 2 per 12 h, nuisance wakings 0, average <= 1 alarm per 10
    min."""
    night = Night(scenarios.nuisances(18), 18, load_schedule(HOME)).run()
    assert night.wakings == []
    alarms = [e for e in night.events if e.kind == "alarm" and says(e)["event"] == "on"]
    slots = (night.events[-1].t_ms - night.events[0].t_ms) / 600_000
    assert len(alarms) / slots <= 1


def test_19_each_alarm_has_cause_consequence_action_and_time_to_respond_or_nothing_is_armed() -> None:
    """Given each configured alarm, when the config loads, then it has cause, consequence, action, time to respond; any
    missing field = refuse to arm."""
    found = load_schedule(HOME)
    keys = [f"limit/{b.place}/{b.quantity}/{side}" for s in found.stages for b in s.bands for side in ("high", "low")]
    keys += [f"expect/{one.name}" for one in found.expectations]
    assert unexplained([*keys, "silent/koji-top", "blind/bed", "box/off", "box/hot"]) == []
    refused = night_check([], 0, 0, ["phone"], [*keys, "noise/fan"])
    assert not refused.passed
    assert "noise/fan" in refused.text


@pytest.mark.parametrize(("quality", "wakes_s"), [(Quality.OUT_OF_KOJI, 500 + 1200), (Quality.STUCK, 100 + 900)])
def test_whoever_answered_that_the_probe_is_out_of_the_koji_gets_the_time_to_put_it_back(
    quality: Quality, wakes_s: float
) -> None:
    """Design: the koji unseen for the stage's time wakes. Whoever has just been told that its only probe lies beside it
    knows that, and is woken only when it does not come back within that time; a probe that is broken gets no grace."""
    case = Case(schedule(blind_s=15 * MIN), PHONE, utc_ms=NIGHT_UTC_MS, probes=(1, 3, 4))
    case.hold(100)

    def lie(to_s: float) -> None:
        while case.at_s < to_s:
            case.rows.at(case.at_s + 10)
            case.rows.read(BED, 30.0, int(quality))
            case.rows.read(AIR, 30.0)
        case.run()

    lie(500)
    assert case.state_of("silent/koji-top") == "UNACK"
    case.do("alarm.acknowledge", key="silent/koji-top", occurrence=1)
    lie(2000)
    ((at_s, _, to),) = case.moves("blind/bed")
    assert to == "UNACK" and abs(at_s - wakes_s) <= 10
    assert (says(case.of("blind/bed")[0])["since_ms"] - case.rows.t0_ms) / 1000 == 100, "it says when it was last seen"
