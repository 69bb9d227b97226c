"""Records golden files by the program that is imported: `python -m tests.golden.record FOLDER VERSION`.

A real daemon in a process of its own, a simulated koji on a real pseudo-terminal, a cook who does a bit of everything,
two times without the daemon (told to end, killed). FOLDER is worked in; files go to `tests/data/golden/VERSION`. Run
once a version, before it changes what it writes or how it judges.
"""

from __future__ import annotations

import json
import lzma
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kojisim.cook import Cook
from kojisim.door import Api, Drive
from kojisim.lines import SerialLine
from kojisim.scenarios import SCENARIOS
from kojisim.world import World
from tests.golden import meaning
from tests.parts.driven import ROOT, command
from tests.parts.wait import until

SEED, TICK_S, EVERY_S = 2, 30.0, 60.0
START_MS = 1_768_348_800_000
"""2026-01-14T00:00Z."""
BOX = "box"
LONGEST_S = 60 * 3600.0

SETTINGS = """\
site: cellar
units: {temperature: F, mass: lb}
person: {zone: America/Chicago, sleep: 22:30 to 06:30}
incubators:
  box: {schedule: rice-koji-home-trays, trays: [top, middle, bottom, lowest], rice: 8 lb}
sources:
  board: {kind: serial, port: %(folder)s/board, format: keys}
probes:
  bed: {place: bed, tray: top, path: bed, every: 60 s, device: ds18b20}
  bed-2: {place: bed, tray: middle, path: bed-2, every: 60 s, device: ds18b20}
  bed-3: {place: bed, tray: bottom, path: bed-3, every: 60 s, device: ds18b20}
  air: {place: air, path: air, every: 60 s, device: sht3x}
  air-humidity: {place: air, quantity: humidity, path: air-humidity, unit: '%%', every: 60 s, device: sht3x}
  room: {place: room, path: room, every: 60 s}
channels:
  bell: {kind: command, run: ["true"], by_day: true}
journal: {file: %(folder)s/batch.journal, ballast: 0 MB, commit_every: 1 s}
run_folder: %(folder)s/run
web: {port: 0}
"""
CHANGED = ("every: 60 s, device: ds18b20}\n  air:", "every: 60 s, device: ds18b20, tolerance: 0.4 C}\n  air:")
"""What is edited in the settings while the daemon is away the first time."""


@dataclass(frozen=True)
class Away:
    """A while without the daemon: from an hour since the spores on, for so many minutes; killed or told to end."""

    hour: float
    minutes: float
    killed: bool


AWAY = (Away(3.0, 14.0, killed=False), Away(39.0, 6.0, killed=True))

#: Acts beside those of the cook: hour since the spores, kind, data.
SAID: tuple[tuple[float, str, dict[str, Any]], ...] = (
    (1.0, "batch.note", {"text": "the cloth is wetter than last time"}),
    (1.2, "batch.weigh", {"stage": "seeded", "kg": 6.1, "tare_kg": 1.2}),
    (1.5, "probe.calibrate", {"probe": "bed-3", "points": [[0.4, 0.0], [99.6, 100.0]], "date": "2026-01-13",
                              "note": "ice and steam"}),
    (2.0, "alarm.test", {"text": "before the night", "wake": True}),
    (2.02, "alarm.acknowledge", {"key": "test"}),
    (2.5, "step.correct", {"mark": 2, "at_ago_s": 9000.0}),
    (2.6, "step.undo", {"mark": 2}),
    (2.7, "step.done", {"step": "wrap", "at_ago_s": 9000.0}),
    (6.0, "probe.move", {"probe": "bed-2", "tray": "bottom"}),
    (8.2, "alarm.shelve", {"key": "silent/bed-2", "for_s": 600, "one_shot": False}),
    (8.3, "alarm.unshelve", {"key": "silent/bed-2"}),
    (8.4, "alarm.out_of_service", {"key": "silent/bed-2", "reason": "the plug is loose"}),
    (9.0, "probe.move", {"probe": "bed-9", "tray": "bottom"}),
    (10.0, "alarm.in_service", {"key": "silent/bed-2"}),
    (10.5, "step.done", {"step": "pasteurise"}),
    (14.0, "alarm.probe_test", {"probe": "bed", "rise_k": 1.0}),
    (30.0, "batch.weigh", {"stage": "work", "kg": 5.8}),
    (30.1, "batch.weigh", {"stage": "work", "kg": 1.0}),
    (30.2, "batch.unweigh", {"stage": "work"}),
    (37.0, "probe.back", {}),
    (38.97, "batch.note", {"text": "the lamp flickers"}),  # on the disk at once, and with it what came before
    (41.0, "forecast.reset", {"schedule": ""}),
)  # fmt: skip
VERDICT = {"look": "white to the core", "look_score": 5, "smell": "chestnut", "smell_score": 4, "text": "a good one"}


