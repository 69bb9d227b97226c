"""What stays resident of the main process after ten hours of its time, with and without what the unit sets.

Four probes every 10 s; the page, the curve, the state and the metrics looked at every 10 minutes (`memory_child.py`).
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.figures import record
from tests.bench.installed import ROOT, compiled_in, in_the_unit

pytestmark = pytest.mark.bench
HOURS, AIM_MB = 10, 50


def lived(folder: Path, hours: int, **more: str) -> list[dict[str, float]]:
    """A life of the child, on compiled modules as an installation has them."""
    folder.mkdir()
    own = compiled_in(folder.parent / "compiled") | more
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "bench" / "memory_child.py"), str(folder), str(hours)],
        env=own, capture_output=True, text=True, check=True, timeout=600,
    )  # fmt: skip
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_what_stays_resident(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lived(tmp_path / "first", 1), lived(tmp_path / "first as the unit", 1, **in_the_unit())  # they compile
    plain, unit = lived(tmp_path / "plain", HOURS), lived(tmp_path / "unit", HOURS, **in_the_unit())
    with capsys.disabled():
        record(
            "main process after 10 h, resident",
            f"{unit[-1]['rss_mb']} MB (share by PSS {unit[-1]['pss_mb']}); {unit[0]['rss_mb']} at the start, "
            f"{unit[1]['rss_mb']} after an hour with the page open",
            f"without what the unit sets {plain[-1]['rss_mb']} MB",
        )
    assert unit[-1]["rss_mb"] < AIM_MB
    assert unit[-1]["rss_mb"] - unit[1]["rss_mb"] < 3.0, "and it does not grow away"
