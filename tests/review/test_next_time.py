"""What a review proposes for the next batch: from batches of our own making whose trouble is known."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.review.counted import Review, load_review
from kojimon.review.draw.sheet import speech_of
from kojimon.review.earlier import best_of
from kojimon.review.tell.figures import lead, tables
from kojimon.review.tell.next_time import MOST, hints
from kojimon.words.speech import Speech
from tests.review.kitchen import Kitchen

Degrees = float | Callable[[float], float]


def batch(kitchen: Kitchen, at_h: float, name: str, bed: Degrees, other: Degrees, end_h: float = 30.0) -> None:
    """A batch so many hours long at these temperatures, then harvested."""
    kitchen.begin(at_h, id=name, name=name)
    for minute in range(0, round(end_h * 60), 6):
        hour, shiver = minute / 60, minute % 42 / 60
        values = [one(hour) if callable(one) else one for one in (bed, other)]
        for probe, value in zip(
            ("bed", "bed-2", "air", "air-humidity", "room"), (*values, 30.0, 85.0, 21.0), strict=True
        ):
            kitchen.read(at_h + hour, probe, value + shiver)
    kitchen.act(at_h + end_h, "batch.harvest", yield_kg=2.3)


def said(kitchen: Kitchen, name: str, fahrenheit: bool = False) -> list[str]:
    reader = kitchen.write()
    review: Review = load_review(reader, name)
    best = best_of(reader, review.case.row)
    reader.close()
    speech = speech_of(review.case, fahrenheit, False, "UTC")
    return [f"{one.seen} {one.proposal}" for one in hints(review, speech, best)]


def told(
    folder: Path, bed: Degrees = 33.0, other: Degrees | None = None, fahrenheit: bool = False, end_h: float = 30.0,
    **acts: float,
) -> list[str]:  # fmt: skip
    """The advice for one batch; acts: step by the hour it is done, `verdict` a score."""
    kitchen = Kitchen(folder)
    batch(kitchen, 0.0, "b-1", bed, 33.0 if other is None else other, end_h)
    for name, hour in acts.items():
        if name != "verdict":
            kitchen.act(hour, "step.done", step=name.replace("_", "-"), override="so it was")
    if "verdict" in acts:
        kitchen.act(end_h + 0.1, "batch.verdict", batch="b-1", look="white", look_score=round(acts["verdict"]))
    return said(kitchen, "b-1", fahrenheit)


def test_a_hot_batch_that_was_never_worked_on(tmp_path: Path) -> None:
    found = told(tmp_path, bed=44.0)
    assert found[0].startswith("The top tray was over its upper limit for ")
    assert "44.6 °C" in found[0] and "when it passes 38.0 °C" in found[0]
    assert any("warmer than the middle tray" in one for one in found)


def test_a_hot_batch_that_was_worked_on_in_the_persons_unit(tmp_path: Path) -> None:
    found = told(tmp_path, bed=44.0, fahrenheit=True, first_check=18.5, verdict=5)
    assert "°F" in found[0] and "°C" not in "".join(found)
    assert "when it passes" in found[0] or "It was last worked on" in found[0]


def test_a_cold_batch(tmp_path: Path) -> None:
    found = told(tmp_path, bed=24.0, other=24.3)
    assert any("under its lower limit" in one and "Warm the box" in one for one in found)


@pytest.mark.parametrize("said", [False, True])
def test_a_batch_nobody_has_judged_asks_for_it(tmp_path: Path, said: bool) -> None:
    found = told(tmp_path, first_check=23.0, **({"verdict": 5} if said else {}))
    assert any("Score it" in one for one in found) is not said
    assert not any("limit" in one for one in found)


def warms(from_h: float, peak_c: float, cold_from_h: float = 99.0) -> Callable[[float], float]:
    """31 °C, then 1 K/h up to a peak; 25 °C from an hour on."""
    return lambda hour: 25.0 if hour >= cold_from_h else min(peak_c, 31.0 + max(0.0, hour - from_h))


def test_cold_is_told_by_its_hour(tmp_path: Path) -> None:
    """Under 26 °C at hour 36 nobody warms the box before the rice goes in; after a work the work was it."""
    for name in ("idle", "worked"):
        (tmp_path / name).mkdir()
    (idle,) = [one for one in told(tmp_path / "idle", warms(16, 38, 34), end_h=36.0) if "lower limit" in one]
    assert "coldest at hour 3" in idle and "Its own warmth no longer carried it" in idle
    found = told(tmp_path / "worked", warms(16, 38, 34), end_h=36.0, mix=33.5)
    (worked,) = [one for one in found if "lower limit" in one]
    assert "It cooled after a work (mix and spread thinner)" in worked


def test_a_late_step_is_told_only_where_it_cost_something(tmp_path: Path) -> None:
    for name in ("hot", "mild", "never"):
        (tmp_path / name).mkdir()
    hot = told(tmp_path / "hot", warms(16, 43.9), first_check=29.5)
    assert any("after it was due; of these the koji was over its upper limit for" in one for one in hot)
    assert not any("after it was due" in one for one in told(tmp_path / "mild", first_check=27.0))
    assert any(one.startswith("Not marked as done: look, break up and mix") for one in told(tmp_path / "never"))


@pytest.mark.parametrize(("score", "silent"), [(3, False), (5, True)])
def test_what_was_done_otherwise_than_in_the_best_batch(tmp_path: Path, score: int, silent: bool) -> None:
    """Final mixing at hour 28, not 36; nothing is said where this batch was as good."""
    kitchen = Kitchen(tmp_path)
    batch(kitchen, 0.0, "b-1", warms(20, 38), warms(20, 38), 44.0)
    batch(kitchen, 168.0, "b-2", warms(20, 38), warms(20, 38), 44.0)
    for hour, step in ((24.0, "first-check"), (36.0, "mix"), (192.0, "first-check"), (196.0, "mix")):
        kitchen.act(hour, "step.done", step=step, override="so it was")
    kitchen.act(45.0, "batch.verdict", batch="b-1", look="white", look_score=5)
    kitchen.act(213.0, "batch.verdict", batch="b-2", look="patchy", look_score=score)
    found = [one for one in said(kitchen, "b-2") if "Otherwise" in one]
    wanted = "Otherwise than in b-1, your best (5.0 of 5): final mixing at hour 28, not 36. Try its hours again."
    assert found == ([] if silent else [wanted])


@pytest.mark.parametrize(("end_h", "score", "start"), [
    (36.0, 3, "Taken out 4 h before its time: as warm as it was, that is "),
    (53.0, 3, "Taken out 3 h after its time: "),
    (36.0, 5, ""), (44.0, 3, ""),
])  # fmt: skip
def test_what_an_early_or_late_end_cost(tmp_path: Path, end_h: float, score: int, start: str) -> None:
    """The harvest's time is hour 40 to 50; an end after which the koji was scored 5 cost nothing."""
    found = [one for one in told(tmp_path, warms(20, 38), end_h=end_h, verdict=score) if one.startswith("Taken out")]
    assert len(found) == bool(start) and all(one.startswith(start) and " h at 30 °C" in one for one in found)