class Monitor:
    """The daemon, in its lives."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "kojimon.yaml"
        self.config.write_text(SETTINGS % {"folder": folder})
        self._log = (folder / "daemon.log").open("w")
        self.sent_before = 0

    def start(self, now_ms: int, line: SerialLine) -> None:
        """Begins a life; returns when it reads the line."""
        self._process = subprocess.Popen(
            command(self.config, self.folder / "state", now_ms), cwd=ROOT, stdout=subprocess.PIPE, stderr=self._log,
            text=True,
        )  # fmt: skip
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n", (self.folder / "daemon.log").read_text()
        self.drive = Drive(str(self.folder / "run" / "drive"))
        self.api = Api(str(until(lambda: next(iter((self.folder / "run").glob("*.sock")), None))))
        line.unplug()  # its reader flushes what it finds when it opens the port: plugged in anew it is given time to
        line.plug()
        line.wait_reader(30.0)
        self.sent_before = line.sent

    def end(self, killed: bool) -> None:
        """Ends a life."""
        self.api.close()
        self.drive.close()
        self._process.send_signal(signal.SIGKILL if killed else signal.SIGTERM)
        self._process.communicate(timeout=30)

    def close(self) -> None:
        self._log.close()


class Recording:
    """The world, the cook, the line and the daemon through a whole batch."""

    def __init__(self, folder: Path) -> None:
        made = SCENARIOS["eventful"](SEED)
        probes = tuple(replace(spec, interval_s=EVERY_S) for spec in made.probes)
        scenario = replace(made, probes=probes, hands="none", inoculate_c=None)
        self.world = World(scenario, SEED)
        self.cook = Cook(
            SEED, start_local_h=scenario.params.start_local_h, absent_h=self.world.scenario.absent_h, incubator=BOX,
            rice_kg=sum(tray.white_rice_kg for tray in scenario.params.trays),
        )  # fmt: skip
        self.line = SerialLine(folder / "board", scenario.probes, "keys")
        self.monitor = Monitor(folder)
        self.refused: list[Any] = []
        self._away, self._said, self._back_s = list(AWAY), list(SAID), 0.0
        self._up = False
        self._count = 0

    def run(self) -> dict[str, Any]:
        """To half an hour after the harvest."""
        self._begin(0.0)
        now_s = 0.0
        while self.world.harvested_s is None or now_s < self.world.harvested_s + 1800.0:
            now_s += TICK_S
            assert now_s < LONGEST_S, "the batch does not end"
            self._instant(now_s)
        self._act("batch.verdict", {"batch": self._batch, **VERDICT})
        self._instant(now_s + TICK_S)
        self.monitor.end(killed=False)
        self.monitor.close()
        self.line.close()
        return {"hours": now_s / 3600, "refused": self.refused}

    def _begin(self, now_s: float) -> None:
        self.monitor.start(START_MS + round(now_s * 1000), self.line)
        self._up = True

    def _instant(self, now_s: float) -> None:
        self.world.advance(now_s)
        samples = self.world.read()
        if not self._up and now_s >= self._back_s:
            self._begin(now_s)
        if not self._up:
            return
        now_ms = START_MS + round(now_s * 1000)
        self.monitor.drive.begin(now_ms)
        if samples:
            self.line.publish(samples)
        self.monitor.drive.end(now_ms, {"board": self.line.sent - self.monitor.sent_before})
        if now_s % 60.0 < TICK_S:
            self._look(now_s)
        self._leave(now_s)

    def _look(self, now_s: float) -> None:
        state = self.monitor.api.state()
        batch = state["incubators"][0]["batch"]
        self._batch = batch["id"] if batch is not None else getattr(self, "_batch", "")
        for deed in self.cook.decide(state, now_s):
            for name, args in deed.hands:
                self.world.act(name, **args)
            if deed.act is not None:
                self._send(deed.act)
        for kind, data in self._due():
            self._act(kind, data)

    def _due(self) -> Iterator[tuple[str, dict[str, Any]]]:
        while self._said and (self.world.hour or 0.0) >= self._said[0][0]:
            _, kind, data = self._said.pop(0)
            yield kind, data

    def _act(self, kind: str, data: dict[str, Any]) -> None:
        self._count += 1
        self._send({"kind": kind, "incubator": BOX, "who": "cook", "data": data, "idempotency": f"said-{self._count}"})

    def _send(self, act: dict[str, Any]) -> None:
        status, answer = self.monitor.api.act(act)
        if status >= 300:
            self.refused.append([act["kind"], answer])

    def _leave(self, now_s: float) -> None:
        if not self._away or (self.world.hour or 0.0) < self._away[0].hour:
            return
        away = self._away.pop(0)
        self.monitor.end(away.killed)
        self._up, self._back_s = False, now_s + away.minutes * 60
        if not away.killed:
            text = self.monitor.config.read_text()
            assert CHANGED[0] in text
            self.monitor.config.write_text(text.replace(*CHANGED))


def pack(folder: Path, target: Path) -> None:
    """The files of a version out of what was recorded."""
    journal = folder / "batch.journal"
    with closing(sqlite3.connect(journal)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    target.mkdir(parents=True)
    (target / "batch.journal.xz").write_bytes(lzma.compress(journal.read_bytes(), preset=9 | lzma.PRESET_EXTREME))
    shutil.copy(next((folder / "state").glob("last-good-*.json")), target / "last-good.json")
    lines = [json.dumps(event, ensure_ascii=False) for event in meaning.events_stored(journal)]
    (target / "events.jsonl").write_text("\n".join(lines) + "\n")
    meaning.write(target / "review.json", meaning.review(journal))
    (target / "settings").mkdir()
    for file in (*sorted(meaning.CONFIG.glob("*.yaml")), meaning.EVERYTHING):
        shutil.copy(file, target / "settings")
        meaning.write(target / "settings" / f"{file.stem}.json", meaning.settings(file))
    (target / "schedules").mkdir()
    for file in sorted((meaning.CONFIG / "schedules").glob("*.yaml")):
        shutil.copy(file, target / "schedules")
        meaning.write(target / "schedules" / f"{file.stem}.json", meaning.schedule(file))
    (target / "accepted.yaml").write_text(ACCEPTED)


ACCEPTED = """\
# What later versions made of these files otherwise, on purpose. `difference` is as `python -m tests.golden.show` prints
# it, * for anything; each must fit something. `reason` says what was changed and why.
[]
"""


def main(folder: Path, version: str) -> None:
    """Records into an empty folder, and packs."""
    folder.mkdir(parents=True)
    print(json.dumps(Recording(folder).run(), indent=1))
    pack(folder, meaning.GOLDEN / version)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
