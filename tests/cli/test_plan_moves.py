"""`kojimon plan --batch`: from the plan over `batch start --plan` to what is left, in the terminal and in the files."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from icalendar import Calendar

from tests.cli.conftest import Kitchen


def uids(kitchen: Kitchen, name: str) -> list[str]:
    book = Calendar.from_ical((kitchen.folder / name).read_bytes())
    return [str(entry["uid"]) for entry in book.walk("VEVENT")]


def test_the_timetable_of_a_planned_batch_moves(kitchen: Kitchen) -> None:
    files = {name: str(kitchen.folder / name) for name in ("plan.json", "koji.ics", "moved.ics", "moved.html")}
    kitchen.run("plan", "--rice", "4 lb", "--save", files["plan.json"], "--calendar", files["koji.ics"])
    kitchen.run("batch", "start", "first", "--plan", files["plan.json"], "--hours-ago", "20 h")
    said = kitchen.run("plan", "--batch", "--calendar", files["moved.ics"], "--page", files["moved.html"]).stdout
    assert "What is left of batch first, by when its steps were done:" in said
    assert "Sprinkle the spores" not in said and "Take the koji out" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    moved = uids(kitchen, "moved.ics")
    assert moved and set(moved) <= set(uids(kitchen, "koji.ics"))
    assert "Take the koji out" in (kitchen.folder / "moved.html").read_text(encoding="utf-8")

    kitchen.run("batch", "done", "first-check")
    left = json.loads(kitchen.run("plan", "--batch", "--json").stdout)["steps"]
    assert "first-check" not in [step["step"] for step in left] and left[-1]["step"] == "harvest"


@pytest.mark.parametrize(("hours_ago", "over", "left", "late"), [
    (20, {"wrap"}, ["first-check", "harvest"], {}),
    (44, {"wrap", "mix"}, ["first-check", "harvest"], {"first-check": 14}),
    (60, {"wrap", "first-check", "unwrap", "swap", "mix"}, ["harvest"], {"harvest": 10}),
])  # fmt: skip
def test_a_late_start_lists_nothing_that_is_over(
    kitchen: Kitchen, hours_ago: int, over: set[str], left: list[str], late: dict[str, int]
) -> None:
    """Covered within 4 h, looked at by hour 30, taken out by hour 50: as the engine has it, so the timetable."""
    kitchen.run("batch", "start", "first", "--hours-ago", f"{hours_ago} h")
    steps = json.loads(kitchen.run("plan", "--batch", "--json").stdout)["steps"]
    names = [step["step"] for step in steps]
    assert not over & set(names) and [name for name in names if name in ("first-check", "harvest")] == left
    assert names[-1] == "harvest", "nothing is done to koji that is out"
    for step in steps:
        at, closes = (datetime.fromisoformat(step[key]) for key in ("at", "closes"))
        assert late.get(step["step"]) == (round((at - closes) / timedelta(hours=1)) if closes < at else None), step
    said = kitchen.run("plan", "--batch").stdout
    assert ("was due by" in said) == bool(late)


def test_of_two_boxes_the_one_meant_is_planned(kitchen: Kitchen) -> None:
    two = kitchen.config.read_text().replace(
        "incubators:\n", "incubators:\n  cellar: {schedule: soy-sauce-koji, trays: [a]}\n", 1
    ).replace("{place:", "{in: box, place:")
    kitchen.config.write_text(two)
    kitchen.run("check")
    assert "Which box? Add --incubator and one of cellar, box." in kitchen.run("plan", "--rice", "4 lb", code=2).stderr
    assert "'attic'" in kitchen.run("plan", "--rice", "4 lb", "-i", "attic", code=2).stderr
    for box, schedule in (("cellar", "soy-sauce-koji"), ("box", "rice-koji-home-trays")):
        said = " ".join(kitchen.run("plan", "--rice", "4 lb", "--incubator", box).stdout.split())
        assert f"those of the schedule {schedule}" in said
        kitchen.run("batch", "start", f"in-{box}", "--hours-ago", "20 h", "--incubator", box)
    for box in ("cellar", "box"):
        assert f"What is left of batch in-{box}" in kitchen.run("plan", "--batch", "-i", box).stdout
    assert "Which box?" in kitchen.run("plan", "--batch", code=2).stderr


def test_without_a_batch_nothing_moves(kitchen: Kitchen) -> None:
    assert "No batch is open" in kitchen.run("plan", "--batch", code=1).stderr


def hours(kitchen: Kitchen, *more: str) -> list[tuple[str, str]]:
    said = json.loads(kitchen.run("plan", *more, "--json").stdout)
    return [(step["step"], step["at"]) for step in (said["plans"][0] if "plans" in said else said)["steps"]]


def test_a_batch_keeps_the_hours_of_its_plan_until_a_step_is_marked(kitchen: Kitchen) -> None:
    file, begin = str(kitchen.folder / "later.json"), f"{datetime.now(UTC) + timedelta(days=3):%Y-%m-%d 06:00}"
    kitchen.run("plan", "--from", begin, "--save", file)
    planned = hours(kitchen, "--from", begin)
    kitchen.run("batch", "start", "second", "--plan", file, "--note", "Rice of the fair.")
    assert hours(kitchen, "--batch") == planned
    assert "What is left of batch second, as planned:" in kitchen.run("plan", "--batch").stdout
    kitchen.run("batch", "done", "wash")
    after = kitchen.run("plan", "--batch").stdout
    assert "by when its steps were done:" in after
    assert hours(kitchen, "--batch")[-1] != planned[-1]


def test_what_only_a_new_plan_follows_is_refused_beside_the_batch(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "second")
    refused = " ".join(kitchen.run("plan", "--batch", "--from", "18:00", code=2).stderr.split())
    assert "--from is for a new plan." in refused
