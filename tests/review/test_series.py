"""What is counted of a curve: small cases by hand, and any curve against sums over a fine grid."""

from array import array

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.review.measure.hours import Hours
from kojimon.review.measure.series import (
    Line,
    Series,
    beyond,
    extreme,
    gap_of,
    gaps,
    known_ms,
    mean,
    reached_ms,
    value_at,
)

H = 3_600_000


def series(points: list[tuple[float, float]], gap_h: float = 1.5) -> Series:
    """Hours and values."""
    times, values = array("q", [round(h * H) for h, _ in points]), array("d", [v for _, v in points])
    return Series("k", "bed", "top", "temperature", times, values, round(gap_h * H))


def test_a_rise_through_a_limit() -> None:
    """From 40 to 44 °C in 2 h: 1 h above 42 °C, on average 1 °C above: 1 °C·h."""
    found = beyond(series([(0, 40), (1, 42), (2, 44)]), Line(0, 2 * H, 42, 42))
    assert (found.ms / H, found.area / H) == pytest.approx((1.0, 1.0))


def test_a_tent_over_a_limit() -> None:
    """40, 44, 40 °C within 2 h: an hour above 42 °C, a triangle of base 1 h and height 2 °C: 1 °C·h."""
    found = beyond(series([(0, 40), (1, 44), (2, 40)]), Line(0, 2 * H, 42, 42))
    assert (found.ms / H, found.area / H) == pytest.approx((1.0, 1.0))


def test_below_is_the_mirror() -> None:
    """30, 22, 30 °C: under 26 °C for half of 2 h, a triangle of 1 h and 4 °C: 2 °C·h."""
    found = beyond(series([(0, 30), (1, 22), (2, 30)]), Line(0, 2 * H, 26, 26), above=False)
    assert (found.ms / H, found.area / H) == pytest.approx((1.0, 2.0))


def test_a_limit_that_ramps() -> None:
    """The bed stays at 41 °C while the limit goes from 40 to 44 °C in 4 h: above it for the first hour, 0.5 °C·h."""
    found = beyond(series([(h, 41) for h in range(5)]), Line(0, 4 * H, 40, 44))
    assert (found.ms / H, found.area / H) == pytest.approx((1.0, 0.5))


def test_at_the_limit_is_not_beyond_it() -> None:
    assert beyond(series([(0, 42), (1, 42)]), Line(0, H, 42, 42)) == (0.0, 0.0)


def test_nothing_is_counted_across_a_gap() -> None:
    """45 °C at hour 1 and at hour 5: the four hours between are not known to be hot."""
    one = series([(0, 45), (1, 45), (5, 45), (6, 45)])
    assert known_ms(one, 0, 6 * H) == 2 * H
    assert beyond(one, Line(0, 6 * H, 42, 42)).ms == 2 * H
    assert mean(one, 0, 6 * H) == 45
    assert value_at(one, 3 * H) is None
    assert gaps(one, 0, 8 * H) == [(1 * H, 5 * H), (6 * H, 8 * H)]


def test_a_stretch_cuts_a_piece() -> None:
    """One piece from 40 to 44 °C in 4 h; of its second half all is above 42 °C, 1 °C on average: 2 h, 2 °C·h."""
    found = beyond(series([(0, 40), (4, 44)], gap_h=5), Line(2 * H, 4 * H, 42, 42))
    assert (found.ms / H, found.area / H) == pytest.approx((2.0, 2.0))


def test_when_a_value_is_reached() -> None:
    one = series([(0, 30), (1, 34), (2, 36), (3, 33)])
    assert reached_ms(one, 35, 0, 3 * H) == 1.5 * H
    assert reached_ms(one, 30, 0, 3 * H) == 0
    assert reached_ms(one, 36, 0, 3 * H) == 2 * H
    assert reached_ms(one, 36.1, 0, 3 * H) is None
    assert reached_ms(series([(0, 30), (9, 40)]), 40, 0, 9 * H) == 9 * H


def test_extremes_are_the_first_of_equals() -> None:
    one = series([(0, 30), (1, 38), (2, 38), (3, 29)])
    assert extreme(one, 0, 3 * H) == (38, 1 * H)
    assert extreme(one, 0, 3 * H, highest=False) == (29, 3 * H)
    assert extreme(one, 4 * H, 5 * H) is None


def test_the_gap_is_three_intervals_and_at_least_90_s() -> None:
    assert gap_of(array("q", range(0, 100_000, 10_000))) == 90_000
    assert gap_of(array("q", range(0, 10_000_000, 60_000))) == 180_000
    assert gap_of(array("q", [5])) == 90_000


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 400), st.floats(20, 50)), min_size=2, max_size=30),
    st.floats(25, 45),
    st.floats(25, 45),
    st.booleans(),
)
def test_any_curve_against_a_fine_grid(steps: list[tuple[int, float]], begin: float, end: float, above: bool) -> None:
    """Straight lines sampled every 0.05 s by numpy; gaps masked."""
    times = np.cumsum([step for step, _ in steps]).astype(float)
    values = np.array([value for _, value in steps])
    gap_s = 250
    one = Series("k", "bed", "", "temperature", array("q", (times * 1000).astype(int).tolist()),
                 array("d", values.tolist()), gap_s * 1000)  # fmt: skip
    grid = np.arange(times[0], times[-1], 0.05) + 0.025
    inside = np.interp(grid, times, values)
    piece = np.clip(np.searchsorted(times, grid, side="right"), 1, len(times) - 1)
    known = np.diff(times)[piece - 1] <= gap_s
    limit = begin + (end - begin) * (grid - times[0]) / (times[-1] - times[0])
    over = (inside - limit if above else limit - inside)[known]
    found = beyond(one, Line(times[0] * 1000, times[-1] * 1000, begin, end), above)
    assert found.ms / 1000 == pytest.approx(np.count_nonzero(over > 1e-9) * 0.05, abs=0.2 + 0.06 * len(steps))
    assert found.area / 1000 == pytest.approx(np.maximum(over, 0).sum() * 0.05, abs=0.5, rel=2e-3)
    assert known_ms(one, times[0] * 1000, times[-1] * 1000) / 1000 == pytest.approx(known.sum() * 0.05, abs=0.5)


def test_hours_across_a_gap_that_was_longer_than_believed() -> None:
    """A power cut at hour 10 was taken for an hour and was three: what came after it happened two hours later. Seen
    from an hour 0 behind the gap, what came before it lies two hours further back."""
    gap = [(10 * H, 2 * H)]
    before, after = Hours(0, gap), Hours(12 * H, gap)
    assert [before.hour(hour * H) for hour in (5, 9, 10, 20)] == [5.0, 9.0, 12.0, 22.0]
    assert [after.hour(hour * H) for hour in (5, 9, 10, 20)] == [-9.0, -5.0, -2.0, 8.0]


def test_a_mean_is_one_of_the_time_and_of_both_ends_of_a_rise() -> None:
    """30 to 40 °C in an hour, then 40 °C for a quarter: (35 + 40 / 4) / 1.25 = 36 °C, however many readings."""
    assert mean(series([(0, 30), (1, 40), (1.05, 40), (1.1, 40), (1.25, 40)]), 0, 2 * H) == pytest.approx(36.0)
