"""The journal's own files: damaged ones set aside, and the check at opening (lock and ballast: beside.py).

Nothing here opens the journal, its -wal or its -shm except through SQLite: closing a descriptor of them by hand would
drop SQLite's locks in this process.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

from kojimon import logs
from kojimon.clock import real_s
from kojimon.errors import JournalError
from kojimon.journal.files.beside import Lock, move_odd
from kojimon.journal.files.identity import Whose, identify
from kojimon.journal.files.last import Last, kept, lay
from kojimon.journal.files.salvage import HORIZON_MS, latest_ms, salvage, salvage_alone
from kojimon.journal.writing.store import Store, connect
from kojimon.journal.writing.trouble import Kind, trouble_of

log = logs.get("journal")

SIDE_FILES: Final = ("", "-wal", "-shm")
CHECK_S: Final = 20.0
"""Longest check at a start, real seconds: a batch must not go unwatched for it."""


def set_aside(journal: Path, reason: str = "corrupt") -> Path:
    """Renames the journal and its side files to `<journal>.<reason>-DATE-N`. Returns the new name.

    The date is that of its last change.
    """
    there = [journal.with_name(journal.name + suffix) for suffix in SIDE_FILES]
    changed_s = max((file.lstat().st_mtime for file in there if os.path.lexists(file)), default=0.0)
    stem = f"{journal.name}.{reason}-{datetime.fromtimestamp(changed_s, UTC):%Y-%m-%d}"
    number = 1
    while any(os.path.lexists(journal.with_name(f"{stem}-{number}{suffix}")) for suffix in SIDE_FILES):
        number += 1
    target = journal.with_name(f"{stem}-{number}")
    for suffix in reversed(SIDE_FILES):
        old = journal.with_name(journal.name + suffix)
        if os.path.lexists(old):
            old.rename(target.with_name(target.name + suffix))
    return target


def any_there(journal: Path) -> bool:
    """Whether the journal or a file of SQLite beside it is there."""
    return any(os.path.lexists(journal.with_name(journal.name + suffix)) for suffix in SIDE_FILES)


class Opened(NamedTuple):
    """What opening found.

    Attributes:
        lock: to be released at the very end.
        unclean: the last daemon did not close the journal in order.
        set_aside: where a damaged journal lies now; None where it was sound.
        trouble: why nothing can be stored at present, "" when it can.
        story: what happened to the journal, in words, "" where nothing did.
        wake: whether that is worth a sleeper: the batch hung on it.
        last: what was kept beside the journal before this start (`last.py`).
        refused: why the file at the path may not be touched, though a batch is open; "" where it may.
    """

    lock: Lock
    unclean: bool
    set_aside: Path | None
    trouble: str
    story: str = ""
    wake: bool = False
    last: Last | None = None
    refused: str = ""


def open_or_recover(path: Path) -> Opened:
    """Takes the lock, checks the journal, proves that it can be written.

    A damaged file is set aside and a new one begun with what could be salvaged; what an open batch hangs on comes from
    `last.py` where the journal lacks it. Where storage fails the daemon is to run all the same: the trouble is told in
    the answer.

    Raises:
        JournalError: another process uses the journal; or the file is of a newer kojimon or another program, and
            no batch was open by what is kept beside it (else it is left alone, and watched from memory).
    """
    lock, last = Lock(path), kept(path)
    try:
        known = lock.path.exists()
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.take()
    except OSError as problem:
        return Opened(lock, True, None, trouble_of(problem, path).text, last=last)
    try:
        return _check(path, lock, known, last)
    except JournalError as refusal:
        lock.let_go()
        if last is not None and last.at_work:
            text = trouble_of(refusal).text
            return Opened(lock, True, None, text, last=last, refused=str(refusal))
        if not known:  # a neighbour that says that a journal of ours is here, which it is not
            lock.path.unlink(missing_ok=True)
        lock.release()
        raise


def _check(path: Path, lock: Lock, known: bool, last: Last | None) -> Opened:
    unclean, aside, what = False, None, ""
    try:
        for suffix in SIDE_FILES[1:]:
            move_odd(path.with_name(path.name + suffix))
        wal = path.with_name(f"{path.name}-wal").exists()
        whose = identify(path, known or last is not None)
        if whose is Whose.DAMAGED:
            raise _corrupt("it cannot be read")
        if whose is Whose.OURS:
            unclean = _sound(path)
            what = SHORT if unclean and not wal else ""
        elif known or last is not None:
            what = EMPTY if path.exists() else GONE
            unclean, aside = True, set_aside(path, "empty") if any_there(path) else None
            what = "" if last is None and what is GONE else what
    except JournalError:
        raise
    except Exception as problem:  # a start never fails for what lies in a file
        trouble = trouble_of(problem, path)
        if trouble.kind not in (Kind.CORRUPT, Kind.MISTAKE):
            return Opened(lock, True, None, trouble.text, last=last)
        log.error("the journal cannot be used: %s", problem)
        return mend(path, Opened(lock, True, None, "", last=last), carry=True)
    return _completed(Opened(lock, unclean, aside, prove(path), last=last), path, what)


def mend(path: Path, opened: Opened, carry: bool) -> Opened:
    """For a journal that was opened and yet cannot be used: set aside, and begun anew.

    Args:
        carry: whether what can be read of it comes along.
    """
    try:
        aside = begin_new(path, carry)
    except (sqlite3.Error, OSError, JournalError) as problem:
        return opened._replace(unclean=True, trouble=trouble_of(problem, path).text)
    return _completed(Opened(opened.lock, True, aside, prove(path), last=opened.last), path, DAMAGED)


def _completed(opened: Opened, path: Path, what: str) -> Opened:
    """Lays in what the journal lacks of its last known state, and puts into words what happened."""
    last = opened.last
    opened.lock.hold()
    if opened.trouble or not (what or last):
        return opened
    laid, names = False, tuple[str, ...]()
    try:
        with closing(connect(path)) as db:
            laid = last is not None and lay(db, last)
            rows = db.execute("SELECT coalesce(nullif(name, ''), id) FROM batch WHERE ended_t_ms IS NULL")
            names = tuple(str(row[0]) for row in rows)
    except (sqlite3.Error, OSError, ValueError, TypeError) as problem:
        log.warning("what the journal lacks cannot be laid in: %s", problem)
    if not what and not laid:
        return opened
    wake = bool(last and last.at_work) and (laid or not names)
    return opened._replace(story=story(what or SHORT, opened.set_aside, names), wake=wake)


GONE: Final = "The journal is gone"
EMPTY: Final = "The journal was empty"
DAMAGED: Final = "The journal was damaged"
SHORT: Final = "The journal lacks its newest part"
SAVED: Final = "The journal was deleted"
FORGOT: Final = "The journal had lost the batch"
AWAY: Final = "The journal was out of reach"
UNREAD: Final = "The journal cannot be opened"


_BESIDE: Final = "It was taken from the copy beside the journal. Check its steps: the newest may be missing"


def story(what: str, aside: Path | None, batches: Sequence[str]) -> str:
    """What happened to a journal: the fact, what it means for the batch, what is gone and where the rest lies."""
    goes_on = "The batch goes on" if batches else "No batch is open; if one was, start it anew"
    lost = {
        DAMAGED: "A new one was begun with what could be read; older readings are only in the file set aside",
        SHORT: "What was measured in the last minutes before the end is missing",
        FORGOT: _BESIDE,
        UNREAD: _BESIDE,
        SAVED: "It was written anew from what was still open; nothing is missing",
    }.get(what, "A new one was begun; the readings before are missing in it")
    where = f". Set aside as {aside.name}" if aside is not None else ""
    return f"{what}. {goes_on}. {lost}{where}"


def _sound(path: Path) -> bool:
    """Whether the last stop was unclean. Raises sqlite3.DatabaseError when quick_check finds damage."""
    with closing(connect(path)) as db:
        marks = db.execute("SELECT in_use, horizon_ms FROM progress").fetchone()
        if marks is None or marks[1] > latest_ms(db) + HORIZON_MS:
            raise _corrupt("how far it had got is not in it")
        unclean = bool(marks[0])
        until_s = real_s() + CHECK_S
        db.set_progress_handler(lambda: real_s() > until_s, 100_000)
        try:
            quick_check(db)
        except sqlite3.OperationalError as problem:
            if problem.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
                raise
            log.warning("the journal is too large to be checked within %g s; it is used as it is", CHECK_S)
        finally:
            db.set_progress_handler(None, 0)
        return unclean


def _corrupt(text: str) -> sqlite3.DatabaseError:
    error = sqlite3.DatabaseError(text)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def quick_check(db: sqlite3.Connection) -> None:
    """Raises sqlite3.DatabaseError (SQLITE_CORRUPT) when SQLite's quick_check finds damage."""
    answer = [str(row[0]) for row in db.execute("PRAGMA quick_check(3)").fetchall()]
    if answer != ["ok"]:
        raise _corrupt("; ".join(answer))


