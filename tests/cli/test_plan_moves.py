"""`kojimon plan --batch`: from the plan over `batch start --plan` to what is left, in the terminal and in the files."""

from __future__ import annotations

import json

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


def test_without_a_batch_nothing_moves(kitchen: Kitchen) -> None:
    assert "No batch is open" in kitchen.run("plan", "--batch", code=1).stderr
