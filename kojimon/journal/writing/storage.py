"""Keeps a store usable: opens it, sorts its errors, gives up the ballast, sets a damaged file aside, tries again.

When a commit fails with an I/O error the connection is closed and opened anew and the same rows are written once
more: after a failed sync neither SQLite nor the kernel can be trusted to have kept them.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Final

from kojimon import logs
from kojimon.clock import Backoff
from kojimon.errors import JournalError
from kojimon.journal.files.beside import Ballast
from kojimon.journal.files.damage import AWAY, DAMAGED, EMPTY, GONE, SAVED, SHORT, any_there, begin_new, set_aside
from kojimon.journal.files.last import Last, lay
from kojimon.journal.records import Chunk, Placed, ThinnedSpan
from kojimon.journal.writing.names import NumbersClash, assign, register
from kojimon.journal.writing.store import Step, Store, connect, no_step
from kojimon.journal.writing.trouble import Kind, Trouble, trouble_of

log = logs.get("journal")

RETRY_FIRST_S: Final = 1.0
RETRY_MOST_S: Final = 30.0
BALLAST_LOOK_S: Final = 60.0
NEARLY_FULL: Final = "The card is full, or nearly so. Free some space. No reserve is left"

Job = Callable[[sqlite3.Connection], Any]
Replaced = Callable[[str, Path | None], Last | None]


class Storage:
    """Used by the writer thread alone. Real time (`now_s`) is passed in.

    Args:
        path: the journal.
        ballast: given up when the disk is full.
        on_trouble: told once a change: what is wrong, or "" when storage works again.
        refused: why the file at the path is not to be touched for as long as it lies there.
        after_seq: number of the row after which memory goes on; a journal that goes beyond it is another past;
            None: not known.
        on_replaced: told that the journal was lost while in use (what happened, where what is left of it lies); answers
            with what the new one must hold for the batch to go on.
    """

    def __init__(
        self,
        path: Path,
        ballast: Ballast,
        on_trouble: Callable[[str], None],
        step: Step = no_step,
        on_replaced: Replaced = lambda _what, _aside: None,
    ) -> None:
        self.path = path
        self.trouble = ""
        self.mistakes = 0
        self._ballast, self._on_trouble, self._step = ballast, on_trouble, step
        self._on_replaced = on_replaced
        self.refused = ""
        self.after_seq: int | None = None
        self._file: tuple[int, int] = (0, 0)
        self._wal: tuple[int, int] = (0, 0)
        self._store: Store | None = None
        self._last: tuple[int, Sequence[Chunk]] = (0, ())
        self._owed: tuple[dict[str, int], list[Placed]] | None = None
        self.retry = Backoff(RETRY_FIRST_S, RETRY_MOST_S)
        self._ballast_at_s = -1e9

    def ready(self, now_s: float) -> bool:
        """Opens the store where it is not open and a try is due. Returns whether it is open."""
        if not self.retry.due(now_s):
            return False
        if self._store is not None:
            return True
        try:
            self._store = self._open()
        except (sqlite3.Error, OSError, JournalError) as problem:
            self._failed(trouble_of(problem, self.path), now_s)
            return False
        return True

    @property
    def failing(self) -> bool:
        """Whether the last commit failed, or nothing can be opened to commit to."""
        return self.trouble not in ("", NEARLY_FULL)

    def _open(self, what: str = "", aside: Path | None = None) -> Store:
        """Opens it, with what it lacks.

        Args:
            what: what happened to the one before, where this one is new; aside: where that one lies.
        """
        if self.refused and os.path.lexists(self.path):
            raise JournalError(self.refused)
        self.refused = ""
        store = Store(self.path, self._step)
        try:
            store.mark_in_use(True)
            last_no, chunks = self._last
            last_seq = int(store.db.execute("SELECT last_seq FROM progress").fetchone()[0])
            if not last_no and self.after_seq is not None and last_seq > self.after_seq:
                raise NumbersClash("the journal goes beyond what memory began with")
            if what or (not last_seq and (last_no or self.after_seq)):
                self._lay(store, self._on_replaced(what or GONE, aside))
            if chunks and store.commit_no() < last_no:
                log.error("the last commit is missing in the journal; it is written again")
                store.commit(chunks, last_no)
            if self._owed:
                store.db.execute("BEGIN IMMEDIATE")
                register(store.db, list(self._owed[0]), self._owed[1], self._owed[0])
                store.db.execute("COMMIT")
                self._owed = None
        except NumbersClash:
            store.roll_back()
            store.close()
            # The numbers in memory are in use already; mixing them with the file's would give a probe another's past.
            aside = set_aside(self.path, "unread")
            log.error("the journal numbers probes or rows otherwise: set aside as %s", aside.name)
            return self._open(AWAY, aside)
        except BaseException:
            store.roll_back()
            store.close()
            raise
        self._file = self._wal = (0, 0)
        return store

    @staticmethod
    def _lay(store: Store, last: Last | None) -> None:
        if last is not None:
            lay(store.db, last)

    def _missing(self) -> str:
        """Whether the file that is written to is still the one at the path, and whole: SQLite would not notice."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return GONE
        inode, size = self._file
        self._file = (found.st_ino, found.st_size)
        if inode and inode != found.st_ino:
            return GONE
        return EMPTY if found.st_size < size else self._wal_missing(self._wal_now())

    def _wal_now(self) -> tuple[int, int]:
        try:
            found = self.path.with_name(f"{self.path.name}-wal").stat()
        except OSError:
            return 0, 0
        return found.st_ino, found.st_size

    def _wal_missing(self, now: tuple[int, int]) -> str:
        """The same for the -wal: what was committed lies in it until it is moved into the file."""
        inode, size = self._wal
        if not inode or (now[0] == inode and now[1] >= size):
            return ""
        if now[0] != inode:
            return GONE
        try:
            with closing(connect(self.path)) as db:
                whole = db.execute("SELECT commit_no FROM progress").fetchone()[0] == self._last[0]
                if whole:  # another program moved it into the file in order; or nothing was in it any more
                    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except (sqlite3.Error, OSError, TypeError, JournalError):
            whole = False
        return "" if whole else SHORT

    def commit(self, chunks: Sequence[Chunk], span: ThinnedSpan | None, now_s: float) -> bool:
        """Writes chunks in one transaction. Returns whether they are on the disk."""
        for _ in range(2):
            if self._store is None:
                return False
            try:
                if (what := self._missing()) and not self._begin_anew(what, now_s):
                    return False
                number = max(self._last[0], self._store.commit_no()) + 1
                self._store.commit(chunks, number, span)
            except (sqlite3.Error, OSError, TypeError, ValueError, KeyError, AttributeError) as problem:
                if not self._mend(problem, now_s):
                    return False
                continue
            self._last, self._wal = (number, tuple(chunks)), self._wal_now()
            self._worked(now_s)
            return True
        return False

    def _mend(self, problem: Exception, now_s: float) -> bool:
        """After a failed commit: whether trying again at once makes sense."""
        trouble = trouble_of(problem, self.path)
        if trouble.kind is Kind.FULL and self._ballast.give_up():
            self._tell(NEARLY_FULL)
            return True
        if trouble.kind is Kind.CORRUPT:
            return self._begin_anew(DAMAGED, now_s)
        if trouble.kind is Kind.MISTAKE:
            raise problem
        self._failed(trouble, now_s)
        return False

    def _begin_anew(self, what: str, now_s: float) -> bool:
        """A file found damaged or missing while in use is set aside; the daemon goes on with a new one."""
        store, self._store = self._store, None
        try:
            aside, what = self._begin(store, what)
            last = self._on_replaced(what, aside)
            if last is not None and what != SAVED:
                with closing(connect(self.path)) as db:
                    lay(db, last)
        except (sqlite3.Error, OSError, JournalError) as problem:
            self._failed(trouble_of(problem, self.path), now_s)
            return False
        return self.ready(now_s)

    def _begin(self, store: Store | None, what: str) -> tuple[Path | None, str]:
        """The new file, with what there is of the old one; a deleted one can still be read as long as it is open."""
        try:
            if store is None or what != GONE:
                return begin_new(self.path, whole=what != SHORT), what
            aside = set_aside(self.path, "other") if any_there(self.path) else None
            with suppress(sqlite3.Error), closing(connect(self.path)) as db:
                store.db.backup(db)
                what = SAVED
            return aside, what
        finally:
            if store is not None:
                with suppress(sqlite3.Error):
                    store.close()

    def run(self, job: Job, now_s: float) -> Any:
        """Runs a job in a transaction of its own. Raises what the job raises."""
        if self._store is None:
            raise JournalError(f"the journal cannot be written now: {self.trouble}")
        db = self._store.db
        try:
            db.execute("BEGIN IMMEDIATE")
            answer = job(db)
            db.execute("COMMIT")
            self._wal = self._wal_now()
        except BaseException as problem:
            self._store.roll_back()
            if isinstance(problem, sqlite3.Error | OSError):
                trouble = trouble_of(problem, self.path)
                if trouble.kind is not Kind.MISTAKE:
                    self._failed(trouble, now_s)
            raise
        return answer

    def owe_probes(self, names: Sequence[str], placed: Sequence[Placed], known: Mapping[str, int]) -> dict[str, int]:
        """Numbers given in memory, to be written when storage works again; `known` are those in the file."""
        numbers = assign(names, {**known, **(self._owed[0] if self._owed else {})})
        self._owed = (numbers, list(placed))
        return numbers

    def _failed(self, trouble: Trouble, now_s: float) -> None:
        self._tell(trouble.text)
        if trouble.kind is not Kind.BUSY:
            self.close_store()
        self.retry.failed(now_s)

    def _worked(self, now_s: float) -> None:
        self.retry.worked(now_s)
        if now_s >= self._ballast_at_s:
            self._ballast_at_s = now_s + BALLAST_LOOK_S
            self._tell("" if self._ballast.make() else NEARLY_FULL)
        elif self.trouble != NEARLY_FULL:
            self._tell("")

    def _tell(self, text: str) -> None:
        """Passes on a change between well, nearly full and failing, and of the cause; not each wording of the same."""
        before, self.trouble = self.trouble, text
        if text.partition(" (")[0] != before.partition(" (")[0]:
            (log.error if text else log.info)("storage: %s", text or "works again")
            self._on_trouble(text)

    def close_store(self) -> None:
        """Closes the connection; the journal stays marked as in use."""
        store, self._store = self._store, None
        if store is not None:
            try:
                store.close()
            except sqlite3.Error as problem:
                log.warning("closing the journal: %s", problem)

    def close(self, clean: bool) -> None:
        """Closes at the end; `clean` marks the journal as orderly closed."""
        if self._store is not None and clean:
            try:
                self._store.mark_in_use(False)
            except sqlite3.Error as problem:
                log.warning("the journal could not be marked as closed: %s", problem)
        self.close_store()
