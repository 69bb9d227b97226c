"""Carries over from a damaged journal what can still be read, so that an open batch is not forgotten.

Tables of facts come whole where they can be read. Readings come from the last snapshot on: engine state plus that
tail is what a start needs. Everything older stays in the file set aside, which is only read.

Where the schema itself is damaged nothing can be read, though the rows are there. A journal's schema always lies on the
same pages, so those of an empty one are laid into a copy, and the rows come from that.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from kojimon import logs
from kojimon.journal.reading.reader import lenient

log = logs.get("journal")

FACTS: Final = (
    "probe", "placing", "settings", "input", "event", "message", "delivery", "batch", "clock", "segment",
    "snapshot", "unacked", "sink", "quarantine", "duty", "thinned",
)  # fmt: skip


NUMBERED: Final = {"input": "seq", "event": "no", "clock": "seq", "snapshot": "seq", "reading": "seq"}
"""Tables whose rows lie in the order of a number: there what comes after a damaged page can be had as well."""
LEAP_FIRST: Final = 16
HORIZON_MS: Final = 60 * 86_400_000
"""A horizon so far beyond every row is damage: the engine would run through the years to it."""

Connect = Callable[[Path], sqlite3.Connection]


def salvage(damaged: Path, fresh: sqlite3.Connection, connect: Connect) -> int:
    """Copies what can be read of `damaged` into the new, empty journal `fresh`. Returns the rows copied.

    Args:
        connect: makes a new journal (`store.connect`), for the pages of its schema.

    Raises sqlite3.Error or OSError with nothing copied.
    """
    copied = _salvage(damaged, fresh)
    if copied:
        return copied
    with tempfile.TemporaryDirectory(dir=damaged.parent, prefix=f".{damaged.name}-") as folder:
        return _salvage(_with_schema(damaged, Path(folder), connect), fresh)


def salvage_alone(damaged: Path, fresh: sqlite3.Connection, connect: Connect) -> int:
    """The same of the file without its -wal. From a copy: whoever has the file open believes in that -wal,
    and moves what is left of it into the file when closing."""
    with tempfile.TemporaryDirectory(dir=damaged.parent, prefix=f".{damaged.name}-") as folder:
        shutil.copyfile(damaged, Path(folder) / "copy")
        return salvage(Path(folder) / "copy", fresh, connect)


def _salvage(damaged: Path, fresh: sqlite3.Connection) -> int:
    with closing(sqlite3.connect(f"file:{quote(str(damaged))}?mode=ro", uri=True, isolation_level=None)) as old:
        old.text_factory = lenient
        fresh.execute("BEGIN IMMEDIATE")
        try:
            copied = _copy(old, fresh)
            fresh.execute("COMMIT")
            return copied
        except BaseException:
            fresh.execute("ROLLBACK")
            raise


def _copy(old: sqlite3.Connection, fresh: sqlite3.Connection) -> int:
    copied = sum(_copy_rows(old, fresh, table) for table in FACTS)
    since = fresh.execute("SELECT coalesce(max(seq), 0) FROM snapshot").fetchone()[0]
    tail = _copy_rows(old, fresh, "reading", since)
    if copied:
        _mark_progress(old, fresh, since)
    return copied + tail


def _copy_rows(old: sqlite3.Connection, fresh: sqlite3.Connection, table: str, since: int = -1) -> int:
    """Copies row by row up to the first that cannot be read, and, where rows are numbered, what comes after."""
    copied, leap, column = 0, LEAP_FIRST, NUMBERED.get(table)
    most = _most_of(old, table, column) if column else 0
    while True:
        order = f"WHERE {column} > {since} ORDER BY {column}" if column else ""
        try:
            for row in old.execute(f"SELECT * FROM {table} {order}"):
                copied += _insert(fresh, table, row)
                since, leap = (int(row[0]), LEAP_FIRST) if column else (since, leap)
            return copied
        except (sqlite3.Error, ValueError, TypeError) as problem:
            log.warning("table %s of the damaged journal: %s after %d rows", table, problem, copied)
        since, leap = since + leap, 2 * leap
        if not column or since >= most:
            return copied


def _insert(fresh: sqlite3.Connection, table: str, row: tuple[Any, ...]) -> int:
    """1 where the row was taken; one that breaks the table's own rules is damaged, and left out."""
    try:
        marks = ", ".join("?" * len(row))
        return fresh.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row).rowcount
    except sqlite3.Error:
        return 0


def _most_of(old: sqlite3.Connection, table: str, column: str) -> int:
    found = _one(old, f"SELECT max({column}) FROM {table}")
    return int(found[0]) if found and isinstance(found[0], int) else 0


def _with_schema(damaged: Path, folder: Path, connect: Connect) -> Path:
    """A copy of a damaged journal with the pages of the schema from an empty one."""
    copy, model = folder / "copy", folder / "model"
    shutil.copyfile(damaged, copy)
    wal = damaged.with_name(f"{damaged.name}-wal")
    if wal.exists():
        shutil.copyfile(wal, folder / "copy-wal")
    with closing(connect(model)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        size = int(db.execute("PRAGMA page_size").fetchone()[0])
        roots = {int(row[0]) for row in db.execute("SELECT rootpage FROM sqlite_master WHERE rootpage > 0")}
    pages = model.read_bytes()
    with copy.open("r+b") as file:
        for number in set(range(1, len(pages) // size + 1)) - roots:
            file.seek((number - 1) * size)
            file.write(pages[(number - 1) * size : number * size])
        # Of the header: both formats as with a WAL, its own count of pages, no free ones.
        file.seek(18)
        file.write(b"\2\2")
        file.seek(28)
        file.write((copy.stat().st_size // size).to_bytes(4, "big") + bytes(8))
    return copy


def _mark_progress(old: sqlite3.Connection, fresh: sqlite3.Connection, since: int) -> None:
    """Numbers go on after the highest known, with a hole where readings may be lost; the hole is marked."""
    last_seq = max(_most(fresh, "seq", "reading"), _most(fresh, "seq", "input"), since)
    last_event = _most(fresh, "no", "event")
    horizon_ms = max(_most(fresh, "horizon_ms", "snapshot"), _most(fresh, "t_ms", "reading"))
    told = _one(old, "SELECT last_seq, last_event, horizon_ms, commit_no FROM progress") or (0, 0, 0, 0)
    if told[2] > max(horizon_ms, latest_ms(fresh)) + HORIZON_MS:
        told = (*told[:2], 0, told[3])
    last_seq, last_event = max(last_seq, told[0]), max(last_event, told[1])
    fresh.execute(
        "UPDATE progress SET last_seq = ?, last_event = ?, horizon_ms = ?, commit_no = ?",
        (last_seq, last_event, max(horizon_ms, told[2]), told[3]),
    )
    fresh.execute("INSERT OR REPLACE INTO thinned VALUES (1, ?, 'corrupt', 0)", (last_seq,))


def latest_ms(db: sqlite3.Connection) -> int:
    """Engine time of the latest clock row or snapshot, ms; a daemon that runs writes a clock row each hour."""
    return max(_most(db, "t_ms", "clock"), _most(db, "horizon_ms", "snapshot"))


def _most(db: sqlite3.Connection, column: str, table: str) -> int:
    return int(db.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchone()[0])


def _one(db: sqlite3.Connection, query: str) -> Any:
    try:
        return db.execute(query).fetchone()
    except (sqlite3.Error, ValueError):
        return None
