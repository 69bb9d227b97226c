"""Faults put in by hand, one at a time, in a copy of the project: which of them its tests catch.

With `FAULTS=planner` those alone are tried whose file or meaning has the word, and no figure is written.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from typing import Final, NamedTuple

import pytest

from tests.bench.figures import ROOT, record

pytestmark = [pytest.mark.bench, pytest.mark.timeout(7200)]
FILE: Final = Path(__file__).with_name("faults.txt")
GROUPS: Final = {
    "engine": (
        "alarms/test_state_and_logic.py", "alarms/test_prediction_and_work.py", "engine/test_levels.py",
        "engine/test_batch.py", "engine/test_hand.py", "engine",
    ),  # the quick ones first
    "plan": ("notify/test_plan.py", "notify/test_plan_properties.py", "alarms/test_nuisance.py"),
}
PASSED = 0
"""Exit code of pytest when all tests passed."""
SHARE = 0.9
AT_ONCE = 2


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
    """What git knows of this folder, as it is now."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    for name in filter(None, listed.decode().split("\0")):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / name).is_symlink() or (ROOT / name).exists():
            shutil.copy2(ROOT / name, folder / name, follow_symlinks=False)
    return folder


def first_failed(copy: Path, tests: Iterable[str]) -> str:
    """The first of these tests of the copy that fails, "" where all pass."""
    environment = {**os.environ, "PYTHONPATH": f"{copy}:{copy / 'sim'}", "PYTHONDONTWRITEBYTECODE": "1"}
    options = ["-x", "-q", "-rfE", "-m", "not bench", "-p", "no:randomly", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *options, *tests],
        cwd=copy, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    failed = re.search(r"^(?:FAILED|ERROR) (tests/\S+::.+?)(?: - |$)", done.stdout, re.MULTILINE)
    assert done.returncode == PASSED or failed is not None, done.stdout[-2000:] + done.stderr[-2000:]
    return failed.group(1) if failed is not None and done.returncode != PASSED else ""


def put_in(copy: Path, fault: Fault) -> bool:
    """Whether a test catches it, one that passes without. The file is as it was afterwards."""
    file = copy / "kojimon" / fault.file
    sound = file.read_text(encoding="utf-8")
    assert sound.count(fault.old) == 1, f"{fault.file}: {fault.old!r} stands there {sound.count(fault.old)} times"
    file.write_text(sound.replace(fault.old, fault.new), encoding="utf-8")
    try:
        failed = first_failed(copy, fault.tests)
    finally:
        file.write_text(sound, encoding="utf-8")
    assert not failed or not first_failed(copy, [failed]), f"{failed} is red without any fault"
    return bool(failed)


def test_faults_put_in_are_caught(tmp_path: Path) -> None:
    word = os.environ.get("FAULTS", "")
    tried = [fault for fault in faults() if word in fault.file or word in fault.means]
    copies, survived = SimpleQueue[Path](), list[Fault]()
    for number in range(AT_ONCE):
        copies.put(copy_of(tmp_path / f"copy-{number}"))

    def caught(fault: Fault) -> bool:
        copy = copies.get()
        try:
            return put_in(copy, fault)
        finally:
            copies.put(copy)

    with ThreadPoolExecutor(AT_ONCE) as pool:
        for fault, well in zip(tried, pool.map(caught, tried), strict=True):
            print(f"{'caught' if well else 'SURVIVED':8} {fault.file}: {fault.means}", flush=True)
            survived += [] if well else [fault]
    count = len(tried) - len(survived)
    if not word:
        share = f"{count} of {len(tried)}, {100 * count / len(tried):.0f} %"
        record("faults put in that a test catches, of 300", share)
    assert [fault.means for fault in survived if not fault.spared] == []
    assert count >= SHARE * len(tried)
