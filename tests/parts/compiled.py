"""Hundreds of processes are started by the tests: each module is compiled by the first that needs it, and kept."""

import os
import sys


def compile_once() -> None:
    """Whatever the shell says about it: a daemon that compiles all its modules takes twice as long to start."""
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
