"""Points thinned to rows of pixels: of each row the lowest and the highest value stay, so no extreme is lost."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from operator import attrgetter

from kojimon.curve.sheet import Run

Row = tuple[float, float, float]
"""(y, lowest, highest) of one row of pixels."""
_hour = attrgetter("hour")


def rows(run: Run, from_h: float, to_h: float, per_hour_px: float) -> list[Row]:
    """The run's rows of pixels from from_h to to_h.

    Args:
        run: points in order of time.
        per_hour_px: pixels an hour.

    Returns:
        One row for each pixel row with a point in it; y counts from from_h and is that of the row's first point.
    """
    found: list[Row] = []
    last, next_h, y, lowest, highest = -1, -math.inf, 0.0, math.inf, -math.inf
    for hour, low, high in part(run, from_h, to_h):
        if hour >= next_h and int(here := (hour - from_h) * per_hour_px) != last:
            if last >= 0:
                found.append((y, lowest, highest))
            last, y, lowest, highest = int(here), here, low, high
            next_h = from_h + (last + 1) / per_hour_px
            continue
        lowest, highest = low if low < lowest else lowest, high if high > highest else highest
    return [*found, (y, lowest, highest)] if last >= 0 else found


def part(run: Run, from_h: float, to_h: float) -> Run:
    """The run's points from one hour to another, both included."""
    return run[bisect_left(run, from_h, key=_hour) : bisect_right(run, to_h, key=_hour)]


def line(found: Sequence[Row], least: float) -> list[tuple[float, float]]:
    """(y, value) along a line that touches lowest and highest of each row, the nearer to the last point first.

    Args:
        least: lowest and highest nearer than this are one point, their middle never further off than half of it.
    """
    points: list[tuple[float, float]] = []
    for y, low, high in found:
        if high - low <= least:
            points.append((y, (low + high) / 2))
        elif points and abs(points[-1][1] - high) < abs(points[-1][1] - low):
            points += [(y, high), (y, low)]
        else:
            points += [(y, low), (y, high)]
    return points


def extremes(
    runs: Iterable[Run], from_h: float, to_h: float, within: tuple[float, float] = (-math.inf, math.inf)
) -> tuple[float, float] | None:
    """Lowest and highest value from one hour to another; None where there is nothing.

    Args:
        within: readings beyond do not count.
    """
    least, most = within
    shown = [point for run in runs for point in part(run, from_h, to_h)]
    while shown:
        _, lows, highs = zip(*shown, strict=True)
        low, high = min(lows), max(highs)
        if least <= low and high <= most:
            return low, high
        shown = [point for point in shown if least <= point.low and point.high <= most]
    return None