def begin_new(path: Path, carry: bool = True, whole: bool = True) -> Path:
    """Sets a damaged journal aside and begins a new one with what can be salvaged. Returns where the old one lies.

    Args:
        carry: whether anything is taken over.
        whole: whether its -wal counts; one that was cut off while in use does not.
    """
    aside, kept_rows = set_aside(path), 0
    with closing(connect(path)) as db:
        try:
            kept_rows = (salvage if whole else salvage_alone)(aside, db, connect) if carry else 0
        except Exception:
            log.exception("nothing can be carried over from the damaged journal")
    rows = f"{kept_rows} rows carried over" if whole else "the newest part is lost"
    log.error("the journal was damaged: set aside as %s, %s", aside.name, rows)
    return aside


def fold(path: Path) -> None:
    """After an orderly stop: moves the WAL into the file, so that one file is left; not where somebody still reads."""
    if path.with_name(f"{path.name}-wal").exists():
        with suppress(sqlite3.Error, OSError, JournalError), closing(connect(path)):
            pass


def prove(path: Path) -> str:
    """Writes, syncs and reads back. Returns "" or why nothing can be stored."""
    try:
        with closing(Store(path)) as store:
            store.mark_in_use(True)
            marked = store.db.execute("SELECT in_use FROM progress").fetchone()[0]
    except (sqlite3.Error, OSError) as problem:
        return trouble_of(problem, path).text
    return "" if marked == 1 else "the journal does not keep what is written"
