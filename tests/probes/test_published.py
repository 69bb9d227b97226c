"""The published tests against their published vectors and against the reference library."""

import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.probes.published import Flag, Span, flat_line, gross_range, hampel, rate_of_change, spike

QUARTER_H = 900.0


def times(count: int, step_s: float = QUARTER_H) -> list[float]:
    return [step_s * at for at in range(count)]


def reference() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from ioos_qc import qartod
    return qartod


# Vectors of ioos_qc (commit 9c1853a, tests/test_qartod.py), which implements the QARTOD manuals of IOOS.


def test_spike_vector() -> None:
    assert spike([10, 12, 999.99, 13, 15, 40, 9, 9], 25, 50) == [2, 4, 4, 4, 1, 3, 1, 2]


def test_spike_vector_with_a_missing_value() -> None:
    values = [3, 4.99, 5, 6, 8, 6, 6, 6.75, 6, 6, 5.3, 6, 6, 9, 5, None, 4, 4]
    assert spike(values, 0.5, 1) == [2, 3, 1, 1, 4, 3, 1, 3, 1, 1, 3, 1, 4, 4, 2, 9, 2, 2]


def test_flat_line_vector() -> None:
    values = [1, 2, 2.0001, 2, 2.0001, 2, 2.0001, 2, 4, 5, 3, 3.0001, 3.0005, 3.00001]
    flags = flat_line(times(len(values)), values, 3000, 4800, 0.01)
    assert flags == [1, 1, 1, 1, 3, 3, 4, 4, 1, 1, 1, 1, 1, 3]


@pytest.mark.parametrize(
    ("values", "flags"),
    [
        (
            [2, 10, 2.1, 3, 4, 5, 7, 10, 0, 2, 2.2, 2, 1, 2, 3, 90, 91, 92, 93, 1, 2, 3, 4, 5],
            [1, 3, 3, 1, 1, 1, 1, 1, 3, 1, 1, 1, 1, 1, 1, 3, 1, 1, 1, 3, 1, 1, 1, 1],
        ),
        ([2, 10, 2, 3, None, None, 7, 10], [1, 3, 3, 1, 9, 9, 1, 1]),
        ([-2, -10, -2, -3], [1, 3, 3, 1]),
    ],
)
def test_rate_of_change_vectors(values: list[float | None], flags: list[int]) -> None:
    assert rate_of_change(times(len(values)), values, 5 / QUARTER_H) == flags


# Own temperature examples, whose flags came from the same library (regression checks).


def test_temperature_examples() -> None:
    series = [30.1, 30.1, 30.2, 30.1, 34.9, 30.2, 30.1, 42.0, 30.2, 30.1]
    assert spike(series, 3, 8) == [2, 1, 1, 1, 3, 1, 3, 4, 3, 2]
    values = [-127, 85, 127.9375, 0, 30, 55, None, 60.1]
    assert gross_range(values, Span(-40, 80), Span(10, 50)) == [4, 4, 4, 3, 1, 3, 9, 3]
    flat = [30.0, *[30.1] * 6, 30.2]
    assert flat_line(times(8, 60), flat, 180, 300, 0.05) == [1, 1, 1, 1, 3, 3, 4, 1]
    assert flat_line(times(8, 60), [5.0] * 8, 180, 300, 0.0) == [1] * 8
    assert rate_of_change(times(5, 60), [30.0, 30.1, 30.5, 30.6, 29.0], 0.3 / 60) == [1, 1, 3, 1, 3]


VALUES = st.lists(st.integers(0, 40).map(lambda tenth: 30 + tenth / 8), min_size=6, max_size=40)
"""Eighths: differences are exact, so that both implementations see the same side of every threshold."""


def flags_of(result: Any) -> list[int]:
    return [int(flag) for flag in np.asarray(result.filled(9) if hasattr(result, "filled") else result)]


@settings(max_examples=60, deadline=None)
@given(VALUES)
def test_against_ioos_qc(values: list[float]) -> None:
    qartod = reference()
    stamps = np.datetime64("2020-01-01T00:00:00") + (np.arange(len(values)) * 60).astype("timedelta64[s]")
    array = np.array(values)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs: dict[str, Sequence[int]] = {
            "spike": flags_of(qartod.spike_test(array, suspect_threshold=0.6, fail_threshold=1.3)),
            "rate": flags_of(qartod.rate_of_change_test(array, stamps, threshold=0.7 / 60)),
            "flat": flags_of(
                qartod.flat_line_test(array, stamps, suspect_threshold=200, fail_threshold=310, tolerance=0.3)
            ),
            "range": flags_of(qartod.gross_range_test(array, fail_span=(31, 34), suspect_span=(32, 33))),
        }
    step = times(len(values), 60.0)
    assert spike(values, 0.6, 1.3) == theirs["spike"]
    assert rate_of_change(step, values, 0.7 / 60) == theirs["rate"]
    assert flat_line(step, values, 200, 310, 0.3) == theirs["flat"]
    assert gross_range(values, Span(31, 34), Span(32, 33)) == theirs["range"]


def test_hampel_as_published() -> None:
    # Window shortened at the ends and S = 1.4826 MAD as MathWorks' hampel; the figures are computed by that rule.
    found = hampel([30.0, 30.1, 30.0, 30.2, 35.0, 30.1, 30.2, 30.1, 30.3])
    assert [one.flagged for one in found] == [False] * 4 + [True] + [False] * 4
    assert found[4].median == 30.1
    assert [one.median for one in found] == pytest.approx([30.05, 30.1, 30.1, 30.1, 30.1, 30.2, 30.2, 30.2, 30.15])
    sigmas = [0.07413, *[0.14826] * 7, 0.07413]
    assert [one.sigma for one in found] == pytest.approx(sigmas, abs=1e-5)


def test_hampel_on_a_quantised_series_needs_a_floor() -> None:
    series = [30.0] * 4 + [30.1] + [30.0] * 4
    assert [one.flagged for one in hampel(series)].count(True) == 1
    assert not any(one.flagged for one in hampel(series, floor=0.0625))


def test_flags_are_numbered_as_published() -> None:
    assert [flag.value for flag in Flag] == [1, 2, 3, 4, 9]
