"""Reading the journal: a read-only connection, short queries, never a cursor left open.

A cursor that stays open holds back the WAL, so all that is longer is read in pages by key. Threads may share a reader.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from stat import S_ISREG
from typing import Any, Final
from urllib.parse import quote

from msgspec.structs import replace

from kojimon.contract import earlier
from kojimon.contract.inputs import Settings, unread
from kojimon.errors import JournalError
from kojimon.journal import records
from kojimon.journal.reading.rows import Row, merged, position
from kojimon.journal.stamps import Segment, Stamps
from kojimon.journal.writing.derive import event_of, input_of
from kojimon.model import Event, InputRow

PAGE_ROWS: Final = 20_000
ALL: Final = 2**62
CACHE_KB: Final = 256
"""Of one connection, where SQLite's own 2,000 would stay resident; the kernel keeps the pages of the file as well."""


def lenient(text: bytes) -> str:
    """A text of the journal: one damaged letter in it must not keep the rest from being read (`text_factory`)."""
    return text.decode("utf-8", "replace")


def how_to_read(path: Path) -> str:
    """How a journal is opened for reading only: one without a WAL was closed in order, and nobody writes it."""
    return "mode=ro" if path.with_name(f"{path.name}-wal").exists() else "mode=ro&immutable=1"


