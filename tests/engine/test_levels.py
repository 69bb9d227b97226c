"""Delays, deadband and samples in a row on one limit."""

from __future__ import annotations

import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.alarms.levels import IDLE, LevelState, Threshold, judge
from kojimon.engine import advance, initial_state
from kojimon.model import Priority
from kojimon.schedule.spec import After, Band, Limit, Schedule, Stage, Step
from tests.engine.build import BED, Rows, alarms, site
from tests.parts.inputs import says
from tests.parts.size import size


def activations(values: list[float], threshold: Threshold, step_ms: int = 10_000) -> int:
    level, count = IDLE, 0
    for index, value in enumerate(values):
        after = judge(level, threshold, value, index * step_ms)
        count += after.active and not level.active
        level = after
    return count


def plain(limit: float, deadband: float = 0.0, on_ms: int = 0, off_ms: int = 0, samples: int = 1) -> Threshold:
    return Threshold(limit, True, on_ms, off_ms, deadband, samples)


@pytest.mark.parametrize(("deadband", "wanted"), [(0.0, 5), (0.2, 3), (0.5, 2), (1.0, 1)])
def test_deadband_counts(deadband: float, wanted: int) -> None:
    """Regression: a worked series, counted by hand."""
    series = [34.8, 35.1, 34.9, 35.2, 34.8, 35.0, 35.1, 34.7, 35.3, 34.4, 35.2]
    assert activations(series, plain(35.0, deadband)) == wanted


@pytest.mark.parametrize(("value", "wanted"), [(35.0, True), (34.9375, False), (35.0625, True)])
def test_reaching_the_limit_is_beyond_it(value: float, wanted: bool) -> None:
    """Requirement: value == limit is active; tried at the limit and one step (1/16 K) to either side.

    The including rule is that of WHO/PQS/E006/TR07 (30.0 alarms, 29.9 does not)."""
    assert judge(IDLE, plain(35.0), value, 0).active is wanted
    low = Threshold(35.0, False, 0, 0, 0.0)
    assert judge(IDLE, low, 70.0 - value, 0).active is wanted


def test_spike_one_second_short_of_the_delay_changes_nothing() -> None:
    """Requirement: given a spike of on-delay minus 1 s, when it ends, then no state change."""
    threshold = plain(35.0, on_ms=60_000)
    level = judge(IDLE, threshold, 36.0, 0)
    level = judge(level, threshold, 36.0, 59_000)
    assert not level.active
    assert judge(level, threshold, 34.0, 59_500) == IDLE


def test_active_at_the_first_sample_at_or_after_the_delay() -> None:
    """Requirement: UNACK within one sample period after the delay ends, and never before it."""
    threshold, level = plain(35.0, on_ms=60_000), IDLE
    for t_ms in range(0, 60_000, 7_000):
        level = judge(level, threshold, 36.0, t_ms)
        assert not level.active
    assert judge(level, threshold, 36.0, 63_000).active


def test_clears_only_past_the_deadband_for_the_whole_off_delay() -> None:
    """Requirement: limit 35.0, deadband 0.5: at 34.6 still active; at 34.4 for the off-delay, cleared."""
    threshold = plain(35.0, 0.5, off_ms=60_000)
    level = LevelState(0, 1, True)
    assert judge(level, threshold, 34.6, 10_000).active
    level = judge(level, threshold, 34.4, 20_000)
    assert judge(level, threshold, 34.4, 79_000).active
    assert not judge(level, threshold, 34.4, 80_000).active
    interrupted = judge(level, threshold, 34.6, 50_000)
    assert judge(interrupted, threshold, 34.4, 80_000).active, (
        "a value back inside the deadband starts the off-delay anew"
    )


def test_a_value_found_beyond_after_an_unclean_stop_counts_as_served() -> None:
    threshold = plain(43.0, on_ms=600_000, samples=3)
    assert judge(IDLE, threshold, 43.5, 700_000, served_since_ms=50_000).active
    assert not judge(IDLE, threshold, 43.5, 700_000).active


# --- the mathematics of delay timers, by the real engine on noise ---------------------------------------------------
# n samples in a row, independent Gaussian noise: probability p1 of a sample beyond the limit in the normal state, q2 in
# the faulty one. Activations in N samples N*p1^n*(1-p1); mean delay h*(EN(q2,n)-1), EN(q,n) = (1-q^n)/(q^n(1-q)).
# The Markov-chain treatment is that of Adnan, Izadi, Chen, J. Process Control 21(9) 2011, 1318-1331 (abstract read);
# the closed forms were derived anew, so these are regression checks of the engine against mathematics, not against a
# published table.

STEP_S = 10.0


def noise_site(n: int) -> Schedule:
    limit = Limit(2.0, (n - 1) * STEP_S, Priority.WAKE, off_delay_s=0.0, deadband=0.0, min_samples=n)
    band = Band("bed", "temperature", high=limit)
    return Schedule(
        "home", "n", "n", (Stage("only", "Only", After("inoculate", 0), (band,)),), (Step("inoculate", "I"),)
    )


