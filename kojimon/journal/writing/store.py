"""The one write connection: how it is opened and what a commit writes.

WAL with synchronous=FULL: nothing committed is lost at a power cut (WAL with NORMAL loses up to half a minute).
BEGIN IMMEDIATE, because a transaction that reads first and writes later can be refused at once. No mmap.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from kojimon.contract.events import plain
from kojimon.journal.reading.reader import CACHE_KB, lenient
from kojimon.journal.records import Chunk, ClockRow, ThinnedSpan
from kojimon.journal.schema import migrate, name_qualities
from kojimon.journal.stamps import segments
from kojimon.journal.writing import derive
from kojimon.model import Event, InputRow

BUSY_MS: Final = 5000
"""How long another program's write transaction is waited for before it counts as trouble."""

CHECKPOINT_PAGES: Final = 500
"""WAL pages (4 KiB) after which SQLite moves them into the file: the WAL stays near 2 MiB."""

SNAPSHOTS_KEPT: Final = 2

UNACKED_KEPT: Final = 500
"""Messages of a source that may not be acknowledged yet: more than a broker has under way (100 where we may say so).
Several commits may go through before one acknowledgement leaves, so a number of commits would not do."""
UNACKED_CLEARED_EVERY: Final = 8
"""Commits between two clearings: finding the oldest costs more than keeping some more."""

Step = Callable[[str], None]
"""Called with the name of each point of a commit; a test kills the process there."""


def no_step(_name: str) -> None:
    """Lets every point of a commit pass."""


def private(path: Path) -> None:
    """Makes the file where it is missing, and takes from others what is nobody's business but the household's.

    The group may read it as a service: its members look at the journal by command.
    """
    mode = 0o640 if os.environ.get("STATE_DIRECTORY") else 0o600
    if path.exists():
        path.chmod(path.stat().st_mode & mode)
    else:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, mode))


def connect(path: Path) -> sqlite3.Connection:
    """Opens (or makes) the journal for writing, migrated. Raises sqlite3.Error or JournalError."""
    with suppress(OSError):
        private(path)
    db = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False)
    db.text_factory = lenient
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA cache_size = -{CACHE_KB}")
        db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        db.execute(f"PRAGMA journal_size_limit = {2 * CHECKPOINT_PAGES * 4096}")
        migrate(db)
    except BaseException:
        db.close()
        raise
    return db


def write_segments(db: sqlite3.Connection) -> None:
    """Brings table segment up to date, writing only what differs: most hours nothing."""
    rows = db.execute("SELECT * FROM clock ORDER BY seq").fetchall()
    wanted = set(segments([ClockRow._make(row) for row in rows]))
    stored = set(db.execute("SELECT from_t_ms, offset_ms, boot, state FROM segment").fetchall())
    starts = [(part[0],) for part in stored - wanted]
    db.executemany("DELETE FROM segment WHERE from_t_ms = ?", starts)
    db.executemany("INSERT INTO segment VALUES (?, ?, ?, ?)", wanted - stored)


