"""Hundreds of processes are started by the tests: each module is compiled by the first that needs it, and kept."""

import importlib
import os
import sys
from contextlib import suppress
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[1]


def compile_once() -> None:
    """Whatever the shell says about it: a daemon that compiles all its modules takes twice as long to start."""
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def read_share(number: int, workers: int) -> None:
    """Each worker reads its share of the test files before it reads all of them.

    pytest compiles them anew, and that takes longer than all else before the first test. What one worker has compiled
    is kept, and the others find it.

    Args:
        number: of this worker, from 0.
    """
    for path in sorted(TESTS.rglob("test_*.py"))[number::workers]:
        with suppress(Exception, pytest.skip.Exception):  # said where it is read for good
            importlib.import_module(".".join(path.relative_to(TESTS.parent).with_suffix("").parts))
