"""Copies the journal elsewhere with SQLite's own backup: a plain copy of a live journal loses the newest rows."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Final
from urllib.parse import quote

from kojimon.errors import JournalError
from kojimon.journal.files import quick_check

GENERATIONS: Final = 3
PAGES_A_STEP: Final = 2000
"""Pages (4 KiB) between two looks at `stopping`."""


def backup(journal: Path, folder: Path, stopping: Callable[[], bool] = lambda: False) -> Path:
    """Writes a checked copy of the journal into folder, keeping the last GENERATIONS copies.

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
        folder.mkdir(parents=True, exist_ok=True)
        if folder.resolve() == journal.parent.resolve():
            raise JournalError(
                f"the backup folder {folder} is the journal's own; name another one, best on another disk"
            )
        unfinished.unlink(missing_ok=True)
        _copy(journal, unfinished, stopping)
        _shift(journal.name, folder)
        newest = unfinished.rename(folder / f"{journal.name}.1")
        _sync_folder(folder)
    except (OSError, sqlite3.Error) as problem:
        with suppress(OSError):
            unfinished.unlink()
        raise JournalError(f"no backup into {folder}: {problem}; the earlier ones are untouched") from problem
    return newest


def _copy(journal: Path, target: Path, stopping: Callable[[], bool]) -> None:
    def look(_status: int, _left: int, _total: int) -> None:
        if stopping():
            raise InterruptedError("stopped half-way")

    source_address = f"file:{quote(str(journal))}?mode=ro"
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
