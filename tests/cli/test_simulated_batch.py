"""A simulated batch from one command to its export, and what a rehearsal makes of it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.cli.commands.run import demo_file
from kojimon.engine.own_heat import BLOCK_MS
from kojimon.settings.load import load_settings
from kojimon.wiring import simulated_source
from tests.cli.conftest import Kitchen

pytestmark = pytest.mark.slow(10)

SIMULATED = """\
site: home
units: {{temperature: F, mass: lb}}
person: {{zone: America/Chicago}}
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, middle, bottom], rice: 8 lb}}
sources:
  sim: {{kind: simulated, scenario: eventful, seed: 0, speed: 0}}
probes:
  bed: {{place: bed, tray: top}}
  bed-2: {{place: bed, tray: middle}}
  bed-3: {{place: bed, tray: bottom}}
  air: {{place: air}}
  air-humidity: {{place: air, quantity: humidity}}
journal: {{file: kojimon.journal, ballast: 0 MB}}
run_folder: {folder}/run
"""


def heard(events: list[dict[str, Any]]) -> Iterator[tuple[str, str, float]]:
    """What does not hang on a person's answers: stages, windows, steps, and the beginnings of alarms."""
    for event in events:
        if event["kind"] in ("stage", "step-open", "step-due", "step-missed", "step-done", "batch-harvest"):
            yield event["kind"], event["key"].replace("rehearsal", ""), event["hour"]
        elif event["kind"] == "alarm" and event["data"]["event"] == "on" and not event["key"].startswith("silent/"):
            yield "alarm", event["key"], event["hour"]


def test_a_batch_its_export_and_its_rehearsals(kitchen: Kitchen) -> None:
    kitchen.config.write_text(SIMULATED.format(folder=kitchen.folder))
    ran = kitchen.child("run", within_s=900)
    assert ran.returncode == 0, ran.stderr
    lines = ran.stdout.splitlines()
    assert lines[0].startswith("A simulated box; nothing here is real.")
    for wanted in (
        "Batch simulated begins",
        "Done: sprinkle the spores",
        "Stage: watching for heat.",
        "Harvested",
    ):
        assert any(wanted in line for line in lines), wanted
    curve = lines[-1]
    assert curve.startswith(str(kitchen.folder)) and curve.endswith(".csv")

    exact = json.loads(kitchen.run("rehearse", "--batch", "simulated", "--json").stdout)
    assert exact["same"] is True
    again = json.loads(kitchen.run("rehearse", curve, "--schedule", "rice-koji-home-trays", "--json").stdout)
    own, rehearsed = list(heard(exact["events"])), list(heard(again["events"]))
    assert len(own) > 15
    assert [(kind, key) for kind, key, _ in rehearsed] == [
        (kind, key if kind != "batch-harvest" else "") for kind, key, _ in own
    ]
    apart_s = {one[:2]: abs(one[2] - two[2]) * 3600 for one, two in zip(own, rehearsed, strict=True)}
    # Own heat is judged by means of half hours: where one comes as near to the line as the file's hundredths
    # of a degree, the next one decides. Beside that its moment is known to a round of two minutes.
    by_own_heat_s = apart_s.pop(("stage", "growing"))
    print(f"a curve file gives the batch's {len(own)} events within {max(apart_s.values()):.2f}, {by_own_heat_s:.2f} s")
    assert by_own_heat_s <= BLOCK_MS / 1000 + 120 and by_own_heat_s % (BLOCK_MS / 1000) <= 120
    assert max(apart_s.values()) <= 1.0

    hours = kitchen.run("export", "simulated", "--hours", "--unit", "C", "-o", "hours.csv")
    assert "hours.csv" in hours.stderr
    by_hour = json.loads(kitchen.run("rehearse", "hours.csv", "--schedule", "rice-koji-home-trays", "--json").stdout)
    assert [(kind, key) for kind, key, _ in heard(by_hour["events"])] == [(kind, key) for kind, key, _ in rehearsed]


def test_the_demonstration_keeps_its_journal_in_a_folder_of_its_own() -> None:
    one, two = demo_file(), demo_file()
    try:
        assert one.parent != two.parent
        made = load_settings(one)
        assert Path(made.journal.path).parent == one.parent
        assert simulated_source(made) is not None
    finally:
        shutil.rmtree(one.parent)
        shutil.rmtree(two.parent)


def test_a_batch_without_a_probe_can_be_practised_on_simulated_time(kitchen: Kitchen) -> None:
    bare = SIMULATED.format(folder=kitchen.folder).replace("speed: 0", "speed: 0, hours: 5")
    kitchen.config.write_text(bare[: bare.index("probes:")] + "probes: {}\n" + bare[bare.index("journal:") :])
    ran = kitchen.child("run", within_s=300)
    assert ran.returncode == 0 and "cannot be started" not in ran.stdout + ran.stderr
    assert "No probe is in the rice: the schedule runs on its hours." in ran.stdout
