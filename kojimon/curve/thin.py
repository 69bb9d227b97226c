"""Points thinned to rows of pixels: of each row the lowest and the highest value stay, so no extreme is lost."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from kojimon.curve.sheet import Run

Row = tuple[float, float, float]
"""(y, lowest, highest) of one row of pixels."""


def rows(run: Run, from_h: float, to_h: float, per_hour_px: float) -> list[Row]:
    """The run's rows of pixels from from_h to to_h.

    Args:
        run: points in order of time.
        per_hour_px: pixels an hour.

    Returns:
        One row for each pixel row with a point in it; y counts from from_h and is that of the row's first point.
    """
    found: list[Row] = []
    last = None
    for point in run:
        if not from_h <= point.hour <= to_h:
            continue
        y = (point.hour - from_h) * per_hour_px
        if last is not None and int(y) == last:
            top, low, high = found[-1]
            found[-1] = (top, min(low, point.low), max(high, point.high))
        else:
            found.append((y, point.low, point.high))
            last = int(y)
    return found


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
    known = (point for run in runs for point in run if from_h <= point.hour <= to_h)
    shown = [point for point in known if least <= point.low and point.high <= most]
    if not shown:
        return None
    return min(point.low for point in shown), max(point.high for point in shown)
