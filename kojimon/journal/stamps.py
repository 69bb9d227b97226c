"""Engine time to UTC and back, from the rows of the clock table. The only place that converts.

A boot's offset is fixed once, at its first trusted synchronisation, and then holds for the whole boot, also for what
was recorded before it. A later trusted reading of the clock that disagrees by more than DISAGREE_MS begins a new
segment for what follows. A boot that never synchronised is estimated and says so: `open` as long as no later boot
is known to be right, then `estimated`, which is final.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Final, NamedTuple

from kojimon.journal.records import ClockRow

DISAGREE_MS: Final = 2000
"""A trusted clock may differ so much from the fixed offset before a new segment begins: NTP slews less."""

TRUSTED: Final = "trusted"
ESTIMATED: Final = "estimated"
OPEN: Final = "open"


class Segment(NamedTuple):
    """utc_ms = t_ms + offset_ms from from_t_ms on, until the next segment."""

    from_t_ms: int
    offset_ms: int
    boot: int
    state: str


@dataclass(slots=True)
class _Run:
    """One stretch of the daemon, from a start row to the next: engine time is boot time plus `base_ms`."""

    rows: list[ClockRow]
    base_ms: int

    @property
    def first(self) -> ClockRow:
        return self.rows[0]


def segments(rows: Sequence[ClockRow]) -> tuple[Segment, ...]:
    """The segments that the clock rows (in order) imply; a pure function, so an offset once final stays."""
    runs = _runs(rows)
    known: dict[int, int] = {}
    for row in rows:
        if row.trusted:
            known.setdefault(row.boot, row.wall_ms - row.boot_ms)
    found: list[Segment] = []
    for index, run in enumerate(runs):
        if run.first.boot in known:
            found += _trusted(run, known)
        else:
            found.append(_estimated(run, found[-1] if found else None, _next_trusted(runs[index + 1 :], known)))
    return _merged(found)


def _runs(rows: Sequence[ClockRow]) -> list[_Run]:
    runs: list[_Run] = []
    for row in rows:
        if row.kind == "start" or not runs:
            runs.append(_Run([row], row.t_ms - row.boot_ms))
        else:
            runs[-1].rows.append(row)
    return runs


def _trusted(run: _Run, known: dict[int, int]) -> list[Segment]:
    """Segments of a run in a boot whose offset is known; `known` moves on with each new segment."""
    boot = run.first.boot
    found = [Segment(run.first.t_ms, known[boot] - run.base_ms, boot, TRUSTED)]
    for row in run.rows:
        wall_offset_ms = row.wall_ms - row.boot_ms
        if row.trusted and abs(wall_offset_ms - known[boot]) > DISAGREE_MS:
            known[boot] = wall_offset_ms
            found.append(Segment(row.t_ms, wall_offset_ms - run.base_ms, boot, TRUSTED))
    return found


def _next_trusted(later: Sequence[_Run], known: dict[int, int]) -> int | None:
    """Offset of the first later run whose boot synchronised."""
    return next((known[run.first.boot] - run.base_ms for run in later if run.first.boot in known), None)


def _estimated(run: _Run, before: Segment | None, upper_ms: int | None) -> Segment:
    """A run nobody synchronised: the believed clock where it fits between its neighbours, else the nearer neighbour.

    It cannot have begun before the end of the run before it; and as engine time never counts a power cut longer
    than it was, it cannot lie later than the next trusted offset says.
    """
    believed_ms = run.rows[-1].wall_ms - run.rows[-1].boot_ms - run.base_ms
    lower_ms = None if before is None else before.offset_ms - run.first.gap_ms
    fits = (lower_ms is None or believed_ms >= lower_ms) and (upper_ms is None or believed_ms <= upper_ms)
    if fits:
        offset_ms = believed_ms
    elif before is not None and (upper_ms is None or before.offset_ms <= upper_ms):
        offset_ms = before.offset_ms
    else:
        offset_ms = upper_ms if upper_ms is not None else believed_ms
    return Segment(run.first.t_ms, offset_ms, run.first.boot, OPEN if upper_ms is None else ESTIMATED)


def _merged(found: Sequence[Segment]) -> tuple[Segment, ...]:
    """Without segments of no length (the later one counts) and without those that change nothing."""
    by_start = {segment.from_t_ms: segment for segment in found}
    kept: list[Segment] = []
    for segment in by_start.values():
        if not kept or segment[1:] != kept[-1][1:]:
            kept.append(segment)
    return tuple(kept)


class Stamps:
    """Conversion over a fixed set of segments; immutable, ask the reader for a fresh one."""

    def __init__(self, parts: Sequence[Segment]) -> None:
        self.segments = tuple(parts)
        self._starts = [segment.from_t_ms for segment in self.segments]

    def segment(self, t_ms: int) -> Segment | None:
        """The segment an engine time falls in; times before the first belong to the first. None: no clock yet."""
        if not self.segments:
            return None
        return self.segments[max(0, bisect_right(self._starts, t_ms) - 1)]

    def utc_ms(self, t_ms: int) -> tuple[int, bool]:
        """UTC (ms since 1970) of an engine time, and whether it is trusted; (t_ms, False) without any clock row."""
        segment = self.segment(t_ms)
        return (t_ms, False) if segment is None else (t_ms + segment.offset_ms, segment.state == TRUSTED)

    def t_ms(self, utc_ms: int) -> int | None:
        """Engine time of a UTC (ms since 1970): the latest that fits. None where the clock is not trusted.

        UTC in a gap between segments is the start of the later one; UTC before the first row or after the last
        is carried on, for batches begun before the journal and for what is still to come.
        """
        for index in range(len(self.segments) - 1, -1, -1):
            segment = self.segments[index]
            t_ms = utc_ms - segment.offset_ms
            if t_ms >= segment.from_t_ms or index == 0:
                if index + 1 < len(self.segments):
                    t_ms = min(t_ms, self.segments[index + 1].from_t_ms)
                return t_ms if segment.state == TRUSTED else None
        return None

    def within(self, t0_ms: int, t1_ms: int) -> tuple[Segment, ...]:
        """The segments that hold some of t0_ms up to but without t1_ms."""
        first = max(0, bisect_right(self._starts, t0_ms) - 1)
        return self.segments[first : max(first + 1, bisect_left(self._starts, t1_ms))]

    def rising(self) -> Stamps:
        """Stamps whose UTC never runs backwards, for curves: within a boot the last offset holds for all of it."""
        last = {segment.boot: segment.offset_ms for segment in self.segments}
        offsets = accumulate((last[segment.boot] for segment in self.segments), max)
        return Stamps([part._replace(offset_ms=offset) for part, offset in zip(self.segments, offsets, strict=True)])
