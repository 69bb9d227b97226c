"""Readings gathered minute by minute: lowest and highest, first and last. Small enough to keep, fine enough to draw.

The sums are done inside SQLite: 48 hours at one reading a second are 173,000 rows a probe, and a row that becomes a
Python object costs many times one that does not. The journal's file may be read by any SQLite program while the daemon
runs (`kojimon/journal/README.md`); the connection lasts for one query.
"""

from __future__ import annotations

import sqlite3
from array import array
from collections.abc import Callable, MutableSequence, Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from kojimon.curve import Point
from kojimon.curve.sheet import Run
from kojimon.errors import JournalError
from kojimon.review.measure.series import GAP_AT_LEAST_MS, GAP_PERIODS, Series

MINUTE_MS: Final = 60_000


class Minute(NamedTuple):
    """The good readings of one probe in one minute; times in ms on whatever axis the caller uses."""

    first_ms: int
    last_ms: int
    low: float
    high: float
    readings: int


class Packed(MutableSequence[Minute]):
    """Minutes kept for long: 40 bytes each, where five objects and their tuple are 230; 2 MB less after two days."""

    def __init__(self) -> None:
        self._numbers = array("d")  # engine time fits: whole numbers to 2 ** 53 are exact

    def __len__(self) -> int:
        return len(self._numbers) // 5

    def __getitem__(self, place: Any) -> Any:
        if isinstance(place, slice):
            return [self[one] for one in range(len(self))[place]]
        at = 5 * range(len(self))[place]
        first_ms, last_ms, low, high, readings = self._numbers[at : at + 5]
        return Minute(int(first_ms), int(last_ms), low, high, int(readings))

    def __setitem__(self, place: Any, value: Any) -> None:
        at = 5 * range(len(self))[place]
        self._numbers[at : at + 5] = array("d", value)

    def __delitem__(self, place: Any) -> None:
        at = 5 * range(len(self))[place]
        del self._numbers[at : at + 5]

    def insert(self, index: int, value: Minute) -> None:
        """As of a list."""
        at = 5 * min(index, len(self))
        self._numbers[at:at] = array("d", value)


_QUERY: Final = (
    "SELECT probe, min(t_ms), max(t_ms), min(coalesce(value, raw)), max(coalesce(value, raw)), count(*) "
    "FROM reading WHERE seq >= ? AND seq < ? AND quality = 0 AND coalesce(value, raw) IS NOT NULL "
    f"GROUP BY t_ms / {MINUTE_MS}, probe"
)


def read_minutes(journal: Path, first_seq: int, end_seq: int) -> dict[int, list[Minute]]:
    """The minutes of every probe among the rows from first_seq up to but without end_seq, engine time.

    Raises JournalError when the journal cannot be read.
    """
    try:
        address = f"file:{quote(str(journal))}?mode=ro"
        with closing(sqlite3.connect(address, uri=True, timeout=5.0, isolation_level=None)) as db:
            rows = db.execute(_QUERY, (first_seq, end_seq)).fetchall()
    except sqlite3.Error as problem:
        raise JournalError(f"the journal {journal.name} cannot be read: {problem}") from problem
    found: dict[int, list[Minute]] = {}
    for probe, *rest in rows:
        found.setdefault(probe, []).append(Minute(*rest))
    return found


def joined(earlier: MutableSequence[Minute], later: Sequence[Minute]) -> None:
    """Adds later minutes to a list; where they meet in one minute the two are made one."""
    for one in later:
        if earlier and earlier[-1].first_ms // MINUTE_MS == one.first_ms // MINUTE_MS:
            old = earlier[-1]
            low, high = min(old.low, one.low), max(old.high, one.high)
            earlier[-1] = Minute(old.first_ms, max(old.last_ms, one.last_ms), low, high, old.readings + one.readings)
        else:
            earlier.append(one)


def minutes_of(series: Series) -> list[Minute]:
    """The minutes of a curve, on its own axis."""
    found: list[Minute] = []
    for t_ms, value in zip(series.t_ms, series.values, strict=True):
        joined(found, (Minute(t_ms, t_ms, value, value, 1),))
    return found


def gap_of(minutes: Sequence[Minute]) -> int:
    """More than this between two readings is a gap: three usual intervals, and at least 90 s."""
    counts = sorted(one.readings for one in minutes)
    if not counts:
        return GAP_AT_LEAST_MS
    usual = counts[len(counts) // 2]
    if usual > 1:
        return max(GAP_AT_LEAST_MS, round(GAP_PERIODS * MINUTE_MS / usual))
    between = sorted(b.first_ms - a.first_ms for a, b in pairwise(minutes))
    return max(GAP_AT_LEAST_MS, GAP_PERIODS * between[len(between) // 2]) if between else GAP_AT_LEAST_MS


def runs(minutes: Sequence[Minute], gap_ms: int, hour: Callable[[int], float]) -> tuple[Run, ...]:
    """The minutes as runs to be drawn, cut at every gap.

    Args:
        hour: a moment of the minutes' axis to hours since hour 0.
    """
    found: list[list[Point]] = []
    last_ms: int | None = None
    for one in minutes:
        if last_ms is None or one.first_ms - last_ms > gap_ms:
            found.append([])
        last_ms = one.last_ms
        found[-1].append(Point(hour((one.first_ms + one.last_ms) // 2), one.low, one.high))
    return tuple(tuple(run) for run in found)


def hottest(tracks: Sequence[Sequence[Minute]]) -> list[Minute]:
    """The highest of several probes, in steps of five minutes: an earlier batch as one pale line."""
    every_ms = 5 * MINUTE_MS
    found: dict[int, Minute] = {}
    for track in tracks:
        for one in track:
            place = one.first_ms // every_ms
            old = found.get(place)
            if old is None or one.high > old.high:
                found[place] = Minute(place * every_ms, (place + 1) * every_ms - 1, one.high, one.high, 1)
    return [found[place] for place in sorted(found)]


def middles(tracks: Sequence[Sequence[Minute]], every_ms: int) -> dict[int, float]:
    """The middle of the hottest probe by step (ms // every_ms), as the forecast is told it minute by minute.

    The highest reading of a step would stand above it by the probes' noise.
    """
    by_minute: dict[int, float] = {}
    for track in tracks:
        for one in track:
            middle, minute = (one.low + one.high) / 2, one.first_ms // MINUTE_MS
            by_minute[minute] = max(middle, by_minute.get(minute, middle))
    steps: dict[int, list[float]] = {}
    for minute, value in by_minute.items():
        steps.setdefault(minute * MINUTE_MS // every_ms, []).append(value)
    return {step: sum(values) / len(values) for step, values in sorted(steps.items())}
