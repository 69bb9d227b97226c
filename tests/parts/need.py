"""Programs that tests run: there, or the test fails and says what to install, or the run was told to do without them.

The list is deploy/packages.txt: NAME PACKAGE PART.
"""

from __future__ import annotations

import ctypes
import os
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = {
    name: (package, part)
    for name, package, part in (
        line.split()
        for line in (ROOT / "deploy" / "packages.txt").read_text(encoding="utf-8").splitlines()
        if line[:1] not in ("", "#")
    )
}
"""Name -> package and part."""
PARTS = sorted({part for _, part in PACKAGES.values()})
PATH = f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin"
_WITHOUT: set[str] = set()


def do_without(parts: list[str]) -> None:
    """Says once, before the tests, which parts this run does without (`--without`)."""
    _WITHOUT.clear()
    _WITHOUT.update(parts)


def need(name: str, at: str = "") -> str:
    """Path of a program, a file or a library. Skips the test where its part is left out, fails it where it is missing.

    Args:
        name: as in the list.
        at: a path to take instead, if it is not empty.
    """
    package, part = PACKAGES[name]
    if part in _WITHOUT:
        pytest.skip(f"left out: --without {part}")
    found = at or (_library(name) if ".so." in name else shutil.which(name, path=PATH))
    if name.startswith("/") and Path(name).exists():
        found = name
    if not found:
        pytest.fail(f"{name} is missing (Debian: {package}): sh deploy/test.sh installs it, or does --without {part}")
    return found


def _library(name: str) -> str:
    try:
        ctypes.CDLL(name)
    except OSError:
        return ""
    return name
