"""Signals for the processes that tests start."""

from __future__ import annotations

import signal
from types import FrameType

ENDING = (signal.SIGINT, signal.SIGHUP, signal.SIGTERM)


def let_children_hear() -> None:
    """Gives processes started from here the usual meaning of the signals that end them.

    A run in the background (`nohup`, `&` in a script) is begun with SIGHUP or SIGINT ignored, and an ignored signal
    stays so in every child. A handler does not: the run itself goes on being deaf, its children are not.
    """
    for number in ENDING:
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, _deaf)


def _deaf(_number: int, _frame: FrameType | None) -> None:
    pass
