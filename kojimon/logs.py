"""The system log: one line an event on standard error, repeats held back.

A line repeated without end fills a small log store and pushes out the one that matters, so each place in the code
may write `BURST` lines a minute; the next one let through says how many were held back.
"""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable
from typing import TextIO

BURST = 5
PERIOD_S = 60.0
PLACES = 500


def get(name: str) -> logging.Logger:
    """The logger of one part, below `kojimon`."""
    return logging.getLogger(f"kojimon.{name}")


class HoldBack(logging.Filter):
    """Lets `burst` lines of one place in the code pass in each `period_s`; counts the others.

    Args:
        now_s: real seconds, monotonic (handed in: this module reads no clock).
    """

    def __init__(self, now_s: Callable[[], float], burst: int = BURST, period_s: float = PERIOD_S) -> None:
        super().__init__()
        self._now_s, self._burst, self._period_s = now_s, burst, period_s
        self._lock = threading.Lock()
        self._places: dict[tuple[str, int], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        place, now = (record.pathname, record.lineno), self._now_s()
        with self._lock:
            since, count = self._places.get(place, (now, 0))
            held = 0
            if now - since >= self._period_s:
                held, since, count = max(0, count - self._burst), now, 0
            if len(self._places) >= PLACES and place not in self._places:
                self._places.clear()
            self._places[place] = (since, count + 1)
        if held:
            record.msg, record.args = f"{record.getMessage()} ({held} more like it left out)", ()
        return count < self._burst


def configure(now_s: Callable[[], float], level: int = logging.INFO, stream: TextIO | None = None) -> None:
    """Sends the log of all parts to `stream` (standard error by default), with repeats held back.

    Under systemd the log store adds the time, so a line carries level, part and text only.
    """
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    handler.addFilter(HoldBack(now_s))
    root = logging.getLogger("kojimon")
    for old in list(root.handlers):
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(level)
    root.propagate = False
