"""A whole batch on real lines: the simulator is a process of its own and drives the clock, its data travel over a real
broker or a real pseudo-terminal into the daemon, another process; the journal is read afterwards and replayed."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from kojimon.engine import advance, initial_state
from kojimon.model import Event, InputRow
from tests.parts.broker import Broker
from tests.parts.driven import ROOT, command
from tests.parts.inputs import says
from tests.parts.opened import reading
from tests.parts.wait import until

SEED = 2
START = "2026-01-14T00:00:00+00:00"
START_MS = 1_768_348_800_000

SETTINGS = """
site: cellar
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, middle, bottom, lowest]}}
sources:
  house: {source}
probes:
{probes}
journal: {{file: {journal}}}
run_folder: {run}
# Made in a process of its own, in real time: where it tells of a limit ahead depends on how fast the driven clock runs.
forecast: {{use: false}}
web: {{port: 0}}
"""


def settings(folder: Path, source: str, probes: list[str]) -> Path:
    file = folder / "kojimon.yaml"
    lines = "\n".join(f"  {probe}" for probe in probes)
    file.write_text(SETTINGS.format(source=source, probes=lines, journal=folder / "batch.journal", run=folder / "run"))
    return file


@contextmanager
def daemon(folder: Path, config: Path) -> Iterator[subprocess.Popen[str]]:
    log = (folder / "daemon.log").open("w")
    process = subprocess.Popen(
        command(config, folder / "state", START_MS), cwd=ROOT, stdout=subprocess.PIPE, stderr=log, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n", (folder / "daemon.log").read_text()
        yield process
        process.terminate()
        assert process.wait(60) == 0, (folder / "daemon.log").read_text()
    finally:
        process.kill()
        process.communicate()
        log.close()


def simulate(folder: Path, *line: str) -> dict[str, Any]:
    """Runs the simulator to its end; its summary."""
    run = folder / "run"
    api = until(lambda: next(iter(run.glob("*.sock")), None))
    done = subprocess.run(
        [sys.executable, "-m", "kojisim.main", "run", "--scenario", "eventful", "--seed", str(SEED), "--start", START,
         "--drive", str(run / "drive"), "--api", str(api), "--hands", "cook", "--incubator", "box", "--tick", "60",
         "--every", "60", "--json", *line],
        capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    summary: dict[str, Any] = json.loads(done.stdout)
    return summary


def told(journal: Path) -> list[tuple[str, str, str]]:
    """(kind, key, what) of every event but the repeats of unanswered alarms and the summaries of nights.

    The summaries come from a thread of their own, which looks at the calendar in real time: where they stand among the
    others depends on how fast the driven clock runs."""
    reader = reading(journal)
    events = list(reader.events(0))
    reader.close()
    return [_short(event) for event in events if says(event).get("event") != "re" and event.kind != "summary"]


def _short(event: Event) -> tuple[str, str, str]:
    what = says(event).get("event", "") if event.kind == "alarm" else str(says(event).get("round", ""))
    return event.kind, event.key if event.kind != "settings" and "box-" not in event.key else "", what


def replayed(journal: Path) -> list[Event]:
    reader = reading(journal)
    rows, horizon_ms = list(reader.rows_after(0)), reader.horizon_ms()
    reader.close()
    assert any(isinstance(row, InputRow) for row in rows)
    _, outcome = advance(initial_state(), rows, horizon_ms)
    return list(outcome.events)


def stored(journal: Path) -> list[Event]:
    reader = reading(journal)
    events = list(reader.events(0))
    reader.close()
    return events


HIGH = "limit/bed/temperature/high"
EXPECTED = [
    ("start", "", ""),
    ("settings", "", ""),
    ("batch-start", "", ""),
    ("step-done", "inoculate", ""),
    ("stage", "settling", ""),
    ("step-open", "wrap", "1"),
    ("step-done", "wrap", ""),
    ("alarm", "silent/bed-2", "on"),
    ("alarm", "silent/bed-2", "off"),
    ("alarm", "silent/bed-2", "ack"),
    ("stage", "growing", ""),  # by the koji's own heat, before the clock opens the first look
    ("step-open", "first-check", "1"),
    ("step-due", "first-check", "1"),
    ("alarm", "time-to-limit/bed/temperature", "on"),
    ("alarm", HIGH, "on"),
    ("alarm", "time-to-limit/bed/temperature", "off"),
    ("step-missed", "first-check", "1"),
    ("step-open", "mix", "1"),  # a first look that nobody marked does not hide it
    ("step-due", "mix", "1"),
    ("alarm", HIGH, "up"),  # a look a minute: it is hotter still before the cook comes
    ("alarm", HIGH, "ack"),
    ("alarm", HIGH, "down"),
    ("mix-guess", "", ""),  # the cook breaks it up at the alarm and marks nothing: the step that is due
    ("alarm", HIGH, "off"),
    ("step-open", "mix", "2"),  # the windows follow the guess: it is hot still when that work is over
    ("step-due", "mix", "2"),
    ("step-done", "mix", ""),
    ("probe-back", "asked", ""),
    ("alarm", "time-to-limit/bed/temperature", "ack"),
    ("probe-back", "seen", ""),  # nobody answers; the koji's own warmth shows it
    ("step-open", "mix", "3"),
    ("step-done", "first-check", ""),
    ("probe-back", "asked", ""),
    ("step-open", "unwrap", "1"),
    ("probe-back", "seen", ""),
    ("step-done", "unwrap", ""),
    ("stage", "finishing", ""),
    ("step-open", "harvest", "1"),
    ("step-open", "swap", "1"),
    ("step-done", "swap", ""),
    ("probe-back", "asked", ""),
    ("step-done", "harvest", ""),
    ("batch-harvest", "", ""),
    ("alarm", HIGH, "reset"),
    ("cooled", "", ""),  # its probe is out of the koji, or that is cool: noted, and told nobody
    ("stop", "", ""),
]
PROBES = ("bed", "bed-2", "bed-3", "air", "air-humidity")


def check(folder: Path, summary: dict[str, Any]) -> None:
    journal = folder / "batch.journal"
    events = told(journal)
    assert events == EXPECTED
    assert replayed(journal) == stored(journal), "live = replay"
    assert summary["refused"] in (0, [])


@pytest.mark.slow(80)
def test_a_whole_batch_over_a_real_broker(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        probes = [
            f"{name}: {{place: {place}, {tray}topic: sim/{board}, path: {path}, every: 60 s, {more}}}"
            for name, place, tray, board, path, more in (
                ("bed", "bed", "tray: top, ", "bed", "temperature", "unit: C"),
                ("bed-2", "bed", "tray: middle, ", "bed-2", "temperature", "unit: C"),
                ("bed-3", "bed", "tray: bottom, ", "bed-3", "temperature", "unit: C"),
                ("air", "air", "", "air", "temperature", "unit: C"),
                ("air-humidity", "air", "", "air", "humidity", "quantity: humidity, unit: '%'"),
                ("room", "room", "", "room", "temperature", "unit: C"),
            )
        ]
        config = settings(tmp_path, f"{{kind: mqtt, host: 127.0.0.1, port: {broker.port}}}", probes)
        with daemon(tmp_path, config):
            summary = simulate(
                tmp_path, "--mqtt", f"127.0.0.1:{broker.port}", "--topic-prefix", "sim", "--mqtt-source", "house"
            )
        check(tmp_path, summary)


@pytest.mark.slow(30)
def test_a_whole_batch_over_a_real_pseudo_terminal(tmp_path: Path) -> None:
    link = tmp_path / "board"
    probes = [
        f"{name}: {{place: {place}, {tray}path: {name}, every: 60 s, {more}}}"
        for name, place, tray, more in (
            ("bed", "bed", "tray: top, ", "unit: C"),
            ("bed-2", "bed", "tray: middle, ", "unit: C"),
            ("bed-3", "bed", "tray: bottom, ", "unit: C"),
            ("air", "air", "", "unit: C"),
            ("air-humidity", "air", "", "quantity: humidity, unit: '%'"),
            ("room", "room", "", "unit: C"),
        )
    ]
    config = settings(tmp_path, f"{{kind: serial, port: {link}, format: keys}}", probes)
    with daemon(tmp_path, config):
        summary = simulate(tmp_path, "--serial", str(link), "--serial-format", "keys", "--serial-source", "house")
    check(tmp_path, summary)
