"""Minutes kept packed are the minutes: a list and the packed form do the same."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from statistics import median as exact

import pytest
from hypothesis import given
from hypothesis import strategies as some

from kojimon.review.measure.minutes import MINUTE_MS, Minute, Packed, joined, read_minutes
from kojimon.units import median
from tests.review.kitchen import Kitchen

MINUTES = some.lists(
    some.builds(Minute, some.integers(0, 2**45), some.integers(0, 2**45), some.floats(-40, 99), some.floats(-40, 99),
                some.integers(1, 600))
)  # fmt: skip


@given(MINUTES, some.integers(-9, 9), some.integers(-9, 9))
def test_packed_minutes_are_a_list_of_minutes(minutes: list[Minute], first: int, end: int) -> None:
    packed = Packed()
    packed.extend(minutes)
    assert list(packed) == minutes and len(packed) == len(minutes) and packed[first:end] == minutes[first:end]
    packed.insert(1, Minute(1, 2, 3.0, 4.0, 5))
    minutes.insert(1, Minute(1, 2, 3.0, 4.0, 5))
    assert list(packed) == minutes and packed[-1] == minutes[-1]
    del packed[0], minutes[0]
    assert list(packed) == minutes
    with pytest.raises(IndexError):
        packed[len(minutes)]


@given(some.lists(some.tuples(some.integers(0, 600), some.floats(0, 50)), max_size=40))
def test_what_comes_later_is_joined_alike(readings: list[tuple[int, float]]) -> None:
    found, packed = list[Minute](), Packed()
    for second, value in sorted(readings):
        one = Minute(second * 1000, second * 1000, value, value, 1)
        joined(found, (one,))
        joined(packed, (one,))
    assert list(packed) == found
    assert len({one.first_ms // MINUTE_MS for one in found}) == len(found)


@given(some.lists(some.floats(-1e6, 1e6), min_size=1))
def test_the_middle_is_that_of_the_standard_library(values: list[float]) -> None:
    assert median(values) == exact(values)


def test_a_doubted_reading_is_not_drawn(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path)
    for minute in range(3):
        kitchen.read(minute / 60, "bed", 31.0).read((minute + 0.5) / 60, "bed", 85.0, 4)
    with closing(kitchen.write()):
        (found,) = read_minutes(kitchen.path, 0, 100).values()
    assert [(one.low, one.high, one.readings) for one in found] == [(31.0, 31.0, 1)] * 3
