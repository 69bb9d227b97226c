"""Journals for tests, written by the real engine and the real writer from readings and acts of our own making."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from kojimon import engine
from kojimon.forecast.kept import pack, thin
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.curve_file import read_curve
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from kojimon.model import InputRow
from kojimon.settings.spec import MqttSource, Settings
from kojimon.wiring import engine_setup
from tests.daemon.sites import probes_of, site
from tests.parts.inputs import input_row
from tests.parts.opened import reading
from tests.parts.outlooks import calm_answer, limit_answer, made

H = 3_600_000
SLICE = 5_000
AUTUMN_MS = 1_792_877_400_000
"""2026-10-24T21:30:00Z: the night in which summer time ends in Europe (Directive 2000/84/EC, article 3)."""


def settings_of(folder: Path, trays: int = 2, **more: Any) -> Settings:
    """A site with so many koji probes; tray names top, middle, bottom, fourth."""
    return site(folder, (MqttSource("mqtt", "127.0.0.1", 1),), probes_of("mqtt", trays), **more)


class Kitchen:
    """A journal in the making; hours are counted from its first row."""

    def __init__(self, folder: Path, settings: Settings | None = None, start_utc_ms: int = AUTUMN_MS) -> None:
        self.settings = settings or settings_of(folder)
        self.path = Path(self.settings.journal.path)
        self.numbers = {probe.name: no for no, probe in enumerate(self.settings.probes, 1)}
        self.rows: list[tuple[int, str, Any]] = []
        self.raw: dict[int, float] = {}
        start = {
            "boot": 1, "boot_id": "a", "boot_ms": 0, "wall_ms": start_utc_ms, "trusted": True, "clean": True,
            "horizon_ms": 0, "gap_ms": 0, "gap_source": "", "version": "test",
        }  # fmt: skip
        self.rows.append((0, "start", start))
        self.rows.append((0, "settings", engine_setup(self.settings, self.numbers)))

    def act(self, hour: float, kind: str, **data: Any) -> Kitchen:
        payload = {"kind": kind, "incubator": "box", "who": "me", "channel": "cli", "idempotency": "", "data": data}
        self.rows.append((round(hour * H), "act", payload))
        return self

    def read(self, hour: float, probe: str, value: float, quality: int = 0) -> Kitchen:
        self.rows.append((round(hour * H), probe, (value, quality)))
        return self

    def begin(self, hour: float = 0.0, **data: Any) -> Kitchen:
        """A batch, and the spores on the rice."""
        self.act(hour, "batch.start", **{"id": "b-1", "name": "first", **data})
        return self.act(hour, "step.done", step="inoculate", override="cool enough by hand")

    def write(self, end_hour: float | None = None) -> Reader:
        """Runs the engine over everything and writes the journal."""
        rows = sorted(self.rows, key=lambda row: row[0])
        end_ms = max(rows[-1][0], round((end_hour or 0) * H))
        opened = open_or_recover(self.path)
        writer = Writer(self.path, ballast_mb=0.0)
        writer.start()
        writer.register_probes([probe.name for probe in self.settings.probes], self.settings.probes)
        try:
            self._run(writer, list(self._numbered(rows)), end_ms)
            assert writer.flush(60)
        finally:
            writer.stop(10.0)
            opened.lock.release()
        return reading(self.path)

    def _numbered(self, rows: Iterable[tuple[int, str, Any]]) -> Iterable[Any]:
        for seq, (t_ms, kind, payload) in enumerate(rows, 1):
            if kind in self.numbers:
                yield (seq, t_ms, self.numbers[kind], payload[0], payload[1])
            else:
                yield input_row(seq, t_ms, kind, payload)

    def _run(self, writer: Writer, rows: list[Any], end_ms: int) -> None:
        state = engine.initial_state()
        for first in range(0, len(rows), SLICE):
            part = rows[first : first + SLICE]
            last = part[-1]
            horizon_ms = last[1] if isinstance(last, tuple) else last.t_ms
            if first + SLICE >= len(rows):
                horizon_ms = end_ms
            state, outcome = engine.advance(state, part, horizon_ms)
            readings = [
                (seq, t, no, value, None, q) for seq, t, no, value, q in (r for r in part if isinstance(r, tuple))
            ]
            inputs = [row for row in part if isinstance(row, InputRow)]
            writer.submit(Chunk(readings=readings, inputs=inputs, events=outcome.events, horizon_ms=horizon_ms))
            assert writer.flush(60.0)


def simulated(folder: Path, scenario: str = "mixed", seed: int = 7, hours: float = 45.0) -> Kitchen:
    """A batch of the simulator's, a reading every half minute, its steps done when its cook did them."""
    target = folder / f"{scenario}-{seed}.csv"
    asked = ["--scenario", scenario, "--seed", str(seed), "--hours", str(hours), "--every", "30", "--out", str(target)]
    command = [sys.executable, "-c", "from kojisim.main import main; main()", "run", *asked, "--json"]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    curve = read_curve(target)
    trays = sum(column.place == "bed" for column in curve.columns)
    kitchen = Kitchen(folder, settings_of(folder, trays))
    names = [column.name if column.quantity == "temperature" else f"{column.name}-humidity" for column in curve.columns]
    kitchen.act(0.0, "batch.start", id="b-1", name="first", rice_kg=2.0)
    words = iter(["first-check", *["mix"] * 20])
    for row in curve.rows:
        for name, value in zip(names, row.values, strict=True):
            if value is not None:
                kitchen.read(row.t_ms / H, name, value)
        if row.step:
            step = next(words) if row.step == "mix" else row.step
            kitchen.act(row.t_ms / H, "step.done", step=step, override="recorded")
    return kitchen


def forecast_batch(folder: Path, *, peak_c: float = 44.0, warns: bool = True) -> Reader:
    """31 °C to hour 18, then 1 K/h: 40 °C at hour 27. A forecast every two hours from hour 20, right if it warns."""
    one = Kitchen(folder).begin()
    for minute in range(0, 30 * 60, 5):
        hour = minute / 60
        one.read(hour, "bed", min(peak_c, max(31.0, 13.0 + hour))).read(hour, "air", 30.0)
    for at_h in (20, 22, 24, 26):
        answer = limit_answer(40.0, 27.0 - at_h) if warns else calm_answer(40.0)
        told = pack(thin(made(float(at_h), answer)))
        payload = {"incubator": "box", "batch": "b-1", "made_ms": at_h * H, "forecast": told}
        one.rows.append((at_h * H, "forecast", payload))
    return one.write(30.0)
