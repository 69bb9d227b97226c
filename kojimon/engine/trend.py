"""How fast a probe's value moves, from its trace of one value every two minutes."""

from __future__ import annotations

import math

from msgspec import Struct

TRACE_EVERY_MS = 120_000
TRACE_LENGTH = 16
"""Half an hour: with 0.1 K of noise a slope over 30 min is good to about 0.1 K/h, one over 10 min only to 0.4 K/h
(standard error of a least-squares slope, sigma/dt * sqrt(12/(N(N^2-1))))."""


class Slope(Struct, frozen=True):
    """A fitted line: units an hour, the standard error of that, and the fitted value at the last point."""

    per_h: float
    error_per_h: float
    fitted: float


def slope_of(trace: tuple[tuple[int, float], ...], since_ms: int = -1) -> Slope | None:
    """Least-squares line through a trace.

    Args:
        trace: (engine ms, value) in order.
        since_ms: points before are left out.

    Returns:
        The line with the standard error of its slope from the residuals, s/sqrt(sum((t-mean)^2)), s^2 = sum of squared
        residuals/(N-2) (ordinary least squares); None with fewer than four points.
    """
    points = [(t_ms / 3_600_000, value) for t_ms, value in trace if t_ms >= since_ms]
    count = len(points)
    if count < 4:
        return None
    mean_t = math.fsum(t for t, _ in points) / count
    mean_v = math.fsum(value for _, value in points) / count
    spread = math.fsum((t - mean_t) ** 2 for t, _ in points)
    if spread == 0:
        return None
    per_h = math.fsum((t - mean_t) * (value - mean_v) for t, value in points) / spread
    residual = math.fsum((value - mean_v - per_h * (t - mean_t)) ** 2 for t, value in points)
    error = math.sqrt(residual / (count - 2) / spread)
    return Slope(per_h, error, mean_v + per_h * (points[-1][0] - mean_t))


def rate_per_h(trace: tuple[tuple[int, float], ...]) -> float | None:
    """Least-squares slope of a trace in units an hour; None with fewer than four points."""
    slope = slope_of(trace)
    return None if slope is None else round(slope.per_h, 3)
