"""Thins old readings between batches to one a minute and probe, in slices. Readings of a batch are kept for ever.

What stays of a minute is a reading that was really taken, untouched: the good one with the middle value (the lower of
two), so that neither a spike nor an average nobody measured stands for it; without a good one, the last. Spans are
marked in table thinned: replay promises nothing inside them.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any, Final

from kojimon.journal.reading.rows import position
from kojimon.journal.writing.pending import MINUTE_MS
from kojimon.journal.writing.writer import Writer

SLICE_ROWS: Final = 5000
AROUND_BATCH_MS: Final = 24 * 3_600_000
"""Kept in full before and after a batch too: what led up to it, and the cooling."""
CURSOR: Final = "thin"
"""Name of our cursor in table sink: the last row looked at."""

Row = tuple[int, int, int, float | None, int]
"""(seq, t_ms, probe, value, quality)"""


def thin(writer: Writer, until_t_ms: int, stopping: Callable[[], bool] = lambda: False) -> int:
    """Thins everything idle before until_t_ms (engine time). Returns how many readings went.

    Works in slices of SLICE_ROWS, each a transaction of its own in the writer's thread, so that commits go in
    between; `stopping` is asked before each. What was looked at before is not looked at again.
    """
    dropped, more = 0, True
    while more and not stopping():
        gone, more = writer.run(lambda db: thin_slice(db, until_t_ms))
        dropped += gone
    return dropped


def thin_slice(db: sqlite3.Connection, until_t_ms: int) -> tuple[int, bool]:
    """Thins the next SLICE_ROWS readings, inside an open transaction. How many went, and whether there may be more."""
    until_seq = position(db, until_t_ms - until_t_ms % MINUTE_MS)
    rows: list[Row] = db.execute(
        "SELECT seq, t_ms, probe, coalesce(value, raw), quality FROM reading "
        "WHERE seq > (SELECT coalesce(max(seq), 0) FROM sink WHERE name = ?) AND seq < ? ORDER BY seq LIMIT ?",
        (CURSOR, until_seq, SLICE_ROWS),
    ).fetchall()
    more = len(rows) == SLICE_ROWS
    if more:
        rows = _whole_minutes(rows)
    kept, dropped = _batch_spans(db), 0
    for idle in _idle_runs(rows, kept):
        gone = sorted({row[0] for row in idle} - middle_keepers(idle))
        if gone:
            db.executemany("DELETE FROM reading WHERE seq = ?", [(seq,) for seq in gone])
            _mark(db, idle[0][0], idle[-1][0], len(gone))
        dropped += len(gone)
    if rows:
        db.execute("INSERT OR REPLACE INTO sink VALUES (?, ?)", (CURSOR, rows[-1][0]))
    return dropped, more


def _whole_minutes(rows: list[Row]) -> list[Row]:
    """Without the last minute, which the next slice sees whole; unless the slice is nothing else."""
    last = rows[-1][1] // MINUTE_MS
    whole = [row for row in rows if row[1] // MINUTE_MS < last]
    return whole or rows


def _batch_spans(db: sqlite3.Connection) -> list[tuple[int, int]]:
    """Engine times (from, until) that are kept: each batch with hour 0, and a day around it."""
    found = db.execute(
        "SELECT min(started_t_ms, coalesce(hour0_t_ms, started_t_ms)), coalesce(ended_t_ms, ?) FROM batch", (2**62,)
    ).fetchall()
    return [(begin - AROUND_BATCH_MS, end + AROUND_BATCH_MS) for begin, end in found]


def _idle_runs(rows: Sequence[Row], kept: Sequence[tuple[int, int]]) -> list[list[Row]]:
    """Consecutive rows outside every kept span."""
    runs: list[list[Row]] = [[]]
    for row in rows:
        minute_ms = row[1] - row[1] % MINUTE_MS
        if any(begin <= minute_ms + MINUTE_MS and minute_ms <= end for begin, end in kept):
            if runs[-1]:
                runs.append([])
        else:
            runs[-1].append(row)
    return [run for run in runs if run]


def middle_keepers(rows: Sequence[Row]) -> set[int]:
    """The seq of the reading that stays of each minute and probe."""
    minutes: defaultdict[tuple[int, int], list[Row]] = defaultdict(list)
    for row in rows:
        minutes[row[2], row[1] // MINUTE_MS].append(row)
    return {_middle(group) for group in minutes.values()}


def _middle(group: Sequence[Row]) -> int:
    good = sorted((row[3], row[0]) for row in group if row[4] == 0 and row[3] is not None)
    return good[(len(good) - 1) // 2][1] if good else group[-1][0]


def _mark(db: sqlite3.Connection, from_seq: int, to_seq: int, dropped: int) -> None:
    """Notes the span; one that goes on from the last idle one becomes part of it."""
    last: Any = db.execute(
        "SELECT from_seq, to_seq, dropped FROM thinned WHERE reason = 'idle' ORDER BY from_seq DESC LIMIT 1"
    ).fetchone()
    between = (
        last and db.execute("SELECT count(*) FROM reading WHERE seq > ? AND seq < ?", (last[1], from_seq)).fetchone()[0]
    )
    if last and not between:
        db.execute(
            "UPDATE thinned SET to_seq = ?, dropped = ? WHERE from_seq = ? AND reason = 'idle'",
            (to_seq, last[2] + dropped, last[0]),
        )
    else:
        db.execute("INSERT INTO thinned VALUES (?, ?, 'idle', ?)", (from_seq, to_seq, dropped))
