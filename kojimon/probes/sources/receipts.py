"""Which messages of a broker are under way to the disk, and which came a second time.

A message is acknowledged only when its reading is committed. A kill between the two makes the broker send it again,
marked DUP; it is recognised by its packet id and a hash of its content, which travel with the reading as one number,
the receipt, are committed with it and handed back at the next start.

Packet ids mean something within one session of one broker only. Where the broker has none for us (session_present 0: it
was killed, or we were away too long) its ids begin again, and equal content would look like a redelivery. So sessions
are numbered, the number is part of every receipt, and it is on the disk before the first message of a session is taken.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from enum import Enum
from hashlib import blake2b
from typing import Final, NamedTuple

COMMITTED_LIMIT: Final = 1000
"""Receipts remembered after their commit: more than a broker keeps in flight (its packet ids count upwards, so one
and the same id cannot be among them twice)."""


class Left(NamedTuple):
    """What an earlier process left of a source's session, and what takes note of a new one.

    Attributes:
        committed: receipts of the last committed readings, oldest first.
        session: number of the session they belong to.
        begun: keeps the number of a new session; returns once it is on the disk, or cannot be.
    """

    committed: Iterable[int] = ()
    session: int = 0
    begun: Callable[[int], object] = id


class Delivery(Enum):
    """What to do with a message."""

    NEW = "new"
    UNDER_WAY = "under way"
    """Came again while its reading waits for the commit: acknowledged with it."""
    DONE = "done"
    """Came again after its reading was committed: to be acknowledged at once."""


def receipt_of(source: str, mid: int, topic: str, payload: bytes, session: int = 0) -> int:
    """The receipt of a message: 47 bits of hash above the 16 bits of its packet id. Never 0."""
    number = (str(session).encode(),) if session else ()
    content = b"\0".join((source.encode(), topic.encode("utf-8", "surrogatepass"), payload, *number))
    return (int.from_bytes(blake2b(content, digest_size=6).digest(), "big") >> 1) << 16 | mid


class Receipts:
    """Thread-safe: the network thread delivers, the writer's thread commits.

    Args:
        source: name of the source, part of every receipt.
        left: what an earlier process left.
    """

    def __init__(self, source: str, left: Left | None = None) -> None:
        left = left or Left()
        self._source, self._session, self._begun = source, left.session, left.begun
        self._lock = threading.Lock()
        self._in_flight: dict[int, int] = {}
        self._under_way: dict[int, None] = {}
        self._committed: OrderedDict[int, None] = OrderedDict.fromkeys(left.committed)
        self._trim()

    def connected(self, session_present: bool) -> None:
        """A new connection: packet ids under way on the old one mean nothing on it; in a new session none does."""
        with self._lock:
            self._in_flight.clear()
            if session_present:
                return
            self._committed.clear()
            self._session += 1
        self._begun(self._session)

    def delivered(self, mid: int, duplicate: bool, topic: str, payload: bytes) -> tuple[int, Delivery]:
        """A message came. Returns its receipt and what to do with it.

        Only a message marked DUP can be one that came before: equal content alone is an ordinary second reading.
        """
        receipt = receipt_of(self._source, mid, topic, payload, self._session)
        with self._lock:
            if duplicate and receipt in self._committed:
                return receipt, Delivery.DONE
            self._in_flight[mid] = receipt
            if duplicate and receipt in self._under_way:
                return receipt, Delivery.UNDER_WAY
            self._under_way[receipt] = None
        return receipt, Delivery.NEW

    def withdrawn(self, receipt: int) -> None:
        """The message could not be handed over; the broker keeps it."""
        with self._lock:
            self._under_way.pop(receipt, None)
            if self._in_flight.get(receipt & 0xFFFF) == receipt:
                del self._in_flight[receipt & 0xFFFF]

    def commit(self, receipts: Iterable[int]) -> list[int]:
        """Notes commits; returns the packet ids to acknowledge on the present connection, in their order."""
        mids = []
        with self._lock:
            for receipt in receipts:
                if receipt not in self._under_way:
                    continue
                del self._under_way[receipt]
                self._committed[receipt] = None
                self._committed.move_to_end(receipt)
                mid = receipt & 0xFFFF
                if self._in_flight.get(mid) == receipt:
                    del self._in_flight[mid]
                    mids.append(mid)
            self._trim()
        return mids

    def waiting(self) -> int:
        """How many messages wait for their commit."""
        return len(self._under_way)

    def _trim(self) -> None:
        while len(self._committed) > COMMITTED_LIMIT:
            self._committed.popitem(last=False)
