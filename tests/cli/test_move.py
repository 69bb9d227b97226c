"""A probe moved to another tray, as a person does it: beside a real daemon that reads sensor files, and without one."""

from __future__ import annotations

import json

from msgspec import convert

from kojimon.cli.commands.probes import quality_of
from kojimon.contract.rows import ListedProbe
from tests.cli.conftest import Kitchen
from tests.parts.wait import until


def tray(kitchen: Kitchen, name: str) -> str:
    rows = json.loads(kitchen.run("probes", "--json").output)
    return str(next(row["tray"] for row in rows if row["name"] == name))


def test_a_probe_is_moved_beside_a_daemon_and_is_still_there_after_a_restart(kitchen: Kitchen) -> None:
    kitchen.settings(unit="C", **{"every: 1 s": "every: 0.1 s"})
    kitchen.show(koji_top=38.0, koji_low=33.0, air=29.0)
    kitchen.start()
    kitchen.run("batch", "start", "first")
    until(lambda: "38.0" in kitchen.run("status").output)
    said = " ".join(kitchen.run("probes", "move", "koji-top", "--to", "bottom").output.split())
    assert "Probe koji-top was moved from the top tray to the bottom tray." in said and "until the batch ends" in said
    kitchen.show(koji_top=29.0)
    until(lambda: "29.0" in kitchen.run("probes").output)
    kitchen.show(koji_top=33.2)
    until(lambda: "33.2" in kitchen.run("probes").output)
    assert "spike" not in kitchen.run("probes").output and tray(kitchen, "koji-top") == "bottom"
    assert "No probe measures the top tray." in " ".join(kitchen.run("status").output.split())
    kitchen.stop()
    kitchen.start()
    assert tray(kitchen, "koji-top") == "bottom"
    kitchen.run("batch", "discard", "--reason", "a test")
    assert tray(kitchen, "koji-top") == "top"


def test_without_a_daemon_and_what_is_refused_in_words(kitchen: Kitchen) -> None:

    def said(*words: str, code: int = 0) -> str:
        return " ".join(kitchen.run("probes", "move", *words, code=code).output.split())

    assert "start one first" in said("koji-top", "--to", "bottom", code=1)
    kitchen.run("batch", "start", "first")
    assert "expected one of: top, bottom" in said("koji-top", "--to", "attic", code=1)
    assert "Expected one of: koji-top" in said("nobody", "--to", "top", code=2)
    assert "only a probe in the koji" in said("air", "--to", "top", code=1)
    assert "moved from" in said("koji-top", "--to", "bottom")
    assert tray(kitchen, "koji-top") == "bottom"


def test_the_probe_is_said_to_be_back_where_it_was_asked(kitchen: Kitchen) -> None:
    def said(*words: str, code: int = 0) -> str:
        return " ".join(kitchen.run(*words, code=code).output.split())

    question = "Are the probes back in the koji, each half-way down in the middle of its tray?"
    assert "kojimon batch start" in said("probes", "in-koji", code=1)
    kitchen.run("batch", "start", "first")
    kitchen.run("batch", "done", "inoculate", "--thermometer", "88 F")
    marked = said("batch", "done", "first-check", "--override", "a test")
    assert question in marked and "If so: kojimon probes in-koji" in marked
    assert question in said("status") and "No alarm comes if you do not answer." in said("status")
    assert "Saved: the probes are back in the koji." in said("probes", "in-koji")
    assert question not in said("status")
    assert json.loads(kitchen.run("status", "--json").output)["incubators"][0]["question"] is None


def test_a_silent_probe_says_why_where_it_is_known() -> None:
    def told(quality: int | None, value: float | None = 33.0, silent: bool = True) -> str:
        known = {"name": "bed", "no": 1, "place": "bed", "tray": "", "quantity": "temperature", "incubator": "box"}
        return quality_of(convert({**known, "quality": quality, "value": value, "silent": silent}, ListedProbe))

    assert told(0) == "no reading"
    assert told(None, value=None) == "no reading"
    assert "dropped off the network" in told(14)
    assert told(8, silent=False) == "stuck"
