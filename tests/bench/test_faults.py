"""Faults put in by hand, one at a time, in a copy of the project: which of them its tests catch.

With `FAULTS=planner` those alone are tried whose file or meaning has the word, and no figure is written. With
`FAULTS_KEPT=FILE` a run goes on where another one was ended; `FAULTS_MINUTES=40` ends one: none is begun after that.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from itertools import count
from pathlib import Path
from queue import SimpleQueue
from typing import Final, NamedTuple

import pytest

from kojimon.clock import real_s
from tests.bench.figures import ROOT, record

pytestmark = [pytest.mark.bench, pytest.mark.timeout(7200)]
FILE: Final = Path(__file__).with_name("faults.txt")
GROUPS: Final = {
    "engine": (
        "alarms/test_state_and_logic.py", "alarms/test_prediction_and_work.py", "engine/test_levels.py",
        "engine/test_batch.py", "engine/test_hand.py",
    ),
    "plan": ("notify/test_plan.py", "notify/test_plan_properties.py", "alarms/test_nuisance.py"),
}
PLUGINS: Final = ("-p", "pytest_timeout", "-p", "_hypothesis_pytestplugin")
"""What the tests named need; to load the others takes as long as many a test."""
SECONDS: Final = count(1)
PASSED = 0
"""Exit code of pytest when all tests passed."""
SHARE = 0.9


class Fault(NamedTuple):
    """A block of `faults.txt`: `old` in `file` becomes `new`, and `tests` fail by it, unless it is `spared`."""

    file: str
    means: str
    old: str
    new: str
    tests: tuple[str, ...]
    spared: str


def faults() -> Iterator[Fault]:
    """The faults of the file, in its order."""
    for block in FILE.read_text(encoding="utf-8").split("\n\n")[1:]:
        head, *lines = block.strip("\n").split("\n")
        file, _, means = head.partition(": ")
        part = {sign: "\n".join(line[2:] for line in lines if line[0] == sign) for sign in "-+@~"}
        tests = [f"tests/{test}" for word in part["@"].split() for test in GROUPS.get(word, (word,))]
        yield Fault(file, means, part["-"], part["+"], tuple(tests), part["~"])


def copy_of(folder: Path) -> Path:
    """What git knows of this folder, as it is now; what is to come is waited for ten seconds there, not sixty."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    for name in filter(None, listed.decode().split("\0")):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / name).is_symlink() or (ROOT / name).exists():
            shutil.copy2(ROOT / name, folder / name, follow_symlinks=False)
    wait = folder / "tests/parts/wait.py"
    text = wait.read_text(encoding="utf-8").replace("DEADLINE_S = 60.0", "DEADLINE_S = 10.0")
    wait.write_text(text, encoding="utf-8")
    return folder


def first_failed(copy: Path, tests: Sequence[str]) -> str:
    """The first of these tests of the copy that fails, "" where all pass."""
    environment = {**os.environ, "PYTHONPATH": f"{copy}:{copy / 'sim'}", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    options = ["-x", "-q", "-rfE", "-m", "not bench", "--timeout", "120", *PLUGINS, "-p", "no:cacheprovider"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *options, *tests],
        cwd=copy, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    failed = re.search(r"^(?:FAILED|ERROR) (tests/\S+::.+?)(?: - |$)", done.stdout, re.MULTILINE)
    assert done.returncode == PASSED or failed is not None, done.stdout[-2000:] + done.stderr[-2000:]
    return failed.group(1) if failed is not None and done.returncode != PASSED else ""


def red_with(copy: Path, fault: Fault) -> str:
    """The test that fails by a fault, "" for none. The file is as it was afterwards."""
    file = copy / "kojimon" / fault.file
    sound, was = file.read_text(encoding="utf-8"), file.stat().st_mtime_ns
    assert sound.count(fault.old) == 1, f"{fault.file}: {fault.old!r} stands there {sound.count(fault.old)} times"
    changed = sound.replace(fault.old, fault.new)
    compile(changed, file, "exec")  # what is no Python is no fault: every test would catch it
    file.write_text(changed, encoding="utf-8")
    # Compiled files are known by length and second: each fault has a second of its own, of the last century.
    os.utime(file, (next(SECONDS),) * 2)
    try:
        return first_failed(copy, fault.tests)
    finally:
        file.write_text(sound, encoding="utf-8")
        os.utime(file, ns=(was, was))


class Kept:
    """What came of the faults of an earlier run, as long as neither their file nor their tests have changed."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        lines = file.read_text(encoding="utf-8").splitlines() if file is not None and file.exists() else []
        self._found = dict[str, str](line.split(" ", 1) for line in lines)

    @staticmethod
    def _name(fault: Fault) -> str:
        paths = [ROOT / "kojimon" / fault.file, *(ROOT / test.partition("::")[0] for test in fault.tests)]
        files = [file for path in paths for file in (sorted(path.rglob("*.py")) if path.is_dir() else [path])]
        return sha256(b"\0".join([repr(fault).encode(), *(file.read_bytes() for file in files)])).hexdigest()

    def get(self, fault: Fault) -> str | None:
        """The test that failed by it, None where it must be tried."""
        return self._found.get(self._name(fault))

    def add(self, fault: Fault, failed: str) -> None:
        """Notes what came of it."""
        if self._file is not None:
            with self._file.open("a", encoding="utf-8") as file:
                file.write(f"{self._name(fault)} {failed}\n")


def test_faults_put_in_are_caught(tmp_path: Path) -> None:
    word, file = os.environ.get("FAULTS", ""), os.environ.get("FAULTS_KEPT")
    kept = Kept(Path(file) if file else None)
    listed = [fault for fault in faults() if word in fault.file or word in fault.means]
    until_s = real_s() + 60 * float(os.environ.get("FAULTS_MINUTES", "110"))
    copies, at_once = SimpleQueue[Path](), len(os.sched_getaffinity(0))
    for number in range(at_once):
        copies.put(copy_of(tmp_path / f"copy-{number}"))

    def caught(fault: Fault) -> str | None:
        failed = kept.get(fault)
        if failed is None and real_s() > until_s:
            return None
        if failed is None:
            copy = copies.get()
            try:
                failed = red_with(copy, fault)
            finally:
                copies.put(copy)
            kept.add(fault, failed)
        print(f"{failed or 'SURVIVED'} | {fault.file}: {fault.means}", flush=True)
        return failed

    with ThreadPoolExecutor(at_once) as pool:
        found = zip(listed, pool.map(caught, listed), strict=True)
        red = {fault: failed for fault, failed in found if failed is not None}
    # What is red without any fault has caught none.
    sound, left = copies.get(), sorted({failed for failed in red.values() if failed})
    while left and (failed := first_failed(sound, left)):
        print(f"{failed} is red without any fault")
        left.remove(failed)
    survived = [fault for fault, failed in red.items() if failed not in left]
    killed = len(red) - len(survived)
    if not word:
        same = f", of the others {sum(bool(fault.spared) for fault in survived)} change nothing"
        left_out = f"; {len(listed) - len(red)} not tried" if len(red) < len(listed) else ""
        share = f"{killed} of {len(red)}, {100 * killed / len(red):.0f} %{same if survived else ''}{left_out}"
        record("faults put in that a test catches, of 300", share)
    assert [fault.means for fault in survived if not fault.spared] == []
    assert killed >= SHARE * len(red)
