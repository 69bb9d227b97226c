"""What lies beside the journal: the lock and the ballast. A link, pipe or folder in their place is moved away."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from stat import S_ISREG

from kojimon import logs
from kojimon.errors import JournalError

log = logs.get("journal")


def move_odd(file: Path) -> None:
    """Moves away what is no plain file where one belongs: a pipe, a link, a folder. Nothing is written through it."""
    try:
        if S_ISREG(file.lstat().st_mode):
            return
    except FileNotFoundError:
        return
    number = 1
    while os.path.lexists(target := file.with_name(f"{file.name}.odd-{number}")):
        number += 1
    file.rename(target)
    log.error("%s was no plain file; it is now %s", file.name, target.name)


class Lock:
    """Holds `<journal>.lock` and the journal itself for the life of the process; the kernel lets go at any death.

    The one says who has it also where there is no journal yet; the other holds by any name of the file, and though the
    first was removed. It is a flock, which SQLite's own locks know nothing of.
    """

    def __init__(self, journal: Path) -> None:
        # By a symbolic link another name of it would be another lock, and two daemons would write one journal.
        real = Path(os.path.realpath(journal))
        self.path = real.with_name(real.name + ".lock")
        self._journal = real
        self._fd = self._file = -1

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
                "stop that one first, or give this one another journal.file"
            ) from None
        if writable:
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        self._fd = fd
        try:
            self.hold()
        except JournalError:
            self.release()
            raise

    def hold(self) -> None:
        """Holds the file at the journal's path. Raises JournalError when another process does."""
        try:
            if self._file >= 0 and os.path.samestat(os.fstat(self._file), self._journal.stat()):
                return  # closing a second descriptor of it would drop SQLite's locks
            fd = os.open(self._journal, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError:
            return
        try:
            if S_ISREG(os.fstat(fd).st_mode):
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(fd)
            raise JournalError(
                f"the journal {self._journal.name} is in use by another process, perhaps by another name of the file; "
                "stop that one first, or give this one another journal.file"
            ) from None
        except OSError as problem:
            log.warning("the journal cannot be locked here: %s", problem)
        old, self._file = self._file, fd
        if old >= 0:
            os.close(old)

    def renew(self) -> None:
        """After the folder or the file was lost and came back: holds what is there now."""
        try:
            if self._fd < 0 or not self.path.exists() or not os.path.samestat(os.fstat(self._fd), self.path.stat()):
                old, self._fd = self._fd, -1
                if old >= 0:
                    os.close(old)
                self.take()
            self.hold()
        except (OSError, JournalError) as problem:
            log.error("the journal cannot be locked anew: %s", problem)

    def _open(self) -> tuple[int, bool]:
        """The file, and whether it can be written: on a read-only card an old lock file serves as well."""
        move_odd(self.path)
        try:
            return os.open(self.path, os.O_RDWR | os.O_NOFOLLOW | os.O_CREAT | os.O_CLOEXEC, 0o644), True
        except OSError as problem:
            if problem.errno != errno.EROFS or not self.path.exists():
                raise
            return os.open(self.path, os.O_RDONLY | os.O_CLOEXEC), False

    def let_go(self) -> None:
        """Lets go of the journal alone: what lies there is another's."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def release(self) -> None:
        """Lets go; the file stays, because removing it could split two waiters over two files."""
        for fd in (self._fd, self._file):
            if fd >= 0:
                os.close(fd)
        self._fd = self._file = -1


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
            move_odd(self.path)
            if self.path.exists() and self.path.stat().st_size >= self._size:
                return True
            space = os.statvfs(self.path.parent)
            if space.f_bavail * space.f_frsize < 3 * self._size:
                return False
            self.path.unlink(missing_ok=True)
            with self.path.open("xb") as file:
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
