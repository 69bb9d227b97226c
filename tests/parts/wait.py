"""Waiting for a real process or thread: on a condition, with a deadline, never for a fixed time."""

import time
from collections.abc import Callable
from typing import TypeVar

DEADLINE_S = 60.0
"""For what is expected to come; no requirement: under load it may take its time, and only a failure waits it out."""

Found = TypeVar("Found")


def until(condition: Callable[[], Found], within_s: float = DEADLINE_S, what: str = "") -> Found:
    """The first true answer of `condition`; fails the test when none came in time."""
    end_s = time.monotonic() + within_s
    while not (found := condition()):
        if time.monotonic() > end_s:
            raise AssertionError(f"not within {within_s:g} s: {what or condition}")
        time.sleep(0.005)
    return found