class Reader:
    """Read-only view of a journal that a daemon may be writing.

    Args:
        path: the journal. JournalError when it is not there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._db: sqlite3.Connection | None = None
        self._inode, self._still = -1, False
        self._stamps: tuple[int, Stamps] = (-1, Stamps(()))
        with self._reading():
            pass

    def close(self) -> None:
        """Closes the connection; the next query opens it again."""
        with self._lock:
            if self._db is not None:
                self._db.close()
                self._db = None

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """One consistent view for the queries inside. Follows the file when it was set aside and begun anew."""
        with self._lock:
            try:
                db = self._connection()
                db.execute("BEGIN")
                try:
                    yield db
                finally:
                    db.execute("ROLLBACK")
            except sqlite3.Error as problem:
                self.close()
                raise JournalError(f"the journal {self.path.name} cannot be read: {problem}") from problem

    def _connection(self) -> sqlite3.Connection:
        try:
            found = self.path.stat()
        except OSError as problem:
            raise JournalError(f"there is no journal {self.path}: {problem.strerror}") from problem
        if not S_ISREG(found.st_mode):
            raise JournalError(f"{self.path} is no file that a journal could be in")
        inode = found.st_ino
        changed = inode != self._inode or (self._still and self._wal().exists())
        if self._db is None or changed:
            self.close()
            self._db, self._inode = self._open(), inode
        return self._db

    def _wal(self) -> Path:
        return self.path.with_name(self.path.name + "-wal")

    def _open(self) -> sqlite3.Connection:
        """Opens for reading, as unchanging where nobody writes: else SQLite would leave files beside it."""
        self._still = not self._wal().exists()
        return self._connect(how_to_read(self.path))

    def _connect(self, how: str) -> sqlite3.Connection:
        address = f"file:{quote(str(self.path))}?{how}"
        db = sqlite3.connect(address, uri=True, timeout=5.0, isolation_level=None, check_same_thread=False)
        db.text_factory = lenient
        try:
            db.execute(f"PRAGMA cache_size = -{CACHE_KB}")
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error:
            db.close()
            raise
        return db

    def _all(self, query: str, values: Sequence[Any] = ()) -> list[Any]:
        with self._reading() as db:
            return db.execute(query, values).fetchall()

    def _one(self, query: str, values: Sequence[Any] = ()) -> Any:
        rows = self._all(query, values)
        return rows[0] if rows else None

    # How far it has got.

    def progress(self) -> tuple[int, int, int]:
        """Number of the last row, of the last event, and the horizon (engine ms), all of one moment.

        Raises JournalError where a damaged journal has lost it.
        """
        row: tuple[int, int, int] | None = self._one("SELECT last_seq, last_event, horizon_ms FROM progress")
        if row is None:
            raise JournalError(f"the journal {self.path.name} is damaged: how far it had got is not in it")
        return row

    def horizon_ms(self) -> int:
        """Engine time up to which the engine has run."""
        return self.progress()[2]

    def last_seq(self) -> int:
        """Highest number of a row, 0 in a new journal."""
        return self.progress()[0]

    def last_event(self) -> int:
        """Number of the last event, 0 in a new journal."""
        return self.progress()[1]

    def last_snapshot(self) -> records.Snapshot | None:
        """The newest encoded state of the engine."""
        row = self._one("SELECT seq, horizon_ms, state FROM snapshot ORDER BY seq DESC LIMIT 1")
        return records.Snapshot(*row) if row else None

    def last_input(self, kind: str) -> InputRow | None:
        """The newest input of a kind."""
        rows = self._all("SELECT seq, t_ms, kind, payload FROM input WHERE kind = ? ORDER BY seq DESC LIMIT 1", (kind,))
        return self._inputs(rows)[0] if rows else None

    def input(self, seq: int) -> InputRow | None:
        """One input by its number."""
        rows = self._all("SELECT seq, t_ms, kind, payload FROM input WHERE seq = ?", (seq,))
        return self._inputs(rows)[0] if rows else None

    def inputs(self, kind: str, first_seq: int, end_seq: int) -> Iterator[InputRow]:
        """The inputs of a kind from first_seq up to but without end_seq, in pages."""
        while rows := self._all(
            "SELECT seq, t_ms, kind, payload FROM input WHERE seq >= ? AND seq < ? AND kind = ? ORDER BY seq LIMIT 500",
            (first_seq, end_seq, kind),
        ):
            yield from self._inputs(rows)
            first_seq = rows[-1][0] + 1

    def unacked(self, source: str) -> list[records.Unacked]:
        """Messages of a source that are stored but perhaps not acknowledged, oldest first."""
        rows = self._all(
            "SELECT source, packet_id, payload_hash FROM unacked WHERE source = ? ORDER BY commit_no, packet_id",
            (source,),
        )
        return [records.Unacked(*row) for row in rows]

    def cursor(self, sink: str) -> int:
        """Last row a sink has taken over; 0 at first."""
        return self.cursors().get(sink, 0)

    def cursors(self) -> dict[str, int]:
        """Last row that each sink has taken over."""
        return {str(name): int(seq) for name, seq in self._all("SELECT name, seq FROM sink ORDER BY name")}

    def duties(self) -> dict[str, int]:
        """Calendar duties and the UTC (ms) of their last run."""
        return {str(name): int(utc_ms) for name, utc_ms in self._all("SELECT name, last_utc_ms FROM duty")}

    def thinned(self) -> list[records.ThinnedSpan]:
        """Spans from which readings were left out, in order."""
        rows = self._all("SELECT from_seq, to_seq, reason, dropped FROM thinned ORDER BY from_seq")
        return [records.ThinnedSpan(*row) for row in rows]

    # Rows for the engine.

    def rows_after(self, seq: int) -> Iterator[Row]:
        """All rows after `seq`, readings and inputs merged in order."""
        return chain.from_iterable(self.pages_after(seq))

    def pages_after(self, seq: int, page_rows: int = PAGE_ROWS) -> Iterator[list[Row]]:
        """The same in lists: what loops over many rows should use."""
        while True:
            page = self._page(seq, page_rows)
            if not page:
                return
            last = page[-1]
            seq = last.seq if isinstance(last, InputRow) else last[0]
            yield page

    def _page(self, seq: int, page_rows: int) -> list[Row]:
        with self._reading() as db:
            page: list[Any] = db.execute(
                "SELECT seq, t_ms, probe, coalesce(value, raw), quality FROM reading "
                "WHERE seq > ? ORDER BY seq LIMIT ?",
                (seq, page_rows),
            ).fetchall()
            until = page[-1][0] if len(page) == page_rows else ALL
            inputs = db.execute(
                "SELECT seq, t_ms, kind, payload FROM input WHERE seq > ? AND seq <= ? ORDER BY seq", (seq, until)
            ).fetchall()
        return merged(page, self._inputs(inputs)) if inputs else page

    def _inputs(self, rows: Sequence[tuple[int, int, str, str]]) -> list[InputRow]:
        return [self._input(*row) for row in rows]

    def _input(self, seq: int, t_ms: int, kind: str, text: str) -> InputRow:
        row = input_of(seq, t_ms, kind, text)
        if not isinstance(row.what, Settings):
            return row
        return InputRow(seq, t_ms, self.settings(row.what.hash) or unread(kind))

    def settings(self, name: str) -> Settings | None:
        """The `settings` input with this hash; None where that is not known or cannot be read."""
        row = self._one("SELECT body FROM settings WHERE hash = ?", (name,))
        found = input_of(0, 0, Settings.kind, row[0]).what if row else None
        return replace(found, hash=name) if isinstance(found, Settings) else None

    # For people, sinks and review.

    def probes(self) -> list[records.ProbeRow]:
        """Every probe ever seen, as last placed, by number."""
        rows = self._all(
            "SELECT p.no, p.name, coalesce(l.incubator, ''), coalesce(l.place, ''), coalesce(l.tray, ''), "
            "coalesce(l.quantity, '') FROM probe p LEFT JOIN placing l ON l.probe = p.no AND l.from_seq = "
            "(SELECT max(from_seq) FROM placing WHERE probe = p.no) ORDER BY p.no"
        )
        return [records.ProbeRow(*row) for row in rows]

    def placings(self) -> list[records.Placing]:
        """Where every probe sat, from which row on."""
        rows = self._all(
            "SELECT probe, from_seq, incubator, place, tray, quantity FROM placing ORDER BY probe, from_seq"
        )
        return [records.Placing(*row) for row in rows]

    def events(
        self, after_no: int = 0, batch: str | None = None, kinds: Sequence[str] | None = None, limit: int = 1000
    ) -> list[Event]:
        """Events with a number over after_no, in order; `limit` at most, so go on after the last one's number."""
        query, values = "SELECT no, t_ms, kind, incubator, batch, key, data FROM event WHERE no > ?", [after_no]
        conditions: list[Any] = []
        if batch is not None:
            query += " AND batch = ?"
            conditions.append(batch)
        if kinds is not None:
            named = earlier.also_as(kinds)
            query += f" AND kind IN ({', '.join('?' * len(named))})"
            conditions += named
        rows = self._all(f"{query} ORDER BY no LIMIT ?", [*values, *conditions, limit])
        return [event_of(row) for row in rows]

    def batches(self, incubator: str | None = None) -> list[records.BatchRow]:
        """All batches in the order of their start."""
        rows = self._all(
            "SELECT id, incubator, name, schedule, rice_kg, started_t_ms, hour0_t_ms, ended_t_ms, outcome, yield_kg, "
            "note FROM batch WHERE incubator = coalesce(?, incubator) ORDER BY started_t_ms, id",
            (incubator,),
        )
        return [records.BatchRow(*row) for row in rows]

    def batch(self, name: str) -> records.BatchRow | None:
        """One batch by its id."""
        return next((row for row in self.batches() if row.id == name), None)

    def waiting(self) -> int:
        """How many messages wait to be told."""
        return int(self._one("SELECT count(*) FROM message WHERE settled_t_ms IS NULL")[0])

    def clock_rows(self) -> list[records.ClockRow]:
        """The clock table in order."""
        columns = "seq, t_ms, kind, boot, boot_id, boot_ms, wall_ms, trusted, step_ms, gap_ms"
        return [records.ClockRow._make(row) for row in self._all(f"SELECT {columns} FROM clock ORDER BY seq")]

    def stamps(self) -> Stamps:
        """Engine time to UTC and back, as known now."""
        rows = self._all("SELECT from_t_ms, offset_ms, boot, state FROM segment ORDER BY from_t_ms")
        return Stamps([Segment(*row) for row in rows])

    def seq_at(self, t_ms: int) -> int:
        """Where an engine time lies among the readings, see `position`."""
        with self._reading() as db:
            return position(db, t_ms)

    def probes_between(self, t0_ms: int, t1_ms: int) -> list[int]:
        """Numbers of the probes with readings from t0_ms up to but without t1_ms."""
        with self._reading() as db:
            span = (position(db, t0_ms), position(db, t1_ms))
            rows = db.execute("SELECT DISTINCT probe FROM reading WHERE seq >= ? AND seq < ?", span).fetchall()
        return sorted(row[0] for row in rows)

    def stored_pages(
        self, first_seq: int, end_seq: int = ALL, page_rows: int | None = None
    ) -> Iterator[list[records.StoredReading]]:
        """Readings as stored, raw and value apart, from first_seq up to but without end_seq, in lists."""
        while page := self._all(
            "SELECT seq, t_ms, probe, raw, value, quality FROM reading WHERE seq >= ? AND seq < ? ORDER BY seq LIMIT ?",
            (first_seq, end_seq, page_rows or PAGE_ROWS),
        ):
            yield page
            first_seq = page[-1][0] + 1

    def series(self, probe: int, t0_ms: int, t1_ms: int) -> list[tuple[int, float | None, int]]:
        """(t_ms, value, quality) of one probe from t0_ms up to but without t1_ms."""
        first, end = self.seq_at(t0_ms), self.seq_at(t1_ms)
        return self._all(
            "SELECT t_ms, coalesce(value, raw), quality FROM reading "
            "WHERE seq >= ? AND seq < ? AND probe = ? ORDER BY seq",
            (first, end, probe),
        )

    def extremes(
        self, probes: Sequence[int], t0_ms: int, t1_ms: int, width_ms: int
    ) -> list[tuple[int, int, float, float, int]]:
        """Good readings of some probes in stretches of width_ms from t0_ms up to but without t1_ms.

        Returns:
            (probe, t_ms of the stretch's first reading, lowest, highest, number of readings), by probe and time;
            stretches without a good reading are left out.
        """
        with self._reading() as db:
            span = (position(db, t0_ms), position(db, t1_ms))
            return db.execute(
                "SELECT probe, min(t_ms), min(coalesce(value, raw)), max(coalesce(value, raw)), count(*) FROM reading "
                f"WHERE seq >= ? AND seq < ? AND quality = 0 AND probe IN ({', '.join('?' * len(probes))}) "
                "GROUP BY probe, (t_ms - ?) / ? ORDER BY 1, 2",
                (*span, *probes, t0_ms, width_ms),
            ).fetchall()
