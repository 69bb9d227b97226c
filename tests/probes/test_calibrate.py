"""Corrections from calibration points."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.correction import correction


def corrected(points: tuple[tuple[float, float], ...], raw: float) -> float:
    function = correction(points)
    assert function is not None
    return function(raw)


def test_no_points_no_correction() -> None:
    assert correction(()) is None


def test_one_point_is_an_offset() -> None:
    assert corrected(((0.4, 0.0),), 30.0) == pytest.approx(29.6, abs=1e-12)


def test_two_points_as_an_open_sensor_firmwares_manual_has_them() -> None:
    # Linear calibration in the sensor filters manual of an open sensor firmware: 0.0 -> 1.0, 10.0 -> 12.1.
    assert corrected(((0.0, 1.0), (10.0, 12.1)), 5.0) == pytest.approx(6.55, abs=1e-9)


@pytest.mark.parametrize(("raw", "true"), [(30.0, 29.543), (40.0, 39.524)])
def test_ice_and_boiling_point_at_500_m_stay_as_computed(raw: float, true: float) -> None:
    # Regression check (arithmetic): ice read 0.4, boiling water read 98.9 where it boils at 98.31 °C.
    assert corrected(((98.9, 98.31), (0.4, 0.0)), raw) == pytest.approx(true, abs=5e-4)


def test_a_table_goes_through_its_points_and_keeps_the_outer_corrections() -> None:
    points = ((10.0, 10.5), (20.0, 20.1), (40.0, 40.3))
    assert [corrected(points, raw) for raw, _ in points] == pytest.approx([10.5, 20.1, 40.3])
    assert corrected(points, 15.0) == pytest.approx(15.3)
    assert corrected(points, 0.0) == pytest.approx(0.5)
    assert corrected(points, 90.0) == pytest.approx(90.3)


@pytest.mark.parametrize(
    ("points", "what"),
    [
        (((30.0, 31.0), (30.0, 31.0)), "points with different readings"),
        (((0.0, 0.0), (98.0, 9.8)), "slope of 0.10"),
        (((0.0, 98.0), (98.0, 0.0)), "slope of -1.00"),
        (((float("nan"), 0.0),), "two finite numbers"),
        (((0.0, float("inf")),), "two finite numbers"),
        (tuple((float(i), float(i)) for i in range(65)), "64 at most"),
    ],
)
def test_points_that_make_no_sense_are_refused_in_words(points: tuple[tuple[float, float], ...], what: str) -> None:
    with pytest.raises(ValueError, match=what):
        correction(points)


@pytest.mark.parametrize(
    ("points", "quantity", "what"),
    [
        (((4.0, 40.0),), "temperature", r"off by 36 C \(64.8 F\); expected 5 C \(9 F\) at most"),
        (((36.0, 36.1), (36.5, 36.65)), "temperature", r"only 0.5 C \(0.9 F\) apart; expected 10 C"),
        (((30.0, 30.0), (35.0, 35.5), (39.9, 40.0)), "temperature", "apart"),
        (((0.0, 5.2),), "temperature", "off by 5.2 C"),
        (((60.0, 76.0),), "humidity", "off by 16 %; expected 15 % at most"),
        (((75.0, 75.5), (80.0, 81.0)), "humidity", "only 5 % apart; expected 10 %"),
    ],
)
def test_what_no_probe_needs_is_refused(points: tuple[tuple[float, float], ...], quantity: str, what: str) -> None:
    assert correction(points) is not None, "an old journal may hold it"
    with pytest.raises(ValueError, match=what):
        correction(points, quantity)


def test_ice_and_salts_at_their_furthest_are_let_in() -> None:
    for points in (((5.0, 0.0),), ((0.4, 0.0), (37.3, 37.0)), ((30.0, 31.0), (40.0, 41.5))):
        assert correction(points, "temperature") is not None
    assert correction(((73.6, 83.6), (85.0, 97.0)), "humidity") is not None


@pytest.mark.parametrize(
    ("points", "raw", "true"),
    # Ten degrees apart, 1 K and 2 K off: the line goes on for 5 K, then its correction stays.
    [(((20.0, 21.0), (30.0, 32.0)), raw, true) for raw, true in ((25.0, 26.5), (35.0, 37.5), (45.0, 47.5), (5.0, 5.5))],
)
def test_a_line_ends_half_its_length_beyond_its_points(
    points: tuple[tuple[float, float], ...], raw: float, true: float
) -> None:
    assert corrected(points, raw) == pytest.approx(true)


@given(
    st.floats(-5, 5),
    st.lists(st.floats(0.81, 1.19), min_size=1, max_size=8),
    st.floats(-20, 120),
    st.floats(0.001, 20),
)
def test_a_correction_never_turns_warmer_into_colder(
    start: float, slopes: list[float], raw: float, more: float
) -> None:
    points = [(0.0, start)]
    for slope in slopes:
        points.append((points[-1][0] + 10.0, points[-1][1] + 10.0 * slope))
    function = correction(tuple(points))
    assert function is not None
    assert function(raw) < function(raw + more)
