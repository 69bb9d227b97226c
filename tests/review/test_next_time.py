"""What a review proposes for the next batch: from batches of our own making whose trouble is known."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.review.draw.sheet import speech_of
from kojimon.review.load import Review, load_review
from kojimon.review.tell.next_time import MOST, hints
from tests.review.kitchen import Kitchen


def told(folder: Path, bed: float = 33.0, other: float = 33.0, fahrenheit: bool = False, **acts: float) -> list[str]:
    """30 h at these temperatures, then harvested; acts: step by the hour it is done, `verdict` a score."""
    kitchen = Kitchen(folder).begin()
    for minute in range(0, 30 * 60, 2):
        shiver = minute % 14 / 20
        kitchen.read(minute / 60, "bed", bed + shiver).read(minute / 60, "bed-2", other + shiver)
        kitchen.read(minute / 60, "air", 30 + shiver).read(minute / 60, "air-humidity", 85 + shiver)
        kitchen.read(minute / 60, "room", 21 + shiver)
    for name, hour in acts.items():
        if name != "verdict":
            kitchen.act(hour, "step.done", step=name.replace("_", "-"), override="so it was")
    kitchen.act(30.0, "batch.harvest", yield_kg=2.3)
    if "verdict" in acts:
        kitchen.act(30.1, "batch.verdict", batch="b-1", look="white", look_score=5)
    reader = kitchen.write(30.2)
    review: Review = load_review(reader, "b-1")
    reader.close()
    return [f"{one.seen} {one.proposal}" for one in hints(review, speech_of(review.case, fahrenheit, False, "UTC"))]


def test_a_hot_batch_that_was_never_worked_on(tmp_path: Path) -> None:
    found = told(tmp_path, bed=44.0)
    assert found[0].startswith("The top tray was over its upper limit for ")
    assert "44.6 °C" in found[0] and "when it passes 38.0 °C" in found[0]
    assert any("warmer than the middle tray" in one for one in found)


def test_a_hot_batch_that_was_worked_on_in_the_persons_unit(tmp_path: Path) -> None:
    found = told(tmp_path, bed=44.0, fahrenheit=True, first_check=18.5, verdict=1)
    assert "°F" in found[0] and "°C" not in "".join(found)
    assert "when it passes" in found[0] or "It was last worked on" in found[0]


def test_a_cold_batch(tmp_path: Path) -> None:
    found = told(tmp_path, bed=24.0, other=24.3)
    assert any("under its lower limit" in one and "Warm the box" in one for one in found)


@pytest.mark.parametrize("said", [False, True])
def test_a_batch_nobody_has_judged_asks_for_it(tmp_path: Path, said: bool) -> None:
    found = told(tmp_path, first_check=23.0, **({"verdict": 1} if said else {}))
    assert any("Score it" in one for one in found) is not said
    assert not any("limit" in one for one in found)


def test_a_late_step_and_one_that_was_not_marked(tmp_path: Path) -> None:
    late = told(tmp_path / "late", first_check=27.0) if (tmp_path / "late").mkdir() is None else []
    assert any("after it was due" in one and "kojimon plan" in one for one in late)
    (tmp_path / "never").mkdir()
    assert any(one.startswith("Not marked as done: look, break up and mix") for one in told(tmp_path / "never"))


def test_a_few_only(tmp_path: Path) -> None:
    assert 1 < len(told(tmp_path, bed=46.0, other=23.0)) <= MOST
