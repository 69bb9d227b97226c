"""What was asked in figures, and what the benchmarks measured: FIGURES.md, a row a figure, by `record` alone."""

from __future__ import annotations

import os
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
FILE: Final = Path(__file__).with_name("FIGURES.md")
NOT_YET: Final = "not measured"

ASKED: Final = {
    "QoS 0 at half the bare rate, 10 s": "nothing dropped, at most twice the bare processor time",
    "QoS 1 beside a bare client that commits first": "0.7 of it",
    "replay of 48 h x 4 probes at 1 Hz": "300,000/s of processor time",
    "replay beside the bare fetch": "a tenth of it",
    "reading the journal beside the bare fetch": "300,000/s, half of it",
    "a synced commit of 24 rows": "three times the bare one",
    "start to first stored reading": "1 s",
    "main process in ordinary service": "50 MB",
    "main process after 10 h, resident": "50 MB",
    "written to the card a day": "40 MB",
    "written to the card a day, with a forecast a minute": "40 MB",
    "power cuts of a card: acknowledged rows lost": "0",
    "publish to notification": "50 ms at the 99th",
    "longest gap in readings each 200 ms during an export of 48 h": "no delay",
    "first load of the page": "200 KB",
    "first curve, Chromium slowed six times": "1 s; 1.5 times a bare form",
    "curve of 48 h from the server": "below a raw scan of the same rows",
    "daemon with five pages open": "-",
    "figures of a batch, and its file": "-",
    "decoding and judging a reading": "twice json.loads",
    "fault kinds caught: least": "95 %",
    "misplaced probes caught: least": "95 %",
    "false flags in 1,000 probe-hours": "1",
    "probe out of the koji at a mixing, minutes until called": "-",
    "forecast: median error 2, 3, 4, 6 h before a limit": "0.2, 0.3, 0.4, 0.6 h",
    "forecast: 80 % range of that time holds": "75-85 of 100",
    "forecast: quiet night of 8 h, Brier": "below its base rate",
    "forecast: growth complete, 12 h before": "1.5 h",
    "forecast, tuning: 80 % ranges, quiet nights, first evening": "75-85 of 100; 0.1",
    "forecast, choosing: 80 % ranges, quiet nights, first evening": "75-85 of 100; 0.1",
    "forecast, haze: 80 % ranges, quiet nights, first evening": "75-85 of 100; 0.1",
    "forecast, judging: 80 % ranges, quiet nights, first evening": "75-85 of 100; 0.1",
    "forecast, tips: 80 % ranges, quiet nights, first evening": "75-85 of 100; 0.1",
    "forecast: update and 12 h forecast, instructions": "1,440 million a minute",
    "forecast: processor time": "48 h read again in 1-2 s",
    "forecast: its process": "-",
    "mirror beside raw line protocol": "as many requests, the same bytes a reading",
    "broker with 30 sites": "-",
    "boxes that begin in every way: wrong": "0",
    "kitchens: wakings without cause of healthy batches": "0",
    "kitchens: wrong advice": "0",
    "kitchens: messages without cause": "-",
    "kitchens: batches in which something was missed": "-",
    "kitchens: batches in which something cannot be known": "-",
    "interface asked at random, long": "no fault",
    "commands of README.md as a newcomer": "every one as written",
    "nights: excursions missed, wakings without cause": "0; 1 in 100",
    "security score of the unit": "2.0 or lower",
    "whole run of the tests, two idle cores": "8 min",
    "faults put in that a test catches, of 300": "90 %",
    "minutes from nothing to the first reading on the page": "5 min",
}
"""Figure: what was asked; `-` where nothing was but that it be known."""
HEAD: Final = """# Figures

Written by the benchmarks, never by hand: `sh deploy/test.sh --bench` for all,
`.venv/bin/pytest -m bench -p no:randomly tests/bench/test_memory.py` for one. Statistics take ten minutes at most on
two processors and say of how many they are; `KOJIMON_BENCH_SEEDS=50` before the command takes another number. The
anchor is what the same work costs without us, in the same run. Load is that of the last minute beside the number of
processors; a `+` behind a commit says that the program was changed since.

| Figure | Asked | Measured | Anchor | Load | Date | Commit |
|---|---|---|---|---|---|---|
"""


def some(first: int, count: int) -> range:
    """Seeds from the first on, so many of them, or as many as `KOJIMON_BENCH_SEEDS` says."""
    return range(first, first + int(os.environ.get("KOJIMON_BENCH_SEEDS", count)))


def record(name: str, measured: str, anchor: str = "") -> None:
    """Writes a figure's row, and prints it.

    Args:
        name: one of `ASKED`; KeyError for any other.
        measured: the figure with its unit.
        anchor: the bare counterpart of the same run.
    """
    asked, rows = ASKED[name], _rows()
    load = f"{os.getloadavg()[0]:.1f} of {os.cpu_count()}"
    cells = (name, asked, measured, anchor or "-", load, f"{datetime.now(UTC):%Y-%m-%d}", _commit())
    rows[name] = "| " + " | ".join(cells) + " |"
    FILE.write_text(page(rows), encoding="utf-8")
    print(f"\n{name}: {measured} (asked: {asked}; anchor: {anchor or '-'}; load {load})")


def page(rows: dict[str, str]) -> str:
    """The whole file: every figure asked, measured or not."""
    return HEAD + "".join(rows.get(name, f"| {name} | {asked} | {NOT_YET} | - | - | - | - |") + "\n"
                          for name, asked in ASKED.items())  # fmt: skip


def _rows() -> dict[str, str]:
    lines = FILE.read_text(encoding="utf-8").splitlines() if FILE.exists() else []
    found = {line.split(" | ")[0].removeprefix("| "): line for line in lines if line.startswith("| ")}
    return {name: line for name, line in found.items() if f" | {NOT_YET} | " not in line}


def _commit() -> str:
    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    return git("rev-parse", "--short", "HEAD") + ("+" if git("status", "--porcelain", "kojimon", "sim") else "")
