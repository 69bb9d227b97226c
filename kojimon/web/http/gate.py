"""Connections of one door: how many, how many from one address, and how long each may take over what it says and reads.

The server has a limit on connections in all and closes none that is slow: a byte now and then holds one for ever. Here
a newcomer takes the place of whoever has waited longest without asking anything, of the address that holds the most. So
a crowd of idle connections keeps nobody out, and the other door (the local socket) has places of its own. Who asks
more before the answer is out is the first to go, and its further questions are not answered: no browser does so, and
a server may close instead (RFC 9112, 9.3.2).
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

from kojimon.clock import real_s
from kojimon.contract.health import DoorHealth
from kojimon.web.http.door import address_of

MOST: Final = 64
MOST_EACH: Final = 24
"""From one address: a browser opens six, and behind a proxy all viewers are one."""
HEAD_S: Final = 10.0
"""From the connection, or the answer before, until a request is complete but for its body."""
BODY_S: Final = 60.0
"""Until its body is complete: 9 MB of photo at 150 kB/s."""
WRITE_S: Final = 30.0
"""Who reads nothing of an answer for so long has gone."""
LINK: Final = "kojimon.link"
"""Where a request's scope has its connection."""


class Gate:
    """The places of one door.

    Args:
        most: connections in all. each: from one address; all of the local socket are one.
    """

    def __init__(self, most: int = MOST, each: int = MOST_EACH) -> None:
        self._most, self._each = most, each
        self._inside: dict[Guarded, str] = {}
        self.refused = self.replaced = self.slow = 0

    def facts(self) -> DoorHealth:
        """For status."""
        return DoorHealth(open=len(self._inside), refused=self.refused, replaced=self.replaced, slow=self.slow)

    def admit(self, one: Guarded, peer: object) -> bool:
        """Takes a newcomer in, in the place of another where all are taken. False: nobody could go."""
        address = address_of(peer)
        own = [other for other, other_address in self._inside.items() if other_address == address]
        if len(own) >= self._each and not self._let_go(own):
            return False
        if len(self._inside) >= self._most and not self._let_go(self._crowd()):
            return False
        self._inside[one] = address
        return True

    def leave(self, one: Guarded) -> None:
        """A connection is over."""
        self._inside.pop(one, None)

    def _crowd(self) -> list[Guarded]:
        """Connections that ask too eagerly, else those of the address that has most of those which could go."""
        if eager := [other for other in self._inside if other.eager]:
            return eager
        by_address: dict[str, list[Guarded]] = {}
        for other, address in self._inside.items():
            if other.since_s is not None:
                by_address.setdefault(address, []).append(other)
        return max(by_address.values(), key=len, default=[])

    def _let_go(self, some: list[Guarded]) -> bool:
        waiting = [(one.since_s, number, one) for number, one in enumerate(some) if one.since_s is not None]
        if not waiting:
            self.refused += 1
            return False
        self.replaced += 1
        min(waiting)[2].end()
        return True


class Guarded(H11Protocol):
    """A connection with an end to each thing that the other side might never do.

    Args:
        gate: the door's. The others are the server's own.
    """

    def __init__(self, gate: Gate, **more: Any) -> None:
        super().__init__(**more)
        self._gate, self._inside = gate, False
        self._phase: tuple[float | None, object] = (None, self)
        self._timer: asyncio.TimerHandle | None = None
        self._unread: asyncio.TimerHandle | None = None
        self._asks_s: float | None = None
        self._unread_s: float | None = None
        self._in_line_s: float | None = None
        self.eager = False
        """Whether it asked more before its answer was out."""
        app = self.app

        async def linked(scope: Any, receive: Any, send: Any) -> None:
            scope[LINK] = self
            await app(scope, receive, send)

        self.app = linked

    @property
    def since_s(self) -> float | None:
        """Since when nothing complete was asked, nothing read of an answer, or a turn is awaited.

        None while a request is being answered. Who is eager has waited longer than anybody.
        """
        if self.eager:
            return float("-inf")
        return next((at for at in (self._asks_s, self._unread_s, self._in_line_s) if at is not None), None)

    @property
    def gone(self) -> bool:
        """Whether nobody is there to be answered."""
        return self.cycle is None or self.cycle.disconnected

    @contextmanager
    def in_line(self) -> Iterator[None]:
        """While its request awaits its turn."""
        self._in_line_s = real_s()
        try:
            yield
        finally:
            self._in_line_s = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Takes a place, or is closed without an answer."""
        self._inside = self._gate.admit(self, transport.get_extra_info("peername"))
        if not self._inside:
            transport.abort()
            return
        super().connection_made(transport)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Gives the place back."""
        for timer in (self._timer, self._unread):
            if timer is not None:
                timer.cancel()
        if self._inside:
            self._gate.leave(self)
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Some bytes; they move no deadline, what they complete does."""
        super().data_received(data)
        busy = self.cycle is not None and not self.cycle.response_complete and not self.cycle.more_body
        if busy and self.conn.trailing_data[0].strip(b"\r\n"):
            self.eager, self.cycle.keep_alive = True, False
        self._watch()

    def on_response_complete(self) -> None:
        """An answer is out."""
        super().on_response_complete()
        self._watch()

    def pause_writing(self) -> None:
        """More is to be said than the other side has read."""
        super().pause_writing()
        if self._unread is None:
            self._unread_s = real_s()
            self._unread = self.loop.call_later(WRITE_S, self._too_slow)

    def resume_writing(self) -> None:
        """It has read some."""
        super().resume_writing()
        if self._unread is not None:
            self._unread.cancel()
            self._unread = self._unread_s = None

    def end(self) -> None:
        """Closes at once; the place is free."""
        self._gate.leave(self)
        if self.cycle is not None:
            self.cycle.disconnected = True
        self.transport.abort()

    def _watch(self) -> None:
        """Sets the deadline of what is awaited now, once."""
        busy = self.cycle is not None and not self.cycle.response_complete
        limit_s = HEAD_S if not busy else BODY_S if self.cycle.more_body else None
        if self.transport.is_closing():
            limit_s = WRITE_S  # it ends once the last answer is read, be that little or much
        if (limit_s, self.cycle) == self._phase:
            return
        self._phase = (limit_s, self.cycle)
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None if limit_s is None else self.loop.call_later(limit_s, self._too_slow)
        self._asks_s = None if limit_s is None else real_s()

    def _too_slow(self) -> None:
        if self.transport.is_closing() and self.gone:
            return  # two limits ran out at the same moment
        self._gate.slow += 1
        self.end()
