"""The forecast's process as the daemon sees it: niced and its memory bounded, so that a model gone wrong never takes
the machine from the watch."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Final

import msgspec

from kojimon.child import Child, ChildError
from kojimon.forecast.protocol import Answer, Request, decode_answer, encode

LIMIT_S: Final = 30.0
"""Real seconds a request may take. A whole batch told again takes 0.4 s here; a Pi Zero is some thirty times slower."""
COMMAND: Final = (sys.executable, "-m", "kojimon.forecast.child")
NICE: Final = 10
DATA_BYTES: Final = 512 * 1024 * 1024
"""Memory the process may ask for; it holds 33 MB after a whole batch."""


def forecast_child(command: Sequence[str] = COMMAND) -> Child:
    """The process, not started yet. `command` is for tests."""
    return Child("the forecast's process", command, LIMIT_S, nice=NICE, data_bytes=DATA_BYTES)


def look_after(child: Child) -> None:
    """Raises ChildError where it had ended by itself: what it knew is gone, and that is worth a word."""
    if how := child.ended():
        child.end()
        raise ChildError(f"{child.name} ended unexpectedly ({how})")


def asked(child: Child, request: Request) -> Answer:
    """Sends a request and waits for the answer. Raises ChildError; the process is then gone."""
    look_after(child)
    try:
        return decode_answer(child.ask(encode(request)))
    except msgspec.MsgspecError as problem:
        child.end()
        raise ChildError(f"{child.name} answered what is none: {problem}") from None
