"""Curves from the journal for the API: raw readings page by page, or the lowest and highest of each stretch.

Read in slices of time, so that neither memory nor the reader's lock is held for a whole batch at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from kojimon.journal.reading.reader import Reader

SLICE_MS = 2 * 3_600_000
MOST_POINTS = 5_000
MOST_ROWS = 5_000

Reading = tuple[int, float | None, int]


class Bucket(NamedTuple):
    """One stretch of a curve: engine time of its first reading, lowest and highest good value, how many readings."""

    t_ms: int
    low: float
    high: float
    readings: int


def _slices(reader: Reader, probe: int, t0_ms: int, t1_ms: int) -> Iterator[list[Reading]]:
    while t0_ms < t1_ms:
        end_ms = min(t1_ms, t0_ms + SLICE_MS)
        yield reader.series(probe, t0_ms, end_ms)
        t0_ms = end_ms


def page(reader: Reader, probe: int, t0_ms: int, t1_ms: int, limit: int) -> tuple[list[Reading], int | None]:
    """Readings of one probe from t0_ms, in order, `limit` or a few more.

    All readings of the last millisecond are in the page, so the next one can begin after it.

    Returns:
        The readings, and the engine time to go on from; None at the end.
    """
    found: list[Reading] = []
    for part in _slices(reader, probe, t0_ms, t1_ms):
        found += part
        if len(found) > limit:
            last_ms = found[limit - 1][0]
            kept = [row for row in found if row[0] <= last_ms]
            return kept, last_ms + 1 if len(kept) < len(found) or last_ms + 1 < t1_ms else None
    return found, None


def buckets(reader: Reader, probes: Sequence[int], t0_ms: int, t1_ms: int, points: int) -> dict[int, list[Bucket]]:
    """The good readings of each probe in `points` equal stretches at most; stretches without one are left out."""
    width_ms = max(1, -(-(t1_ms - t0_ms) // points))
    step_ms = width_ms * max(1, SLICE_MS // width_ms)
    found: dict[int, list[Bucket]] = {probe: [] for probe in probes}
    for from_ms in range(t0_ms, t1_ms, step_ms):
        for row in reader.extremes(probes, from_ms, min(t1_ms, from_ms + step_ms), width_ms):
            found[row[0]].append(Bucket._make(row[1:]))
    return found
