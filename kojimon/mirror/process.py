"""The child that talks to the server, as the daemon sees it: asked once at a time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Final

import msgspec

from kojimon.child import Child, ChildError
from kojimon.errors import KojimonError
from kojimon.mirror.answers import NO_SECRET, Answer
from kojimon.mirror.child import Address
from kojimon.mirror.feed import Point

LIMIT_S: Final = 30.0
"""A request ends by its own time limits long before; a child that takes this long hangs."""
COMMAND: Final = (sys.executable, "-m", "kojimon.mirror.child")
DATA_BYTES: Final = 256 * 1024 * 1024
"""Memory it may ask for; influxdb-client and one parcel stay far below, and beyond it a fresh one goes on."""


class Process:
    """Who makes the requests.

    Args:
        address: makes what `child` wants as its first line; it contains the token, so it goes through the pipe only.
            Called for each child anew; may raise KojimonError: the token is not there.
        limit_s, command: for tests.
    """

    def __init__(
        self, address: Callable[[], Address], limit_s: float = LIMIT_S, command: Sequence[str] = COMMAND
    ) -> None:
        self.child = Child(
            "the mirror's process", command, limit_s, data_bytes=DATA_BYTES,
            first=lambda: msgspec.json.encode(address()) + b"\n",
        )  # fmt: skip

    def ask(self, points: Sequence[Point]) -> Answer:
        """Sends points and waits for the answer; status 0 when the child died or had to be killed."""
        try:
            answer = self.child.ask(msgspec.json.encode([point[1:] for point in points]) + b"\n")
            return Answer(**msgspec.json.decode(answer))
        except ChildError as problem:
            return Answer(0, str(problem))
        except KojimonError as problem:
            return Answer(NO_SECRET, str(problem))
        except (TypeError, msgspec.MsgspecError) as problem:
            self.child.end()
            return Answer(0, f"the mirror's process answered what is none: {problem}")
