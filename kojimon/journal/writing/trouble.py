"""What a storage error means and what a person can do about it.

The first two sentences are what a phone shows at 3 in the morning: the true cause, and the one thing to do.
"""

from __future__ import annotations

import errno
import sqlite3
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from typing import Final, NamedTuple

from kojimon.errors import JournalError


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


MEANWHILE: Final = "Alarms go on, readings are kept in memory"
FULL: Final = f"The card is full. Free some space. {MEANWHILE}"
READ_ONLY: Final = f"The card is read-only. Check it, or change it. {MEANWHILE}"
HUNG: Final = f"The card does not answer. Check it, or change it. {MEANWHILE}"
FAILING: Final = f"The card cannot be written. Check it, or change it. {MEANWHILE}"
TAKEN: Final = f"Another file lies where the journal should. Move it away. {MEANWHILE}"
_LOCKED = f"Another program has locked the journal. Close it. {MEANWHILE}"

_BY_CODE = {
    sqlite3.SQLITE_FULL: (Kind.FULL, FULL),
    sqlite3.SQLITE_IOERR: (Kind.DISK, FAILING),
    sqlite3.SQLITE_READONLY: (Kind.DISK, f"The journal is read-only. Check its owner and rights. {MEANWHILE}"),
    sqlite3.SQLITE_CANTOPEN: (Kind.DISK, f"The journal cannot be opened. Is its folder there? {MEANWHILE}"),
    sqlite3.SQLITE_PERM: (Kind.DISK, f"The journal may not be written. Check its owner and rights. {MEANWHILE}"),
    sqlite3.SQLITE_BUSY: (Kind.BUSY, _LOCKED),
    sqlite3.SQLITE_LOCKED: (Kind.BUSY, _LOCKED),
    sqlite3.SQLITE_PROTOCOL: (Kind.BUSY, _LOCKED),
    sqlite3.SQLITE_CORRUPT: (Kind.CORRUPT, "the journal is damaged"),
    sqlite3.SQLITE_NOTADB: (Kind.CORRUPT, "the journal is damaged: it is no SQLite file any more"),
}


def trouble_of(error: Exception, path: Path | None = None) -> Trouble:
    """Sorts an exception raised while the journal was written.

    Args:
        path: the journal, for asking its file system what SQLite cannot tell: an I/O error is all it sees of a card
            that the kernel has made read-only.
    """
    if isinstance(error, JournalError):
        return Trouble(Kind.DISK, f"{TAKEN} ({error})")
    if isinstance(error, OSError):
        return Trouble(Kind.DISK, f"{_by_file_system(path) or FAILING} ({error.strerror or error})")
    if isinstance(error, UnicodeDecodeError):  # SQLite names a damaged schema in the letters it found there
        return Trouble(Kind.CORRUPT, "the journal is damaged")
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return Trouble(Kind.MISTAKE, f"a row could not be stored: {error}")
    kind, text = _BY_CODE.get(code & 0xFF, (Kind.MISTAKE, "a row could not be stored"))
    if kind is Kind.DISK:
        text = _by_file_system(path) or text
    return Trouble(kind, f"{text} ({error})")


def _by_file_system(path: Path | None) -> str:
    """What the file system below a path answers when asked to keep a small file: read-only, full, or "" for neither.

    Asked by trying: a card that the kernel has made read-only after an error may still be listed as writable.
    """
    if path is None:
        return ""
    trial = path.with_name(path.name + ".trial")
    try:
        trial.unlink(missing_ok=True)
        with trial.open("xb") as file:
            file.write(bytes(4096))
        return ""
    except OSError as problem:
        return {errno.EROFS: READ_ONLY, errno.ENOSPC: FULL, errno.EDQUOT: FULL}.get(problem.errno or 0, "")
    finally:
        with suppress(OSError):
            trial.unlink(missing_ok=True)
