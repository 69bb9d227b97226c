"""Journals that a test reads, closed when it ends; and who leaves a connection open is told on every Python."""

from __future__ import annotations

import sqlite3
import sys
import warnings
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import OutboxRow

_readers: list[Reader] = []


def reading(path: Path) -> Reader:
    """A reader of this journal, closed when the test ends."""
    _readers.append(Reader(path))
    return _readers[-1]


def outbox(journal: Path) -> list[OutboxRow]:
    """Every message of a journal, oldest first."""
    with closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as db:
        rows = db.execute("SELECT id, event, priority, t_ms, settled_t_ms FROM message ORDER BY t_ms, event, id")
        return [OutboxRow(*row) for row in rows]


@pytest.fixture(autouse=True)
def close_readers() -> Iterator[None]:
    """Closes what `reading` opened."""
    yield
    while _readers:
        _readers.pop().close()


class Watched(sqlite3.Connection):
    """A connection that says so when nobody closed it, as Python itself does from 3.13 on."""

    _open = False

    def __init__(self, *words: Any, **more: Any) -> None:
        super().__init__(*words, **more)
        self._open = True

    def close(self) -> None:
        self._open = False
        super().close()

    def __del__(self) -> None:
        if self._open:
            warnings.warn(f"unclosed database in {self!r}", ResourceWarning, stacklevel=1, source=self)


def watch_connections() -> None:
    """Has every connection of this process watched, where Python does not do so itself."""
    if sys.version_info < (3, 13):
        sqlite3.connect = partial(sqlite3.connect, factory=Watched)  # type: ignore[assignment]
