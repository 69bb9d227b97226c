"""Whose file lies at the journal's path: ours, ours and damaged, nobody's, or another program's, which is left alone.

Nothing here writes. It runs before SQLite has the file open in this process: closing a descriptor of it later would
drop SQLite's locks.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from enum import Enum
from pathlib import Path
from stat import S_ISREG
from typing import Final
from urllib.parse import quote

from kojimon.errors import JournalError
from kojimon.journal.reading.reader import how_to_read
from kojimon.journal.schema import APPLICATION_ID, VERSION
from kojimon.journal.writing.trouble import Kind, trouble_of

OWN_TABLES: Final = {"reading", "progress", "snapshot"}
TRACES: Final = (b"CREATE TABLE reading (", b"CREATE TABLE progress (", b"CREATE TABLE placing (")
TRACE_BYTES: Final = 1 << 20
"""Where traces are looked for: the schema lies at the front."""
PLAUSIBLE_VERSIONS: Final = 1000
"""A version further ahead than this is damage and no newer kojimon."""


class Whose(Enum):
    """What lies at the path."""

    NOTHING = "nothing"
    """No file, or one with nothing in it."""
    OURS = "ours"
    DAMAGED = "damaged"
    """Ours, by what is beside it or left of it; SQLite cannot read what it is."""


def identify(path: Path, known: bool) -> Whose:
    """Says whose file it is.

    Args:
        path: the journal.
        known: something beside it says that a journal of ours was here.

    Raises:
        JournalError: the file is of a newer kojimon or of another program. It was not touched.
        sqlite3.Error, OSError: it cannot be looked at now.
    """
    with suppress(FileNotFoundError):
        if not S_ISREG(path.stat().st_mode):  # a pipe would be waited for, a device read for ever
            raise JournalError(f"{path} is a folder, a pipe or a device; point journal.file at a file")
    if not path.exists() or path.stat().st_size == 0:
        return Whose.NOTHING
    try:
        application, version, tables = _look(path)
    except (sqlite3.Error, UnicodeDecodeError) as problem:
        if trouble_of(problem).kind not in (Kind.CORRUPT, Kind.MISTAKE):  # as where the format is an unknown one
            raise
        return _damaged(path, known)
    if application != APPLICATION_ID and not tables >= OWN_TABLES:
        if tables:
            raise JournalError(
                f"the file {path} is an SQLite database of another program; point journal.file at another file"
            )
        return Whose.NOTHING if application == version == 0 else _damaged(path, known)
    if VERSION < version <= VERSION + PLAUSIBLE_VERSIONS:
        raise JournalError(
            f"the journal has version {version}, this kojimon knows up to {VERSION}; "
            "install the newer kojimon again, or point journal.file at another file"
        )
    sound = application == APPLICATION_ID and 1 <= version <= VERSION and tables >= OWN_TABLES
    return Whose.OURS if sound else Whose.DAMAGED


def _look(path: Path) -> tuple[int, int, set[str]]:
    with closing(sqlite3.connect(f"file:{quote(str(path))}?{how_to_read(path)}", uri=True, isolation_level=None)) as db:
        application = int(db.execute("PRAGMA application_id").fetchone()[0])
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
        tables = {str(row[0]) for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return application, version, tables


def _damaged(path: Path, known: bool) -> Whose:
    """A file that cannot be read is ours where something says so: a trace in it, or a neighbour of it."""
    with path.open("rb") as file:
        front = file.read(TRACE_BYTES)
    if known or any(trace in front for trace in TRACES) or not front.strip(b"\0"):
        return Whose.DAMAGED
    raise JournalError(f"the file {path} is no journal of kojimon; point journal.file at another file")
