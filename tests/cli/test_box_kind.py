"""What kind of box it is, from the settings to what is checked and rehearsed."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from kojimon.words.boxes import UNFIT
from tests.cli.conftest import Kitchen

COURSE = "hour,bed.temperature_c,air.temperature_c\n" + "".join(
    f"{minute / 60:.4f},31.0,{23.0 if minute < 360 else max(17.0, 23.0 - (minute - 360) / 40):.2f}\n"
    for minute in range(0, 16 * 60, 2)
)
"""Air that cools with its room from 23 to 17 °C in four hours."""


def settings(kitchen: Kitchen, box: str) -> None:
    path = kitchen.config
    path.write_text(path.read_text().replace("incubators:\n  box: {", "incubators:\n  box: {" + box, 1))
    assert box in path.read_text()


def off(kitchen: Kitchen, *words: str) -> list[str]:
    told = json.loads(
        kitchen.run("rehearse", "c.csv", "--schedule", "rice-koji-home-trays", "--json", *words).stdout
    )
    return [event["key"] for event in told["events"] if event["key"] == "box/off" and event["data"]["event"] == "on"]


def test_what_comes_again_and_again_is_rehearsed_in_one_line(kitchen: Kitchen) -> None:
    """Koji that goes over its limit each hour for ten hours, and air that was read once in six."""
    lines = ["hour,bed.temperature_f,air.temperature_f,step"]
    for five in range(48 * 12):
        hour = five / 12
        koji = 90 if hour < 24 else 112 if hour < 34 and hour % 1 > 0.5 else 100
        lines.append(f"{hour:.4f},{koji},{86 if five % 72 == 0 else ''},{'second-mix' if five == 1 else ''}")
    (kitchen.folder / "c.csv").write_text("\n".join(lines))
    out = kitchen.run("rehearse", "c.csv", "--schedule", "rice-koji-home-trays", "--unit", "F").stdout
    told = " ".join(out.split())
    assert "air: too few readings for a probe" in told and "bed: too few" not in told
    assert "Left out, the schedule has no such step: second-mix. It has wash," in told
    assert told.count("The koji 112 °F") == told.count("Back to normal: the koji was too warm") == 1
    assert re.search(r"Back to normal: the koji was too warm, for \d+ min\. \(repeated 9 times, last at hour 34", told)
    assert "not acknowledged" not in told and "Read by hand" not in told


def test_the_heat_is_said_to_be_off_and_on_again(kitchen: Kitchen) -> None:
    def off() -> bool:
        said: bool = json.loads(kitchen.run("status", "--json").stdout)["incubators"][0]["heat_off"]
        return said

    kitchen.run("batch", "start", "first", "--hours-ago", "20 h")
    assert "The heat is off, as you said." in kitchen.run("batch", "heat", "off").stdout and off()
    assert "The box is set to 86.0 °F." in kitchen.run("batch", "heat", "86", "F").stdout and not off()
    kitchen.run("batch", "heat", "off")
    assert "The box is set anew, its heat is on." in kitchen.run("batch", "heat", "on").stdout and not off()
    kitchen.run("batch", "heat", "cold", code=2)
    kitchen.run("batch", "heat", "off")
    kitchen.run("batch", "harvest")
    assert not off(), "it was said of that batch"


def test_check_says_what_the_kind_of_box_means(kitchen: Kitchen) -> None:
    assert "`box: {kind: ...}`" in " ".join(kitchen.run("check").stdout.split())
    settings(kitchen, "box: {kind: heat-mat, cover: cloth-and-plastic}, ")
    told = " ".join(kitchen.run("check").stdout.split())
    assert "a heat mat, rice under cloth and plastic." in told
    assert "cannot tell by it whether the mat is on" in told and "can overheat from about hour 20" in told


@pytest.mark.parametrize(("cover", "unfit"), [("cloth", True), ("open", True), ("cloth-and-plastic", False)])
def test_check_remarks_on_a_cover_that_the_schedule_advises_against(kitchen: Kitchen, cover: str, unfit: bool) -> None:
    settings(kitchen, f"box: {{kind: fan, cover: {cover}}}, ")
    assert ("Wrap or lid each tray" in " ".join(kitchen.run("check").stdout.split())) is unfit


def test_the_example_of_the_readme_is_no_pair_that_check_remarks_on() -> None:
    readme = (Path(__file__).resolve().parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    pairs = re.findall(r"\{kind: ([a-z-]+), cover: ([a-z-]+)\}", readme)
    assert pairs and not UNFIT.keys() & set(pairs)


def test_a_curve_is_rehearsed_by_the_kind_of_box_asked_for_or_that_of_the_settings(kitchen: Kitchen) -> None:
    (kitchen.folder / "c.csv").write_text(COURSE)
    assert off(kitchen) == off(kitchen, "--box", "heat-mat") == []
    assert off(kitchen, "--box", "still") == ["box/off"]
    settings(kitchen, "box: {kind: still}, ")
    assert off(kitchen) == ["box/off"]
    assert off(kitchen, "--box", "unknown") == []
    assert "--box" in kitchen.run("rehearse", "--batch", "one", "--box", "still", code=2).stderr


def test_calls_of_an_alarm_that_still_holds_are_told_in_the_line_they_repeat(kitchen: Kitchen) -> None:
    (kitchen.folder / "c.csv").write_text(COURSE)
    words = ("rehearse", "c.csv", "--schedule", "rice-koji-home-trays", "--box", "still")
    events = json.loads(kitchen.run(*words, "--json").stdout)["events"]
    again = [event for event in events if event["key"] == "box/off" and event["data"].get("event") == "re"]
    told = " ".join(kitchen.run(*words).stdout.split())
    assert len(again) > 1 and f"(repeated {len(again)} times, last at hour {again[-1]['hour']:.2f})" in told
    assert "Again: " not in told
