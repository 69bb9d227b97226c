"""What can be counted of one curve: straight lines between readings, nothing across a gap. Pure.

Between two readings no further apart than the curve's own gap the value runs straight; across a longer gap nothing is
known and nothing is counted. Times are ms that really passed since hour 0; values are °C or %.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from msgspec import Struct

from kojimon.units import median

GAP_PERIODS = 3
GAP_AT_LEAST_MS = 90_000
"""A gap: three of the probe's own intervals and at least 90 s, the rule by which a probe counts as silent."""


class Series(Struct, frozen=True):
    """Good readings of one probe, in order.

    Attributes:
        probe, place, tray, quantity: what it is of.
        t_ms: array of 64-bit ints; values: array of doubles, as many.
        gap_ms: more than this between two readings is a gap.
    """

    probe: str
    place: str
    tray: str
    quantity: str
    t_ms: array[int]
    values: array[float]
    gap_ms: int


class Line(NamedTuple):
    """A limit that runs straight from one moment to another."""

    from_ms: float
    to_ms: float
    begin: float
    end: float

    def at(self, t_ms: float) -> float:
        """The limit at a moment."""
        if self.begin == self.end or self.to_ms <= self.from_ms:
            return self.begin
        return self.begin + (self.end - self.begin) * (t_ms - self.from_ms) / (self.to_ms - self.from_ms)


class Beyond(NamedTuple):
    """Time beyond a limit, ms, and the area beyond it, (K or %)·ms."""

    ms: float = 0.0
    area: float = 0.0


def gap_of(t_ms: array[int]) -> int:
    """The gap of a curve with readings at these times."""
    between = [later - earlier for earlier, later in pairwise(t_ms[:2000]) if later > earlier]
    return max(GAP_AT_LEAST_MS, GAP_PERIODS * round(median(between))) if between else GAP_AT_LEAST_MS


def value_at(series: Series, t_ms: float) -> float | None:
    """The value at a moment; None in a gap and outside the readings."""
    times = series.t_ms
    index = bisect_right(times, t_ms)
    if index and times[index - 1] == t_ms:
        return series.values[index - 1]
    if index == 0 or index == len(times) or times[index] - times[index - 1] > series.gap_ms:
        return None
    t0, t1 = times[index - 1], times[index]
    v0, v1 = series.values[index - 1], series.values[index]
    return v0 + (v1 - v0) * (t_ms - t0) / (t1 - t0)


def pieces(series: Series, from_ms: float, to_ms: float) -> Iterator[tuple[float, float, float, float]]:
    """(t0, v0, t1, v1) of every straight piece between from_ms and to_ms, cut at both."""
    times, values, gap_ms = series.t_ms, series.values, series.gap_ms
    first = max(1, bisect_left(times, from_ms))
    for index in range(first, len(times)):
        t0, t1 = times[index - 1], times[index]
        if t0 >= to_ms:
            return
        if t1 - t0 > gap_ms or t1 <= t0:
            continue
        v0, v1 = values[index - 1], values[index]
        if t0 >= from_ms and t1 <= to_ms:
            yield t0, v0, t1, v1
            continue
        a, b = max(t0, from_ms), min(t1, to_ms)
        if b > a:
            slope = (v1 - v0) / (t1 - t0)
            yield a, v0 + slope * (a - t0), b, v0 + slope * (b - t0)


def known_ms(series: Series, from_ms: float, to_ms: float) -> float:
    """How much of a stretch is known, ms."""
    return sum(t1 - t0 for t0, _, t1, _ in pieces(series, from_ms, to_ms))


def beyond(series: Series, limit: Line, above: bool = True) -> Beyond:
    """Time and area above (or below) a limit, exact for the straight pieces."""
    sign = 1.0 if above else -1.0
    ms = area = 0.0
    flat = limit.begin == limit.end
    for t0, v0, t1, v1 in pieces(series, limit.from_ms, limit.to_ms):
        d0 = sign * (v0 - (limit.begin if flat else limit.at(t0)))
        d1 = sign * (v1 - (limit.begin if flat else limit.at(t1)))
        if d0 <= 0 and d1 <= 0:
            continue
        if d0 > 0 and d1 > 0:
            ms += t1 - t0
            area += (d0 + d1) / 2 * (t1 - t0)
        else:
            part = max(d0, d1) / abs(d0 - d1) * (t1 - t0)
            ms += part
            area += max(d0, d1) / 2 * part
    return Beyond(ms, area)


def mean(series: Series, from_ms: float, to_ms: float) -> float | None:
    """Mean over the known time; None where nothing is known."""
    total = known = 0.0
    for t0, v0, t1, v1 in pieces(series, from_ms, to_ms):
        known += t1 - t0
        total += (v0 + v1) / 2 * (t1 - t0)
    return total / known if known else None


def within(series: Series, from_ms: float, to_ms: float) -> range:
    """Indexes of the readings from from_ms to to_ms, both included."""
    return range(bisect_left(series.t_ms, from_ms), bisect_right(series.t_ms, to_ms))


def extreme(series: Series, from_ms: float, to_ms: float, highest: bool = True) -> tuple[float, int] | None:
    """(value, ms) of the highest (or lowest) reading, the first of equals."""
    found = within(series, from_ms, to_ms)
    if not found:
        return None
    pick = max if highest else min
    index = pick(found, key=lambda i: series.values[i])
    return series.values[index], series.t_ms[index]


def reached_ms(series: Series, value: float, from_ms: float, to_ms: float) -> float | None:
    """When the curve first is at or above a value; None when it never is."""
    found = within(series, from_ms, to_ms)
    if found and series.values[found[0]] >= value:
        return float(series.t_ms[found[0]])
    for t0, v0, t1, v1 in pieces(series, from_ms, to_ms):
        if v1 >= value:
            return t0 if v0 >= value else t0 + (value - v0) / (v1 - v0) * (t1 - t0)
    # A reading that a gap parts from its neighbours belongs to no piece.
    return next((float(series.t_ms[i]) for i in found if series.values[i] >= value), None)


def gaps(series: Series, from_ms: float, to_ms: float) -> list[tuple[float, float]]:
    """The gaps of a stretch, those at its ends among them."""
    times = [series.t_ms[i] for i in within(series, from_ms, to_ms)]
    edges = [from_ms, *times, to_ms]
    return [(earlier, later) for earlier, later in pairwise(edges) if later - earlier > series.gap_ms]
