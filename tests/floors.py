"""Holds the lines that tests ran against floors: floors.py COVERAGE.json. `deploy/test.sh --coverage` runs it.

A floor stands where the tests were, rounded down: less is a part of the program that nobody tries any more.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

FLOORS: Final = {"engine": 93, "notify": 90, "journal": 93, "probes": 94}
"""Room: of 100 lines that hold code; what child processes run is not counted."""


def reached(report: Mapping[str, Any]) -> dict[str, float]:
    """Percent of lines run, by room, from a report of coverage.py (format 3)."""
    found: dict[str, tuple[int, int]] = {}
    for file, facts in report["files"].items():
        room, sums = Path(file).parts[1], facts["summary"]
        run, lines = found.get(room, (0, 0))
        found[room] = run + sums["covered_lines"], lines + sums["num_statements"]
    return {room: 100.0 * run / lines for room, (run, lines) in found.items() if lines}


def below(report: Mapping[str, Any]) -> list[str]:
    """What is under its floor, in words."""
    shares = reached(report)
    return [
        f"kojimon/{room}: {shares.get(room, 0.0):.1f} % of its lines are run by tests, {floor} % wanted: test what came"
        for room, floor in FLOORS.items()
        if shares.get(room, 0.0) < floor
    ]


def main(path: str) -> int:
    """Prints what was reached; 1 where a room is under its floor."""
    report = json.loads(Path(path).read_text(encoding="utf-8"))
    for room, share in sorted(reached(report).items()):
        print(f"kojimon/{room}: {share:.1f} % (floor {FLOORS.get(room, 0)})")
    wrong = below(report)
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
