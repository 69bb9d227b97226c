"""What the run of the tests promises its tests: processes that hear signals, and word of a journal left open."""

from __future__ import annotations

import gc
import os
import signal
import sqlite3
import subprocess
import sys
import warnings
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
GRANDCHILD = "import signal; print([signal.getsignal(n) for n in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM)])"
CHILD = f"""
import signal, subprocess, sys
from tests.parts.signals import let_children_hear
let_children_hear()
signal.raise_signal(signal.SIGHUP)
signal.raise_signal(signal.SIGINT)
sys.exit(subprocess.run([sys.executable, "-c", {GRANDCHILD!r}]).returncode)
"""


def _deaf() -> None:
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)


def test_a_run_in_the_background_goes_on_but_its_children_hear_signals() -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", CHILD]
    done = subprocess.run(command, preexec_fn=_deaf, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "SIG_IGN" not in done.stdout and done.stdout.count("SIG_DFL") == 2


def test_a_connection_that_nobody_closed_is_told(tmp_path: Path) -> None:
    with warnings.catch_warnings(), pytest.MonkeyPatch.context() as patch:
        heard: list[object] = []
        patch.setattr(sys, "unraisablehook", lambda found: heard.append(found.exc_value))
        sqlite3.connect(tmp_path / "left open")
        gc.collect()
        sqlite3.connect(tmp_path / "closed").close()
        gc.collect()
    assert [type(error) for error in heard] == [ResourceWarning]