def test_a_batch_begun_in_arrears_is_judged_from_when_it_was_watched(tmp_path: Path) -> None:
    """Told 20 h late, taken out 12 min on: no probe lost those hours, and what the early end cost is not known."""
    kitchen = Kitchen(tmp_path).read(20.0, "bed", 30.0)
    kitchen.act(21.0, "batch.start", id="b-1", name="b-1", hour0_t_ms=3_600_000)
    for tenth in range(121):
        kitchen.read(21.0 + tenth / 600, "bed", 36.0).read(21.0 + tenth / 600, "bed-2", 36.0)
    found = said(kitchen.act(21.2, "batch.harvest", yield_kg=2.3), "b-1")
    assert not [one for one in found if "had readings only" in one or one.startswith("Taken out")], found


@pytest.mark.parametrize(("koji_c", "began"), [(36.0, "hour 20.0"), (30.0, "not since hour 20.0")])
def test_what_was_before_a_batch_begun_in_arrears_was_watched_is_not_called_never(
    tmp_path: Path, koji_c: float, began: str
) -> None:
    kitchen = Kitchen(tmp_path).read(20.0, "bed", 30.0)
    kitchen.act(21.0, "batch.start", id="b-1", name="b-1", hour0_t_ms=3_600_000)
    for tenth in range(121):
        for probe, value in (("bed", koji_c), ("bed-2", koji_c), ("air", 30.0)):
            kitchen.read(21.0 + tenth / 300, probe, value)
    with closing(kitchen.act(21.5, "batch.harvest", yield_kg=2.3).write()) as reader:
        review = load_review(reader, "b-1")
    (koji,) = [one for one in tables(review, Speech()) if one.title == "The koji"]
    rows = {row.label: set(row.cells) for row in koji.rows}
    assert rows["First seen clearly warm"] == {began} and rows["Over the upper limit"] == {"not since hour 20.0"}
    assert "never" not in str(rows) + " ".join(lead(review, Speech())).lower()


def test_a_few_only(tmp_path: Path) -> None:
    assert 1 < len(told(tmp_path, bed=46.0, other=23.0)) <= MOST


def test_heat_before_the_koji_warms_itself_is_put_down_to_the_box(tmp_path: Path) -> None:
    """44 °C from hour 6 to 7.5, when no koji warms itself, and no warmth of its own afterwards."""
    found = told(tmp_path, bed=lambda hour: 44.0 if 6 <= hour < 7.5 else 31.0, other=31.0, end_h=10.0)
    assert "the box did. Turn the box down for the first day." in found[0]
