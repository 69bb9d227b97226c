"""A large export beside probes at work: 48 h x 4 probes at 1 Hz go out through a daemon that reads three more.

What is looked for is the longest time without a stored reading, beside the same stretch with nobody asking.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from kojimon.clock import real_s
from kojimon.journal.reading.reader import Reader
from kojimon.settings.load import load_settings
from kojimon.web.client.local import Client
from tests.bench.figures import record
from tests.bench.test_page_speed import fill
from tests.parts.wait import until

pytestmark = pytest.mark.bench
POLL_MS, QUIET_S = 200, 20.0
SENSORS = ("bed", "bed-2", "air")
CONFIG = """
incubators: {{box: {{schedule: rice-koji-home-trays, trays: [top, middle]}}}}
sources: {{board: {{kind: kernel, root: {folder}/board, poll_every: 0.2 s}}}}
probes:
  bed: {{place: bed, tray: top, file: bed, scale: 0.001, every: 1 s}}
  bed-2: {{place: bed, tray: middle, file: bed-2, scale: 0.001, every: 1 s}}
  air: {{place: air, file: air, scale: 0.001, every: 1 s}}
journal: {{file: {folder}/kojimon.journal, ballast: 0 MB, commit_every: 2 s}}
run_folder: {folder}/run
clock: {{trusted: true}}
web: {{port: 0}}
forecast: {{use: false}}
"""


def rss_mb(pid: int) -> float:
    """Resident memory of a process, MB."""
    text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS:")) / 1024


def longest_gap_ms(reader: Reader, t0_ms: int, t1_ms: int) -> int:
    """The longest time between two stored readings of one probe."""
    numbers = [probe.no for probe in reader.probes() if probe.name in SENSORS]
    times = [[t_ms for t_ms, *_ in reader.series(no, t0_ms, t1_ms)] for no in numbers]
    assert all(len(one) > 10 for one in times)
    return max(b - a for one in times for a, b in pairwise(one))


def test_an_export_of_48_hours_keeps_no_probe_waiting(tmp_path: Path) -> None:
    fill(tmp_path)
    (tmp_path / "board").mkdir()
    for name in SENSORS:
        (tmp_path / "board" / name).write_text("31000\n", encoding="ascii")
    config = tmp_path / "kojimon.yaml"
    config.write_text(CONFIG.format(folder=tmp_path), encoding="utf-8")
    settings = load_settings(config)
    environment = {**os.environ, "KOJIMON_CONFIG": str(config), "NO_COLOR": "1"}
    command = [sys.executable, "-m", "kojimon"]
    daemon = subprocess.Popen([*command, "run"], stdout=subprocess.DEVNULL, env=environment)
    try:
        client = Client.for_journal(settings.journal.path, settings.run_folder)
        until(client.running, 120.0, "the daemon answers")
        begun_s = real_s()
        until(lambda: real_s() - begun_s > QUIET_S, 2 * QUIET_S, "a stretch with nobody asking")
        began_ms, before_mb = client.get("/v1/health")["clock"]["t_ms"], rss_mb(daemon.pid)
        spent_s = []
        for form in ("csv", "jsonl"):
            begun = time.perf_counter()
            told = [*command, "export", "--format", form, "-o", str(tmp_path / f"all.{form}")]
            subprocess.run(told, check=True, env=environment, capture_output=True, timeout=600)
            spent_s.append(time.perf_counter() - begun)
        ended_ms, after_mb = client.get("/v1/health")["clock"]["t_ms"], rss_mb(daemon.pid)
        last = client.get("/v1/health")["core"]["seq"]
        until(lambda: client.get("/v1/journal")["rows"] >= last, 30.0, "what was read meanwhile is stored")
    finally:
        daemon.terminate()
        daemon.wait(30)
    with closing(Reader(tmp_path / "kojimon.journal")) as reader:
        quiet_ms = longest_gap_ms(reader, began_ms - round(QUIET_S * 1000) + 2_000, began_ms)
        asked_ms = longest_gap_ms(reader, began_ms, ended_ms)
    with (tmp_path / "all.jsonl").open("rb") as lines:
        count = sum(1 for _ in lines)
    record(
        "longest gap in readings each 200 ms during an export of 48 h",
        f"{asked_ms} ms; {count:,} lines: csv {spent_s[0]:.1f} s, jsonl {spent_s[1]:.1f} s; "
        f"daemon {before_mb:.1f}, then {after_mb:.1f} MB",
        f"{quiet_ms} ms with nobody asking",
    )
    assert count > 690_000
    assert asked_ms <= max(2 * POLL_MS, quiet_ms + POLL_MS), "a reading a second is never late"
