"""Onset of self-warming and the fastest rise, by hand."""

from array import array

import pytest

from kojimon.review.measure.series import Series
from kojimon.review.measure.warming import RunningMean, fastest_rise, onset_ms

H = 3_600_000
MINUTE = 60_000


def curve(value_at_hour: object, hours: float = 30.0, skip: tuple[float, float] = (99.0, 99.0)) -> Series:
    """A reading a minute."""
    assert callable(value_at_hour)
    minutes = [m for m in range(round(hours * 60)) if not skip[0] <= m / 60 < skip[1]]
    values = array("d", [value_at_hour(m / 60) for m in minutes])
    return Series("k", "bed", "", "temperature", array("q", [m * MINUTE for m in minutes]), values, 3 * MINUTE)


def flat(value: float) -> Series:
    return curve(lambda _: value)


def test_34_degrees_held_for_ten_minutes() -> None:
    bed = curve(lambda hour: 30.0 if hour < 12 else 34.0)
    assert onset_ms(bed, None, 0, 30 * H) == 12 * H


def test_nine_minutes_are_not_enough() -> None:
    bed = curve(lambda hour: 34.0 if 12 <= hour < 12.15 else 30.0)
    assert onset_ms(bed, None, 0, 30 * H) is None


def test_hour_8_is_the_first_that_counts() -> None:
    assert onset_ms(flat(36.0), None, 0, 30 * H) == 8 * H


def test_three_degrees_above_the_air() -> None:
    bed = curve(lambda hour: 31.0 if hour < 14 else 33.1)
    assert onset_ms(bed, flat(30.0), 0, 30 * H) == 14 * H
    assert onset_ms(bed, flat(30.2), 0, 30 * H) is None


def test_a_lifted_lid_is_no_warming() -> None:
    """The air falls by 8 °C for fifteen minutes: its mean of an hour falls by 2 °C only."""
    air = curve(lambda hour: 22.0 if 15 <= hour < 15.25 else 30.0)
    assert onset_ms(flat(30.8), air, 0, 30 * H) is None


def test_a_gap_begins_the_ten_minutes_anew() -> None:
    bed = curve(lambda hour: 30.0 if hour < 12 else 34.0, skip=(12.1, 12.5))
    assert onset_ms(bed, None, 0, 30 * H) == 12.5 * H


def test_the_running_mean_is_that_of_its_hour() -> None:
    one = RunningMean(curve(lambda hour: hour), H)
    assert one.at(10 * H) == pytest.approx(9.5)
    assert one.at(20 * H) == pytest.approx(19.5)
    assert RunningMean(flat(5.0), H).at(-1.0) is None


def test_the_fastest_half_hour() -> None:
    """1 K/h, but 3 K/h from hour 20 to 21."""
    bed = curve(lambda hour: 30 + hour + 2 * min(max(hour - 20, 0), 1), hours=26)
    rise = fastest_rise(bed, 0, 26 * H)
    assert rise is not None
    assert rise.k_per_h == pytest.approx(3.0)
    assert rise.t_ms == pytest.approx(20.5 * H, abs=MINUTE)


def test_work_in_the_koji_hides_the_rise_it_makes() -> None:
    """A probe put back into the warm middle at hour 10 jumps by 5 °C; that is no rise of the koji."""
    bed = curve(lambda hour: 30 + hour / 10 + (5 if hour >= 10 else 0), hours=26)
    jump, without = fastest_rise(bed, 0, 26 * H), fastest_rise(bed, 0, 26 * H, [10 * H - 1])
    assert jump is not None and without is not None
    assert jump.k_per_h == pytest.approx(10.1, abs=0.2)
    assert without.k_per_h == pytest.approx(0.1)


def test_no_rise_across_a_gap() -> None:
    bed = curve(lambda hour: 30.0 if hour < 10 else 35.0, hours=12, skip=(10.0, 10.2))
    rise = fastest_rise(bed, 0, 12 * H)
    assert rise is not None and rise.k_per_h == 0.0


def test_the_probe_put_back_a_while_after_the_work_is_no_rise() -> None:
    """Mixed at hour 10, the probe back in the warm middle twelve minutes later."""
    bed = curve(lambda hour: 30 + hour / 10 + (5 if hour >= 10.2 else 0), hours=26)
    rise = fastest_rise(bed, 0, 26 * H, [10.0 * H])
    assert rise is not None and rise.k_per_h == pytest.approx(0.1)
