"""When the koji was first clearly warm, and how fast it rose. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from kojimon.review.measure.series import Series, value_at, within

HOUR_MS: Final = 3_600_000
FROM_MS: Final = 8 * HOUR_MS
"""Not before hour 8: hyphae emerge then (spore maker's process page, bioc.co.jp), and rice may be warm for other
reasons."""
ABOVE_AIR_K: Final = 3.0
WARM_C: Final = 34.0
HOLD_MS: Final = 600_000
"""Judgement: 3 °C above the box air, or 34 °C, for 10 min. What is warm may owe it to its box."""
AIR_MS: Final = HOUR_MS
"""The air is taken as its mean over the last hour: a lid lifted for ten minutes must not look like warmth."""
RISE_MS: Final = 1_800_000
REST_MS: Final = 1_800_000
"""Work moves the probe: half an hour from each work on says nothing about a rise."""


class Rise(NamedTuple):
    """The fastest rise: K/h over the half hour that ends at t_ms."""

    k_per_h: float
    t_ms: float


def onset_ms(bed: Series, air: Series | None, from_ms: float, to_ms: float) -> float | None:
    """When the koji was first clearly warm: the first moment from hour 8 on from which it stood 3 °C above the box
    air's mean of the hour before, or at 34 °C, for 10 min. None when it never did.

    Args:
        from_ms, to_ms: hour 0 and the end, ms.
    """
    mean_air = None if air is None else RunningMean(air, AIR_MS)
    since: float | None = None
    last_ms: float | None = None
    for index in within(bed, from_ms + FROM_MS, to_ms):
        t_ms, value = bed.t_ms[index], bed.values[index]
        if last_ms is not None and t_ms - last_ms > bed.gap_ms:
            since = None
        last_ms = t_ms
        if not _warm(value, None if mean_air is None else mean_air.at(t_ms)):
            since = None
            continue
        since = float(t_ms) if since is None else since
        if t_ms - since >= HOLD_MS:
            return since
    return None


class RunningMean:
    """Mean of a curve over the known time of a stretch that ends at moments asked for in rising order."""

    def __init__(self, one: Series, over_ms: float) -> None:
        self._one, self._over_ms = one, over_ms
        self._area = self._known = 0.0
        self._first = self._next = 1

    def at(self, t_ms: float) -> float | None:
        """The mean over the pieces that lie within the stretch before t_ms; None where none does."""
        times = self._one.t_ms
        while self._next < len(times) and times[self._next] <= t_ms:
            self._take(self._next, 1.0)
            self._next += 1
        while self._first < self._next and times[self._first - 1] < t_ms - self._over_ms:
            self._take(self._first, -1.0)
            self._first += 1
        return self._area / self._known if self._known > 1e-6 else None

    def _take(self, index: int, sign: float) -> None:
        one = self._one
        lasts = one.t_ms[index] - one.t_ms[index - 1]
        if lasts <= one.gap_ms:
            self._known += sign * lasts
            self._area += sign * lasts * (one.values[index] + one.values[index - 1]) / 2


def _warm(bed_c: float, air_c: float | None) -> bool:
    return bed_c >= WARM_C or (air_c is not None and bed_c - air_c >= ABOVE_AIR_K)


def fastest_rise(bed: Series, from_ms: float, to_ms: float, works_ms: Sequence[float] = ()) -> Rise | None:
    """The fastest rise over half an hour, the first of equals; None where no half hour is known whole.

    Args:
        works_ms: when hands were in the koji.
    """
    best: Rise | None = None
    clear_ms = from_ms
    last_ms: float | None = None
    works = sorted(works_ms)
    for index in within(bed, from_ms, to_ms):
        t_ms = bed.t_ms[index]
        if last_ms is not None and t_ms - last_ms > bed.gap_ms:
            clear_ms = float(t_ms)
        last_ms = t_ms
        while works and works[0] <= t_ms:
            clear_ms = max(clear_ms, works.pop(0) + REST_MS)
        begin_ms = t_ms - RISE_MS
        if begin_ms < clear_ms:
            continue
        before = value_at(bed, begin_ms)
        if before is None:
            continue
        k_per_h = (bed.values[index] - before) / (RISE_MS / HOUR_MS)
        if best is None or k_per_h > best.k_per_h:
            best = Rise(k_per_h, float(t_ms))
    return best
