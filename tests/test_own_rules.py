"""What the run promises its tests: the long ones first, processes that hear signals, word of a journal left open."""

from __future__ import annotations

import gc
import os
import signal
import sqlite3
import subprocess
import sys
import warnings
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.parts.order import longest_first

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


def test_no_process_compiles_what_another_has_compiled() -> None:
    asked = [sys.executable, "-c", "import sys; print(sys.dont_write_bytecode)"]
    assert not sys.dont_write_bytecode
    assert subprocess.run(asked, capture_output=True, text=True, check=True).stdout == "False\n"


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


def test_the_longest_begin_first_in_every_worker_those_of_a_file_in_one() -> None:
    def item(name: str, *seconds: float) -> Any:
        return SimpleNamespace(nodeid=name, get_closest_marker=lambda _: SimpleNamespace(args=seconds))

    drawn = [item(f"quick{at}::t") for at in range(6)]
    drawn[2:2] = [item("b::1", 10), item("b::2", 15), item("unsaid::t")]
    drawn += [item("a::1", 40), item("c::1", 20)]
    order = [found.nodeid for found in longest_first(drawn, 3)]
    assert order[0] == "a::1" and order[3:5] == ["b::1", "b::2"] and order[7] == "c::1", "parts of 3, 4 and 4"
    quick = ["quick0::t", "quick1::t", "unsaid::t", *(f"quick{at}::t" for at in range(2, 6))]
    assert [name for name in order if name[0] in "qu"] == quick
    assert [found.nodeid for found in longest_first(drawn, 1)][:4] == ["a::1", "b::1", "b::2", "c::1"]
