"""How fast a probe's value moves, from its trace of one value every two minutes."""

from __future__ import annotations

TRACE_EVERY_MS = 120_000
TRACE_LENGTH = 16
"""Half an hour: with 0.1 K of noise a slope over 30 min is good to about 0.1 K/h, one over 10 min only to 0.4 K/h
(standard error of a least-squares slope, sigma/dt * sqrt(12/(N(N^2-1))))."""


def rate_per_h(trace: tuple[tuple[int, float], ...]) -> float | None:
    """Least-squares slope of a trace in units an hour; None with fewer than four points."""
    count = len(trace)
    if count < 4:
        return None
    mean_t = sum(t_ms for t_ms, _ in trace) / count
    mean_v = sum(value for _, value in trace) / count
    spread = sum((t_ms - mean_t) ** 2 for t_ms, _ in trace)
    if spread == 0:
        return None
    slope = sum((t_ms - mean_t) * (value - mean_v) for t_ms, value in trace) / spread
    return round(slope * 3_600_000, 3)
