"""What a journal is asked by those who read much of it, whether its file answers (`reader.Reader`) or the daemon that
writes it (`web.remote.RemoteJournal`); and how readings and inputs lie beside each other."""

from __future__ import annotations

import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple, Protocol

from kojimon.journal.records import BatchRow, Placing, ProbeRow, StoredReading
from kojimon.journal.stamps import Stamps
from kojimon.model import Event, InputRow, ReadingRow

READING: Final = "reading"
"""Name of readings among the kinds of rows."""

Row = ReadingRow | InputRow
"""Readings come as plain tuples in the order of ReadingRow."""


class Rows(Protocol):
    """A journal, for reading. Methods as `reader.Reader` describes them."""

    def horizon_ms(self) -> int: ...
    def last_seq(self) -> int: ...
    def stamps(self) -> Stamps: ...
    def probes(self) -> list[ProbeRow]: ...
    def placings(self) -> list[Placing]: ...
    def batches(self, incubator: str | None = None) -> list[BatchRow]: ...
    def batch(self, name: str) -> BatchRow | None: ...
    def seq_at(self, t_ms: int) -> int: ...
    def probes_between(self, t0_ms: int, t1_ms: int) -> list[int]: ...
    def rows_after(self, seq: int) -> Iterator[Row]: ...
    def input(self, seq: int) -> InputRow | None: ...
    def stored_pages(self, first_seq: int, end_seq: int) -> Iterator[list[StoredReading]]: ...
    def events(
        self, after_no: int = 0, batch: str | None = None, kinds: Sequence[str] | None = None, limit: int = 1000
    ) -> list[Event]: ...


class Parcel(NamedTuple):
    """Rows of one stretch of seq: all there are of it. `next_seq` is where the next begins, None at the end."""

    readings: list[StoredReading]
    inputs: list[InputRow]
    next_seq: int | None


def parcel_of(readings: list[StoredReading], inputs: list[InputRow], limit: int) -> Parcel:
    """Cuts both to the same stretch: what filled its limit ends it.

    Args:
        readings, inputs: the first of each, by seq; `limit` readings and a tenth as many inputs at most.
    """
    ends = []
    if len(readings) >= limit:
        ends.append(readings[-1][0])
    if len(inputs) >= max(1, limit // 10):
        ends.append(inputs[-1].seq)
    if not ends:
        return Parcel(readings, inputs, None)
    end = min(ends)
    kept = readings[: bisect_right(readings, end, key=lambda row: row[0])]
    return Parcel(kept, [row for row in inputs if row.seq <= end], end + 1)


def merged(readings: list[Any], inputs: Sequence[InputRow]) -> list[Row]:
    """Readings with the few inputs put in at their places."""
    found: list[Row] = []
    start = 0
    for row in inputs:
        end = bisect_left(readings, (row.seq,))
        found += readings[start:end]
        found.append(row)
        start = end
    return found + readings[start:]


def position(db: sqlite3.Connection, t_ms: int) -> int:
    """Readings of an engine time and later have the seq returned or a higher one, earlier ones a lower.

    Engine time never falls along seq, so halving finds it without an index.
    """
    # Two queries: SQLite finds a lone min or max at the end of the tree, but reads the whole table for both at once.
    (low,) = db.execute("SELECT coalesce(min(seq), 1) FROM reading").fetchone()
    (high,) = db.execute("SELECT coalesce(max(seq), 0) + 1 FROM reading").fetchone()
    while low < high:
        middle = (low + high) // 2
        row = db.execute("SELECT seq, t_ms FROM reading WHERE seq >= ? ORDER BY seq LIMIT 1", (middle,)).fetchone()
        if row is None or row[1] >= t_ms:
            high = middle
        else:
            low = row[0] + 1
    return int(low)
