"""The whole run of the tests by a run of its own, on a machine that does nothing else: how long, and of how many."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from kojimon.clock import real_s
from tests.bench.figures import ROOT, record


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_all_tests_pass_in_minutes() -> None:
    began_s = real_s()
    workers = ("-n", str(2 * (os.cpu_count() or 1)), "--dist", "worksteal")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-m", "not bench", "-q", *workers],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    minutes, seconds = divmod(round(real_s() - began_s), 60)
    said = re.sub(" in .*|=", "", done.stdout.splitlines()[-1]).strip()
    record("whole run of the tests, two idle cores", f"{minutes}:{seconds:02} min; {said}")
    assert done.returncode == 0, done.stdout[-4000:]
