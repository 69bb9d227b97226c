"""The published tests of a measured series, as their authors state them.

Flags are those of the IOOS QARTOD manuals: 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing. The tests work on
recorded series (curves, reviews, and as the measure for `judge`, which must decide on each reading as it comes).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from enum import IntEnum
from itertools import pairwise
from math import isfinite
from statistics import median
from typing import Final, NamedTuple

MAD_TO_SIGMA: Final = 1.4826
"""Median absolute deviation times this estimates the standard deviation of normal noise, 1/Phi^-1(3/4)."""


class Flag(IntEnum):
    """QARTOD flags (IOOS, Manual for Real-Time Quality Control of In-Situ Temperature and Salinity Data)."""

    GOOD = 1
    UNKNOWN = 2
    SUSPECT = 3
    BAD = 4
    MISSING = 9


class Span(NamedTuple):
    """An inclusive span of values."""

    low: float
    high: float


def _missing(value: float | None) -> bool:
    return value is None or not isfinite(value)


def gross_range(values: Sequence[float | None], bad: Span, suspect: Span | None = None) -> list[Flag]:
    """Gross range test: outside the sensor's span is bad, outside the narrower one suspect."""

    def judge(value: float | None) -> Flag:
        if value is None or not isfinite(value):
            return Flag.MISSING
        if not bad.low <= value <= bad.high:
            return Flag.BAD
        return Flag.GOOD if suspect is None or suspect.low <= value <= suspect.high else Flag.SUSPECT

    return [judge(value) for value in values]


def spike(values: Sequence[float | None], suspect: float, bad: float) -> list[Flag]:
    """Spike test: how far a value is from the mean of its two neighbours.

    The first and the last value have one neighbour only and are not evaluated, nor is one beside a missing value.
    """
    flags = [Flag.UNKNOWN] * len(values)
    for at, value in enumerate(values):
        if _missing(value):
            flags[at] = Flag.MISSING
            continue
        around = [values[at - 1], values[at + 1]] if 0 < at < len(values) - 1 else [None]
        if any(_missing(one) for one in around):
            continue
        before, after = around
        distance = abs(float(value or 0.0) - (float(before or 0.0) + float(after or 0.0)) / 2)
        flags[at] = Flag.BAD if distance > bad else Flag.SUSPECT if distance > suspect else Flag.GOOD
    return flags


def rate_of_change(times_s: Sequence[float], values: Sequence[float | None], per_s: float) -> list[Flag]:
    """Rate of change test: faster than `per_s` from the value just before is suspect. A gap judges nothing."""
    flags: list[Flag] = []
    before: tuple[float, float] | None = None
    for at_s, value in zip(times_s, values, strict=True):
        if value is None or not isfinite(value):
            flags.append(Flag.MISSING)
            before = None
            continue
        fast = before is not None and abs(value - before[1]) > per_s * (at_s - before[0])
        flags.append(Flag.SUSPECT if fast else Flag.GOOD)
        before = (at_s, value)
    return flags


class FlatLine:
    """Flat line test as a stream: how long the values have stayed within a tolerance.

    A run of values flat for `threshold` is one in which all of the last floor(threshold / interval) + 1 values lie
    within less than the tolerance of each other; a tolerance of 0 therefore never fires.

    Args:
        tolerance: width in which values count as unchanged.
    """

    def __init__(self, tolerance: float) -> None:
        self._tolerance = tolerance
        self._high: deque[tuple[float, float]] = deque()
        self._low: deque[tuple[float, float]] = deque()
        self._times: deque[float] = deque()

    def step(self, at_s: float, value: float) -> float:
        """Takes a value; returns since when (s) all values have been within the tolerance."""
        self._times.append(at_s)
        for line, sign in ((self._high, 1.0), (self._low, -1.0)):
            while line and sign * line[-1][1] <= sign * value:
                line.pop()
            line.append((at_s, value))
        while self._high[0][1] - self._low[0][1] >= self._tolerance and len(self._times) > 1:
            gone = self._times.popleft()
            for line in (self._high, self._low):
                if line[0][0] <= gone:
                    line.popleft()
        return self._times[0]


def flat_line(
    times_s: Sequence[float], values: Sequence[float], suspect_s: float, bad_s: float, tolerance: float
) -> list[Flag]:
    """Flat line test over a series without gaps, at a steady interval."""
    if len(times_s) < 2 or tolerance <= 0:
        return [Flag.GOOD] * len(times_s)
    stream, interval_s = FlatLine(tolerance), median(b - a for a, b in pairwise(times_s))
    flags = []
    for at_s, value in zip(times_s, values, strict=True):
        run_s = at_s - stream.step(at_s, value)
        if run_s >= bad_s // interval_s * interval_s:
            flags.append(Flag.BAD)
        elif run_s >= suspect_s // interval_s * interval_s:
            flags.append(Flag.SUSPECT)
        else:
            flags.append(Flag.GOOD)
    return flags


class Outlier(NamedTuple):
    """One value of a Hampel filter."""

    median: float
    sigma: float
    flagged: bool


def hampel(values: Sequence[float], k: int = 3, sigmas: float = 3.0, floor: float = 0.0) -> list[Outlier]:
    """Hampel filter: a value further than `sigmas` robust standard deviations from the median around it.

    Windows are 2 k + 1 values, shortened at both ends (as in MathWorks' `hampel`).

    Args:
        floor: least standard deviation, for instance the probe's resolution: a quantised series often has a median
            absolute deviation of 0, and each single step would be an outlier.
    """
    found = []
    for at, value in enumerate(values):
        window = values[max(0, at - k) : at + k + 1]
        middle = median(window)
        sigma = max(floor, MAD_TO_SIGMA * median(abs(one - middle) for one in window))
        found.append(Outlier(middle, sigma, abs(value - middle) > sigmas * sigma))
    return found