class Store:
    """Commits chunks. Used by the writer thread alone.

    Args:
        path: the journal.
        step: fault injection, see Step.
    """

    def __init__(self, path: Path, step: Step = no_step) -> None:
        self.db = connect(path)
        self._step = step

    def close(self) -> None:
        """Closes the connection; SQLite moves the WAL into the file when it is the last one."""
        self.db.close()

    def mark_in_use(self, in_use: bool) -> None:
        """Says in the file whether a daemon has it open; also the proof that it can be written and synced."""
        self.db.execute("BEGIN IMMEDIATE")
        name_qualities(self.db)
        self.db.execute("UPDATE progress SET in_use = ?", (int(in_use),))
        self.db.execute("COMMIT")

    def commit_no(self) -> int:
        """Number of the last commit that is in the file."""
        return int(self.db.execute("SELECT commit_no FROM progress").fetchone()[0])

    def commit(self, chunks: Sequence[Chunk], commit_no: int, span: ThinnedSpan | None = None) -> None:
        """Writes all chunks in one transaction. Writing the same chunks again changes nothing and syncs anew.

        Raises sqlite3.Error with nothing written.
        """
        self._step("before-begin")
        self.db.execute("BEGIN IMMEDIATE")
        try:
            self._write_rows(chunks)
            self._step("rows-written")
            self._write_marks(chunks, commit_no)
            if span:
                self.db.execute("INSERT OR REPLACE INTO thinned VALUES (?, ?, ?, ?)", span)
            self._step("before-commit")
            self.db.execute("COMMIT")
        except BaseException:
            self.roll_back()
            raise
        self._step("after-commit")

    def roll_back(self) -> None:
        """Ends a failed transaction; a failing disk may have ended it already."""
        try:
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
        except sqlite3.Error:
            pass

    def _write_rows(self, chunks: Sequence[Chunk]) -> None:
        for chunk in chunks:
            self.db.executemany("INSERT OR REPLACE INTO reading VALUES (?, ?, ?, ?, ?, ?)", chunk.readings)
            if chunk.inputs:
                self._write_inputs(chunk.inputs)
            if chunk.events:
                self._write_events(chunk.events)
            for message in chunk.messages:
                self.db.execute(
                    "INSERT INTO message VALUES (?, ?, ?, ?, NULL) ON CONFLICT (id) DO NOTHING",
                    (message.id, message.event, message.priority.value, chunk.horizon_ms),
                )

    def _write_inputs(self, inputs: Sequence[InputRow]) -> None:
        for row in inputs:
            stored, settings = derive.input_parts(row)
            self.db.execute("INSERT OR REPLACE INTO input VALUES (?, ?, ?, ?)", stored)
            if settings:
                self.db.execute("INSERT INTO settings VALUES (?, ?, ?) ON CONFLICT (hash) DO NOTHING", settings)
        clocks = derive.clock_rows(inputs)
        if clocks:
            self.db.executemany("INSERT OR REPLACE INTO clock VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", clocks)
            write_segments(self.db)

    def _write_events(self, events: Sequence[Event]) -> None:
        self.db.executemany(
            "INSERT OR REPLACE INTO event VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(e.no, e.t_ms, e.kind, e.incubator, e.batch, e.key, derive.as_json(plain(e.what))) for e in events],
        )
        for statement, values in (*derive.batch_statements(events), *derive.placing_statements(events)):
            self.db.execute(statement, values)
        for batch in {e.batch for e in events if e.batch and e.key == derive.HOUR0_STEP}:
            self._write_hour0(batch)

    def _write_hour0(self, batch: str) -> None:
        rows = self.db.execute(
            "SELECT no, t_ms, kind, incubator, batch, key, data FROM event WHERE batch = ? ORDER BY no", (batch,)
        ).fetchall()
        hour0_ms = derive.hour0_ms(derive.event_of(row) for row in rows)
        self.db.execute("UPDATE batch SET hour0_t_ms = ? WHERE id = ?", (hour0_ms, batch))

    def _write_marks(self, chunks: Sequence[Chunk], commit_no: int) -> None:
        last_seq, last_event, horizon_ms = self.db.execute(
            "SELECT last_seq, last_event, horizon_ms FROM progress"
        ).fetchone()
        for chunk in chunks:
            last_seq = max(last_seq, chunk.last_seq())
            horizon_ms = max(horizon_ms, chunk.horizon_ms)
            if chunk.events:
                last_event = max(last_event, chunk.events[-1].no)
            if chunk.snapshot is not None:
                self._write_snapshot(last_seq, horizon_ms, chunk.snapshot)
            self._write_small(chunk)
        self._write_unacked(chunks, commit_no)
        self.db.execute(
            "UPDATE progress SET commit_no = ?, horizon_ms = ?, last_seq = ?, last_event = ?",
            (commit_no, horizon_ms, last_seq, last_event),
        )

    def _write_snapshot(self, seq: int, horizon_ms: int, state: bytes) -> None:
        self.db.execute("INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)", (seq, horizon_ms, state))
        self.db.execute(
            "DELETE FROM snapshot WHERE seq NOT IN (SELECT seq FROM snapshot ORDER BY seq DESC LIMIT ?)",
            (SNAPSHOTS_KEPT,),
        )

    def _write_small(self, chunk: Chunk) -> None:
        for delivery in chunk.deliveries:
            self.db.execute("INSERT OR REPLACE INTO delivery VALUES (?, ?, ?, ?, ?)", delivery)
        for name, t_ms in chunk.settled.items():
            self.db.execute("UPDATE message SET settled_t_ms = ? WHERE id = ? AND settled_t_ms IS NULL", (t_ms, name))
        if chunk.cursors:
            self.db.executemany("INSERT OR REPLACE INTO sink VALUES (?, ?)", chunk.cursors.items())
        if chunk.duties:
            self.db.executemany("INSERT OR REPLACE INTO duty VALUES (?, ?)", chunk.duties.items())

    def _write_unacked(self, chunks: Sequence[Chunk], commit_no: int) -> None:
        """Rows of the latest messages of each source; the acknowledgement of an older one has got through."""
        rows = [row for chunk in chunks for row in chunk.unacked]
        if rows and commit_no % UNACKED_CLEARED_EVERY == 0:
            for source in sorted({row.source for row in rows}):
                self._clear_unacked(source)
        self.db.executemany(
            "INSERT OR REPLACE INTO unacked VALUES (?, ?, ?, ?)",
            [(*row, commit_no) for row in rows],
        )

    def _clear_unacked(self, source: str) -> None:
        """Whole commits before that of the oldest message to be kept."""
        oldest = self.db.execute(
            "SELECT commit_no FROM unacked WHERE source = ? ORDER BY commit_no DESC LIMIT 1 OFFSET ?",
            (source, UNACKED_KEPT - 1),
        ).fetchone()
        if oldest:
            self.db.execute("DELETE FROM unacked WHERE source = ? AND commit_no < ?", (source, oldest[0]))
