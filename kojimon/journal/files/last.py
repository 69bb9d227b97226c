"""What an open batch hangs on, in a small file beside the journal: where the journal is lost, the batch is not.

Written each hour, at start and stop, and after each event that moves a batch on; in its place at once or not at all, so
that a power cut leaves the old one. It also tells that a journal was here.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from stat import S_ISREG
from typing import Final

import msgspec
from msgspec import Struct

from kojimon import logs
from kojimon.journal.records import BatchRow, ClockRow, ProbeRow
from kojimon.journal.writing.store import private, write_segments

log = logs.get("journal")

MOVES: Final = (
    "start", "stop", "batch-start", "batch-harvest", "batch-discard", "batch-reopened", "stage", "step-done",
    "step-undone", "step-corrected",
)  # fmt: skip
"""Events after which it is written anew."""
SEAL_BYTES: Final = 8


class Last(Struct, frozen=True, array_like=True):
    """The engine's state after row seq, and the rows of the journal that give it names, time and batches.

    `clocks` are the first and the last clock row of the latest boot.
    """

    seq: int
    event_no: int
    horizon_ms: int
    state: bytes
    probes: tuple[ProbeRow, ...] = ()
    clocks: tuple[ClockRow, ...] = ()
    batches: tuple[BatchRow, ...] = ()

    @property
    def at_work(self) -> tuple[str, ...]:
        """Names of the batches that were open."""
        return tuple(row.name or row.id for row in self.batches if row.ended_t_ms is None)


def file_of(journal: Path) -> Path:
    """Where it lies."""
    return journal.with_name(f"{journal.name}.last")


def keep(journal: Path, last: Last) -> None:
    """Writes it. A failure is logged: the journal itself is what counts."""
    target, body = file_of(journal), msgspec.msgpack.encode(last)
    fresh = target.with_name(f"{target.name}.new")
    try:
        fresh.unlink(missing_ok=True)
        private(fresh)
        with fresh.open("wb") as file:
            file.write(_seal(body) + body)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(target)
    except OSError as problem:
        log.warning("%s cannot be written: %s", target.name, problem)


def kept(journal: Path) -> Last | None:
    """What was written last; None where there is nothing, or nothing sound."""
    with suppress(OSError, msgspec.MsgspecError, ValueError):
        fd = os.open(file_of(journal), os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(fd, "rb") as file:
            data = file.read() if S_ISREG(os.fstat(fd).st_mode) else b""
        if data[:SEAL_BYTES] == _seal(data[SEAL_BYTES:]):
            return msgspec.msgpack.decode(data[SEAL_BYTES:], type=Last, strict=False)
    return None


def _seal(body: bytes) -> bytes:
    return blake2b(body, digest_size=SEAL_BYTES).digest()


def lay(db: sqlite3.Connection, last: Last) -> bool:
    """Puts into a journal what it lacks of this; whether its state was behind. The hole is marked.

    Raises sqlite3.Error with nothing written.
    """
    known, events, horizon_ms = db.execute("SELECT last_seq, last_event, horizon_ms FROM progress").fetchone()
    db.execute("BEGIN IMMEDIATE")
    try:
        db.executemany("INSERT OR IGNORE INTO probe VALUES (?, ?)", [row[:2] for row in last.probes])
        db.executemany("INSERT OR IGNORE INTO clock VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", last.clocks)
        write_segments(db)
        db.executemany("INSERT OR IGNORE INTO batch VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", last.batches)
        if known < last.seq:
            db.execute("INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)", (last.seq, last.horizon_ms, last.state))
            db.execute("INSERT OR REPLACE INTO thinned VALUES (?, ?, 'corrupt', 0)", (known + 1, last.seq))
            db.execute(
                "UPDATE progress SET last_seq = ?, last_event = ?, horizon_ms = ?",
                (last.seq, max(events, last.event_no), max(horizon_ms, last.horizon_ms)),
            )
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
    return bool(known < last.seq)
