"""A journal in a folder of its own, with a writer that is always stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.journal.files.damage import Opened, open_or_recover
from kojimon.journal.writing.writer import Writer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "kitchen.journal"


@pytest.fixture
def opened(path: Path) -> Iterator[Opened]:
    found = open_or_recover(path)
    yield found
    found.lock.release()


@pytest.fixture
def make_writer(path: Path, opened: Opened) -> Iterator[Callable[..., Writer]]:
    writers: list[Writer] = []

    def make(**options: Any) -> Writer:
        writer = Writer(path, **{"ballast_mb": 0.0, **options})
        writers.append(writer)
        writer.start()
        return writer

    yield make
    for writer in writers:
        writer.stop(2)
