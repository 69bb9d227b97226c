"""Carries over from a damaged journal what can still be read, so that an open batch is not forgotten.

Tables of facts come whole where they can be read. Readings come from the last snapshot on: engine state plus that
tail is what a start needs. Everything older stays in the file set aside.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any, Final

from kojimon import logs

log = logs.get("journal")

FACTS: Final = (
    "probe", "placing", "settings", "input", "event", "message", "delivery", "batch", "clock", "segment",
    "snapshot", "unacked", "sink", "quarantine", "duty", "thinned",
)  # fmt: skip


def salvage(damaged: Path, fresh: sqlite3.Connection) -> int:
    """Copies what can be read of `damaged` into the new, empty journal `fresh`. Returns the rows copied."""
    try:
        old = sqlite3.connect(damaged, isolation_level=None)
    except sqlite3.Error:
        return 0
    try:
        return _copy(old, fresh)
    finally:
        old.close()


def _copy(old: sqlite3.Connection, fresh: sqlite3.Connection) -> int:
    fresh.execute("BEGIN IMMEDIATE")
    copied = sum(_copy_rows(old, fresh, table, f"SELECT * FROM {table}") for table in FACTS)
    since = fresh.execute("SELECT coalesce(max(seq), 0) FROM snapshot").fetchone()[0]
    tail = _copy_rows(old, fresh, "reading", f"SELECT * FROM reading WHERE seq > {since} ORDER BY seq")
    if copied:
        _mark_progress(old, fresh, since)
    fresh.execute("COMMIT")
    return copied + tail


def _copy_rows(old: sqlite3.Connection, fresh: sqlite3.Connection, table: str, query: str) -> int:
    """Copies row by row up to the first that cannot be read."""
    copied = 0
    try:
        cursor = old.execute(query)
        while True:
            row = cursor.fetchone()
            if row is None:
                return copied
            marks = ", ".join("?" * len(row))
            fresh.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)
            copied += 1
    except sqlite3.Error as problem:
        log.warning("table %s of the damaged journal: %s after %d rows", table, problem, copied)
        return copied


def _mark_progress(old: sqlite3.Connection, fresh: sqlite3.Connection, since: int) -> None:
    """Numbers go on after the highest known, with a hole where readings may be lost; the hole is marked."""
    last_seq = max(_most(fresh, "seq", "reading"), _most(fresh, "seq", "input"), since)
    last_event = _most(fresh, "no", "event")
    horizon_ms = max(_most(fresh, "horizon_ms", "snapshot"), _most(fresh, "t_ms", "reading"))
    told = _one(old, "SELECT last_seq, last_event, horizon_ms, commit_no FROM progress") or (0, 0, 0, 0)
    last_seq, last_event = max(last_seq, told[0]), max(last_event, told[1])
    fresh.execute(
        "UPDATE progress SET last_seq = ?, last_event = ?, horizon_ms = ?, commit_no = ?",
        (last_seq, last_event, max(horizon_ms, told[2]), told[3]),
    )
    fresh.execute("INSERT OR REPLACE INTO thinned VALUES (1, ?, 'corrupt', 0)", (last_seq,))


def _most(db: sqlite3.Connection, column: str, table: str) -> int:
    return int(db.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchone()[0])


def _one(db: sqlite3.Connection, query: str) -> Any:
    try:
        return db.execute(query).fetchone()
    except sqlite3.Error:
        return None
