"""What `check` and a start say of settings that are no fault: a schedule that wakes nobody, and the like."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from kojimon.schedule.load import SHIPPED
from kojimon.settings.remarks import remarks
from tests.settings.files import SMALL, load

TODAY = date(2026, 11, 27)
HOME = (SHIPPED / "rice-koji-home-trays.yaml").read_text(encoding="utf-8")
NOTHING = "Nothing about the temperature of the koji ever wakes anybody with this schedule: own."


def said(folder: Path, schedule: str, settings: str = SMALL) -> list[str]:
    (folder / "schedules").mkdir(exist_ok=True)
    (folder / "schedules/own.yaml").write_text(schedule, encoding="utf-8")
    return list(remarks(load(folder, settings.replace("rice-koji-home-trays", "own")), TODAY))


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_shipped_schedule_wakes_for_heat_and_cold_in_every_stage(tmp_path: Path, path: Path) -> None:
    assert said(tmp_path, path.read_text(encoding="utf-8")) == []


def test_a_schedule_that_wakes_nobody_is_told(tmp_path: Path) -> None:
    (alone,) = said(tmp_path, HOME.replace("priority: wake", "priority: log"))
    assert alone.startswith(NOTHING)
    slow = re.sub(r"(at: 4[0-9] C,) delay: \d+ min", r"\1 delay: 10 h", HOME)
    (alone,) = said(tmp_path, slow.replace("at: 22 C,", "at: 22 F,"))
    assert alone.startswith(NOTHING)
    (heat,) = said(tmp_path, slow)
    where = "`settling`, `growing`, `finishing` of the schedule own."
    assert heat.startswith(f"No heat of the koji wakes anybody in {where}")
    (cold,) = said(tmp_path, HOME.replace("at: 22 C,", "at: 22 F,"))
    assert cold.startswith("No cold of the koji wakes anybody in")


def test_a_calibration_of_tomorrow_and_a_topic_of_many_are_told(tmp_path: Path) -> None:
    probe = "topic: +/koji, calibration: {points: [{read: 0.4 C, true: 0 C}], date: 2026-11-28}"
    dated, topic = said(tmp_path, HOME, SMALL.replace("topic: koji", probe.replace("+/koji", '"+/koji"')))
    assert dated == "Probe koji: its calibration is dated 2026-11-28, and today is 2026-11-27."
    assert topic.startswith("Probe koji: `topic: +/koji` takes in whatever is sent below it.")