def run_noise(n: int, values: list[float]) -> list[float]:
    """Seconds after the first sample at which the engine raised the alarm."""
    rows = Rows(site(noise_site(n)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    start_ms = rows.t_ms
    for value in values:
        rows.at((rows.t_ms - rows.t0_ms) / 1000 + STEP_S)
        rows.read(BED, value)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    found = [event for event in outcome.events if event.kind == "alarm" and says(event)["event"] == "on"]
    assert all(event.key == "limit/bed/temperature/high" for event in found if event.key.startswith("limit"))
    return [(event.t_ms - start_ms) / 1000 - STEP_S for event in found if event.key.startswith("limit")]


@pytest.mark.parametrize(("n", "per_48_h"), [(1, 384.18), (2, 8.740), (3, 0.19884)])
def test_false_activations_on_noise(n: int, per_48_h: float) -> None:
    """The judge's count is the law's; the engine raises as often as the judge, here on a part of the noise."""
    source, days = random.Random(20 + n), {1: 1, 2: 20, 3: 100}[n]
    values = [source.gauss(0, 1) for _ in range(17_280 * days)]
    threshold = plain(2.0, on_ms=round((n - 1) * STEP_S * 1000), samples=n)
    count, expected = activations(values, threshold), per_48_h * days
    assert abs(count - expected) <= 4 * expected**0.5, (count, expected)
    part = values[: 17_280 * size(min(days, 8), days)]
    assert len(run_noise(n, part)) == activations(part, threshold) > 0


@pytest.mark.parametrize(("n", "delay_s"), [(1, 1.9), (2, 16.0), (3, 32.8)])
def test_mean_detection_delay_of_a_three_sigma_fault(n: int, delay_s: float) -> None:
    """Requirement: given a +3 sigma step, mean delay 32.8 s +/- 1 s at n = 3 and 10 s samples."""
    source = random.Random(40 + n)
    threshold = Threshold(2.0, True, round((n - 1) * STEP_S * 1000), 0, 0.0, n)
    delays = []
    for _ in range(10_000):
        level, t_ms = IDLE, 0
        while not level.active:
            level = judge(level, threshold, source.gauss(3, 1), t_ms)
            t_ms += 10_000
        delays.append((t_ms - 10_000) / 1000)
    assert statistics.fmean(delays) == pytest.approx(delay_s, abs=1.0)


def test_the_engine_delays_as_the_judge_does() -> None:
    source = random.Random(7)
    delays = []
    for _ in range(300):
        delays.append(run_noise(3, [source.gauss(3, 1) for _ in range(60)])[0])
    assert statistics.fmean(delays) == pytest.approx(32.8, abs=6.0)


def test_two_limits_of_one_side_are_one_alarm() -> None:
    """Requirement: given two limits on one signal, when the outer is active, then exactly one alarm exists."""
    rows = Rows()
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=30.0)
    rows.hold(30 * 60, {BED: 35.0, 3: 30.0})
    rows.hold(60 * 60, {BED: 46.0, 3: 30.0})
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarms(outcome, ["limit/bed/temperature/high"]) == [("limit/bed/temperature/high", "NORM", "UNACK")]
    assert state.alarms["box/limit/bed/temperature/high"].level == "high_high"


@given(
    st.lists(st.sampled_from([33.9, 34.3, 34.5, 34.7, 34.9, 35.0, 35.2, 36.0]), min_size=1, max_size=60),
    st.sampled_from([0.0, 0.3, 0.6]), st.sampled_from([0, 20_000]), st.sampled_from([0, 20_000]), st.integers(1, 3),
)  # fmt: skip
def test_a_low_limit_is_a_high_one_in_the_mirror(
    values: list[float], deadband: float, on_ms: int, off_ms: int, samples: int
) -> None:
    """Reaching, delays, samples in a row and deadband: whatever koji too hot does, koji too cold does upside down."""
    above = Threshold(35.0, True, on_ms, off_ms, deadband, samples)
    below = Threshold(-35.0, False, on_ms, off_ms, deadband, samples)
    hot = cold = IDLE
    for index, value in enumerate(values):
        hot = judge(hot, above, value, index * 10_000)
        cold = judge(cold, below, -value, index * 10_000)
        assert hot == cold


@pytest.mark.parametrize(("value", "active"), [(35.1, True), (35.3, True), (35.4, False), (34.7, True)])
def test_a_low_alarm_ends_above_its_deadband(value: float, active: bool) -> None:
    low = Threshold(35.0, False, 0, 0, 0.3, 1)
    assert judge(judge(IDLE, low, 34.9, 0), low, value, 10_000).active is active


def test_two_readings_around_a_gap_are_not_three_in_a_row() -> None:
    """A delay of a minute has long passed after ten; that it was hot all the time nobody has seen."""
    threshold = plain(35.0, on_ms=60_000, samples=3)
    level = judge(judge(IDLE, threshold, 36.0, 0), threshold, 36.0, 600_000)
    assert not level.active
    assert judge(level, threshold, 36.0, 610_000).active
