"""Copies the journal elsewhere with its photos, checks a copy, and takes one back.

By SQLite's own backup: a plain copy of a live journal loses the newest rows. Photos are named after what they hold, so
one folder serves all generations and only new ones are copied.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Final, NamedTuple
from urllib.parse import quote

from kojimon.errors import JournalError
from kojimon.journal.files.beside import Lock
from kojimon.journal.files.damage import any_there, quick_check, set_aside
from kojimon.journal.files.identity import Whose, identify
from kojimon.journal.files.last import file_of
from kojimon.journal.reading.reader import how_to_read
from kojimon.journal.writing.store import private

GENERATIONS: Final = 3
PAGES_A_STEP: Final = 2000
"""Pages (4 KiB) between two looks at `stopping`."""


def backup(journal: Path, folder: Path, stopping: Callable[[], bool] = lambda: False) -> Path:
    """Writes a checked copy of the journal into folder, keeping the last GENERATIONS copies, and its photos.

    Generation 1 is the newest: `<journal>.1`, `.2`, `.3`. The copy is written under another name, checked with
    quick_check, and only then takes its place, so a failed backup costs no earlier one.

    Args:
        journal: may be in use by a daemon.
        folder: best on another medium; made where it is missing.
        stopping: asked now and then; true gives up.

    Raises:
        JournalError: the copy could not be made; the text says why. Earlier copies are untouched.
    """
    unfinished = folder / f"{journal.name}.unfinished"
    try:
        if journal.exists() and not journal.is_file():  # a pipe would be waited for
            raise JournalError(f"no backup: {journal} is a folder, a pipe or a device")
        folder.mkdir(parents=True, exist_ok=True)
        if folder.resolve() == journal.parent.resolve():
            raise JournalError(
                f"the backup folder {folder} is the journal's own; name another one, best on another disk"
            )
        unfinished.unlink(missing_ok=True)
        private(unfinished)
        _copy(journal, unfinished, stopping)
        _copy_photos(photos_of(journal), folder / photos_of(journal).name)
        _shift(journal.name, folder)
        newest = unfinished.rename(folder / f"{journal.name}.1")
        _sync_folder(folder)
    except (OSError, sqlite3.Error) as problem:
        with suppress(OSError):
            unfinished.unlink()
        raise JournalError(f"no backup into {folder}: {problem}; the earlier ones are untouched") from problem
    return newest


def restore(copy: Path, journal: Path) -> Path | None:
    """Takes a copy back as the journal, with the photos beside it; what lay there is set aside.

    What an open batch hung on goes aside as well: the journal is as the copy has it.

    Args:
        copy: the file, or a folder of backups of this journal: then the newest.

    Returns:
        where the journal lies that was there before; None where there was none.

    Raises:
        JournalError: a daemon has the journal, or the copy is not sound; nothing was changed.
        OSError: there is no room, or it may not be written; nothing was changed but what lies aside.
    """
    if copy.is_dir():
        copy = copy / f"{journal.name}.1"
    check(copy)
    lock = Lock(journal)
    journal.parent.mkdir(parents=True, exist_ok=True)
    lock.take()
    fresh = journal.with_name(f"{journal.name}.restoring")
    try:
        fresh.unlink(missing_ok=True)
        private(fresh)
        _copy(copy, fresh, lambda: False)
        _copy_photos(copy.with_name(photos_of(journal).name), photos_of(journal))
        aside = set_aside(journal, "before-restore") if any_there(journal) else None
        if aside is not None and file_of(journal).exists():
            file_of(journal).rename(file_of(aside))
        fresh.rename(journal)
        _sync_folder(journal.parent)
        return aside
    except sqlite3.Error as problem:
        raise JournalError(f"{copy} cannot be taken back: {problem}; nothing was changed") from problem
    finally:
        fresh.unlink(missing_ok=True)
        lock.release()


class Checked(NamedTuple):
    """What a check found in a sound journal: rows, batches, and photos that are named in it and not there."""

    rows: int
    batches: int
    photos: int
    photos_missing: tuple[str, ...]


def check(journal: Path) -> Checked:
    """Checks a journal or a copy of one, reading only; a daemon may go on writing it.

    Raises JournalError: it is not there, not ours, or damaged; the text says which.
    """
    try:
        whose = identify(journal, known=False)
        if whose is Whose.NOTHING:
            raise JournalError(f"there is no journal {journal}, or nothing in it")
        if whose is Whose.DAMAGED:
            raise JournalError(f"{journal} is damaged; kojimon run sets it aside and goes on with what can be read")
        address = f"file:{quote(str(journal))}?{how_to_read(journal)}"
        with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as db:
            quick_check(db)
            rows = int(db.execute("SELECT last_seq FROM progress").fetchone()[0])
            batches = int(db.execute("SELECT count(*) FROM batch").fetchone()[0])
            found = db.execute("SELECT DISTINCT json_extract(data, '$.photo') FROM event WHERE kind = 'note'")
            named = sorted(str(row[0]) for row in found if row[0])
    except (sqlite3.Error, OSError) as problem:
        raise JournalError(
            f"{journal} is damaged or cannot be read: {problem}; kojimon run goes on with what can be read"
        ) from problem
    folder = _photos_beside(journal)
    return Checked(rows, batches, len(named), tuple(name for name in named if not (folder / name).is_file()))


def photos_of(journal: Path) -> Path:
    """Where the photos of a journal lie."""
    return journal.with_name(f"{journal.name}.photos")


def _photos_beside(journal: Path) -> Path:
    """The same, also beside a copy: the generations share one folder."""
    own = photos_of(journal)
    stem = journal.with_suffix("") if journal.suffix[1:].isdigit() else journal
    return own if own.exists() else photos_of(stem)


def _copy_photos(source: Path, target: Path) -> None:
    """Copies what the target lacks; each under its own name only when it is whole."""
    if not source.is_dir():
        return
    target.mkdir(mode=0o750, parents=True, exist_ok=True)
    for photo in sorted(source.iterdir()):
        if photo.name.startswith(".") or (target / photo.name).exists():
            continue
        unfinished = target / f".{photo.name}"
        unfinished.unlink(missing_ok=True)
        private(unfinished)
        unfinished.write_bytes(photo.read_bytes())
        unfinished.replace(target / photo.name)


def _copy(journal: Path, target: Path, stopping: Callable[[], bool]) -> None:
    def look(_status: int, _left: int, _total: int) -> None:
        if stopping():
            raise InterruptedError("stopped half-way")

    source_address = f"file:{quote(str(journal))}?{how_to_read(journal)}"
    with (
        closing(sqlite3.connect(source_address, uri=True, isolation_level=None)) as source,
        closing(sqlite3.connect(target, isolation_level=None)) as copy,
    ):
        # One view for all steps: otherwise each commit of the daemon would start the copy again.
        source.execute("BEGIN")
        source.execute("SELECT commit_no FROM progress").fetchone()
        source.backup(copy, pages=PAGES_A_STEP, progress=look, sleep=0)
        source.execute("COMMIT")
        copy.execute("PRAGMA journal_mode = DELETE")
        # Whole in itself: nobody is to look for the WAL of the daemon that wrote the original.
        copy.execute("UPDATE progress SET in_use = 0")
        quick_check(copy)


def _shift(name: str, folder: Path) -> None:
    """Makes room for generation 1; what is beyond the last goes."""
    for number in range(GENERATIONS, 0, -1):
        old = folder / f"{name}.{number}"
        if not old.exists():
            continue
        if number == GENERATIONS:
            old.unlink()
        else:
            old.rename(folder / f"{name}.{number + 1}")


def _sync_folder(folder: Path) -> None:
    """So that the new names outlast a power cut too."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
