"""From a raw value to a true one: offset, line or table of points.

One point is an offset, two are a line through both, three and more a table with straight lines between. Outside its
points a table keeps the correction of the nearest one: a slope measured between two points says nothing far beyond.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from itertools import pairwise
from math import isfinite
from typing import Final

SLOPE_LOW: Final = 0.8
SLOPE_HIGH: Final = 1.2
"""Slopes outside are refused as a mistake in the points (judgement: no working probe is off by a fifth)."""
POINTS_LIMIT: Final = 64

Points = tuple[tuple[float, float], ...]
Correction = Callable[[float], float]


def correction(points: Points) -> Correction | None:
    """Builds the correction that calibration points (raw, true) ask for.

    Args:
        points: pairs in °C or %, in any order; none means no correction.

    Returns:
        a function from raw to true value, or None where there is nothing to correct.

    Raises:
        ValueError: in words a person can act on: values that are no numbers, equal raw values, a slope outside
            0.8 to 1.2, too many points.
    """
    if not points:
        return None
    pairs = sorted((float(raw), float(true)) for raw, true in points)
    _check(pairs)
    if len(pairs) == 1:
        offset = pairs[0][1] - pairs[0][0]
        return lambda raw: raw + offset
    if len(pairs) == 2:
        return _line(*pairs)
    return _table(pairs)


def _check(pairs: list[tuple[float, float]]) -> None:
    if len(pairs) > POINTS_LIMIT:
        raise ValueError(f"{len(pairs)} calibration points: {POINTS_LIMIT} at most are wanted")
    for raw, true in pairs:
        if not (isfinite(raw) and isfinite(true)):
            raise ValueError(f"calibration point {raw} -> {true}: two finite numbers are wanted")
    for (raw1, true1), (raw2, true2) in pairwise(pairs):
        if raw2 - raw1 < 1e-9:
            raise ValueError(f"two calibration points read {raw1:g}: points with different readings are wanted")
        slope = (true2 - true1) / (raw2 - raw1)
        if not SLOPE_LOW <= slope <= SLOPE_HIGH:
            raise ValueError(
                f"calibration points {raw1:g} -> {true1:g} and {raw2:g} -> {true2:g} give a slope of {slope:.3f}:"
                f" {SLOPE_LOW} to {SLOPE_HIGH} is wanted; measure both points again"
            )


def _line(first: tuple[float, float], second: tuple[float, float]) -> Correction:
    slope = (second[1] - first[1]) / (second[0] - first[0])
    offset = first[1] - slope * first[0]
    return lambda raw: slope * raw + offset


def _table(pairs: list[tuple[float, float]]) -> Correction:
    raws = [raw for raw, _ in pairs]
    trues = [true for _, true in pairs]
    low_offset, high_offset = trues[0] - raws[0], trues[-1] - raws[-1]

    def correct(raw: float) -> float:
        if raw <= raws[0]:
            return raw + low_offset
        if raw >= raws[-1]:
            return raw + high_offset
        right = bisect_right(raws, raw)
        share = (raw - raws[right - 1]) / (raws[right] - raws[right - 1])
        return trues[right - 1] + share * (trues[right] - trues[right - 1])

    return correct
