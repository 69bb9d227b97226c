"""What a storage error means and what a person can do about it."""

from __future__ import annotations

import sqlite3
from enum import StrEnum
from typing import NamedTuple


class Kind(StrEnum):
    """How the writer goes on after an error."""

    FULL = "full"
    """No space: the ballast goes, then memory."""
    DISK = "disk"
    """I/O error, read-only, cannot be opened: a new connection, then memory."""
    BUSY = "busy"
    """Another program holds the write lock."""
    CORRUPT = "corrupt"
    """The file is damaged: it is set aside and a new one begun."""
    MISTAKE = "mistake"
    """Not the storage's fault: a value that cannot be stored."""


class Trouble(NamedTuple):
    """An error, sorted, in words."""

    kind: Kind
    text: str


_BY_CODE = {
    sqlite3.SQLITE_FULL: (Kind.FULL, "the disk is full; free some space, recording goes on in memory until then"),
    sqlite3.SQLITE_IOERR: (Kind.DISK, "the disk cannot be written; recording goes on in memory. Check the card"),
    sqlite3.SQLITE_READONLY: (Kind.DISK, "the journal cannot be written (read-only); check mount and permissions"),
    sqlite3.SQLITE_CANTOPEN: (Kind.DISK, "the journal cannot be opened; check that its folder is there and writable"),
    sqlite3.SQLITE_PERM: (Kind.DISK, "the journal may not be written; check its owner and permissions"),
    sqlite3.SQLITE_BUSY: (Kind.BUSY, "another program is writing to the journal; close it"),
    sqlite3.SQLITE_LOCKED: (Kind.BUSY, "another program has locked the journal; close it"),
    sqlite3.SQLITE_PROTOCOL: (Kind.BUSY, "another program has locked the journal; close it"),
    sqlite3.SQLITE_CORRUPT: (Kind.CORRUPT, "the journal is damaged"),
    sqlite3.SQLITE_NOTADB: (Kind.CORRUPT, "the journal is damaged: it is no SQLite file any more"),
}


def trouble_of(error: Exception) -> Trouble:
    """Sorts an exception raised while the journal was written."""
    if isinstance(error, OSError):
        return Trouble(Kind.DISK, f"the disk failed: {error.strerror or error}; recording goes on in memory")
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return Trouble(Kind.MISTAKE, f"a row could not be stored: {error}")
    kind, text = _BY_CODE.get(code & 0xFF, (Kind.MISTAKE, "a row could not be stored"))
    return Trouble(kind, f"{text} ({error})")
