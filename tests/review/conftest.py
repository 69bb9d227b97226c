"""One simulated batch for all tests of the review, written once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from kojimon.journal.reading.reader import Reader
from tests.review.kitchen import simulated


@pytest.fixture(scope="session")
def batch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    """A batch with radio gaps, through the night in which the hour is repeated."""
    kitchen = simulated(tmp_path_factory.mktemp("batch"), "radio_gaps", 11)
    kitchen.act(42.0, "batch.note", text="smells of chestnut <b>")
    kitchen.act(43.5, "step.done", step="harvest", override="done")
    kitchen.act(44.0, "batch.verdict", batch="b-1", look="white", look_score=5, smell_score=4)
    reader = kitchen.write(45.0)
    yield reader
    reader.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path
