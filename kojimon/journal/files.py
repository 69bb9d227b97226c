"""The files around the journal: lock, ballast, damaged files set aside, and the check at opening.

Nothing here opens the journal, its -wal or its -shm except through SQLite: closing a descriptor of them by hand would
drop SQLite's locks in this process.
"""

from __future__ import annotations

import errno
import fcntl
import os
import sqlite3
from pathlib import Path
from typing import Final, NamedTuple

from kojimon import logs
from kojimon.errors import JournalError
from kojimon.journal.salvage import salvage
from kojimon.journal.store import Store, connect
from kojimon.journal.trouble import Kind, trouble_of

log = logs.get("journal")

SIDE_FILES: Final = ("", "-wal", "-shm")


class Lock:
    """Holds `<journal>.lock` for the life of the process; the kernel lets go of it at any death."""

    def __init__(self, journal: Path) -> None:
        # By a symbolic link another name of it would be another lock, and two daemons would write one journal.
        real = journal.resolve()
        self.path = real.with_name(real.name + ".lock")
        self._fd = -1

    def take(self) -> None:
        """Raises JournalError when another process holds it, OSError when it can be neither made nor opened."""
        fd, writable = self._open()
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(fd, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(fd)
            raise JournalError(
                f"the journal {self.path.name.removesuffix('.lock')} is in use by process {holder}; "
                "stop that one first, or give this one another journal.path"
            ) from None
        if writable:
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        self._fd = fd

    def _open(self) -> tuple[int, bool]:
        """The file, and whether it can be written: on a read-only card an old lock file serves as well."""
        try:
            return os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644), True
        except OSError as problem:
            if problem.errno != errno.EROFS or not self.path.exists():
                raise
            return os.open(self.path, os.O_RDONLY | os.O_CLOEXEC), False

    def release(self) -> None:
        """Lets go; the file stays, because removing it could split two waiters over two files."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


class Ballast:
    """A file of real blocks beside the journal, given up when the disk is full: then even a delete needs space."""

    def __init__(self, journal: Path, size_bytes: int) -> None:
        self.path = journal.with_name(journal.name + ".ballast")
        self._size = size_bytes

    def make(self) -> bool:
        """Makes the file where it is missing and space is there three times over. Returns False for want of it."""
        if self._size <= 0:
            return True
        try:
            if self.path.exists() and self.path.stat().st_size >= self._size:
                return True
            space = os.statvfs(self.path.parent)
            if space.f_bavail * space.f_frsize < 3 * self._size:
                return False
            with self.path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size)
        except OSError as problem:
            log.warning("no ballast file: %s", problem)
            self.give_up()
            return False
        return True

    def give_up(self) -> bool:
        """Removes the file. Returns whether that freed space."""
        try:
            self.path.unlink()
        except OSError:
            return False
        return True


def set_aside(journal: Path, reason: str = "corrupt") -> Path:
    """Renames the journal and its side files to the next free `<journal>.<reason>-N`. Returns the new name."""
    number = 1
    while journal.with_name(f"{journal.name}.{reason}-{number}").exists():
        number += 1
    target = journal.with_name(f"{journal.name}.{reason}-{number}")
    for suffix in reversed(SIDE_FILES):
        old = journal.with_name(journal.name + suffix)
        if old.exists():
            old.rename(target.with_name(target.name + suffix))
    return target


class Opened(NamedTuple):
    """What opening found.

    Attributes:
        lock: to be released at the very end.
        unclean: the last daemon did not close the journal in order.
        set_aside: where a damaged journal lies now; None where it was sound.
        trouble: why nothing can be stored at present, "" when it can.
    """

    lock: Lock
    unclean: bool
    set_aside: Path | None
    trouble: str


def open_or_recover(path: Path) -> Opened:
    """Takes the lock, checks the journal after an unclean stop, proves that it can be written.

    A damaged file is set aside and a new one begun with what could be salvaged. Where storage fails the daemon is to
    run all the same: the trouble is told in the answer.

    Raises:
        JournalError: another process uses the journal, or the file is of a newer kojimon or another program.
    """
    lock = Lock(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.take()
    except OSError as problem:
        return Opened(lock, True, None, trouble_of(problem, path).text)
    try:
        return _check(path, lock)
    except JournalError:
        lock.release()
        raise


def _check(path: Path, lock: Lock) -> Opened:
    aside: Path | None = None
    unclean = False
    try:
        unclean = _sound(path)
    except (sqlite3.Error, OSError) as problem:
        trouble = trouble_of(problem, path)
        if trouble.kind is not Kind.CORRUPT:
            return Opened(lock, True, None, trouble.text)
        unclean = True
        aside = begin_new(path)
    return Opened(lock, unclean, aside, prove(path))


def _sound(path: Path) -> bool:
    """Whether the last stop was unclean. Raises sqlite3.DatabaseError when quick_check finds damage."""
    if not path.exists():
        return False
    db = connect(path)
    try:
        unclean = bool(db.execute("SELECT in_use FROM progress").fetchone()[0])
        if unclean:
            quick_check(db)
        return unclean
    finally:
        db.close()


def quick_check(db: sqlite3.Connection) -> None:
    """Raises sqlite3.DatabaseError (SQLITE_CORRUPT) when SQLite's quick_check finds damage."""
    answer = [str(row[0]) for row in db.execute("PRAGMA quick_check(3)").fetchall()]
    if answer != ["ok"]:
        error = sqlite3.DatabaseError("; ".join(answer))
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def begin_new(path: Path) -> Path:
    """Sets a damaged journal aside and begins a new one with what can be salvaged. Returns where the old one lies."""
    aside = set_aside(path)
    db = connect(path)
    try:
        kept = salvage(aside, db)
    finally:
        db.close()
    log.error("the journal was damaged: set aside as %s, %d rows carried over", aside.name, kept)
    return aside


def prove(path: Path) -> str:
    """Writes, syncs and reads back. Returns "" or why nothing can be stored."""
    try:
        store = Store(path)
        try:
            store.mark_in_use(True)
            marked = store.db.execute("SELECT in_use FROM progress").fetchone()[0]
        finally:
            store.close()
    except (sqlite3.Error, OSError) as problem:
        return trouble_of(problem, path).text
    return "" if marked == 1 else "the journal does not keep what is written"
