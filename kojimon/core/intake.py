"""The one queue into the core: bounded, counted, many writers, one reader.

Each source has its own lanes, so that a flood from one never pushes out what another sent. When the whole is full
the oldest droppable item of the source that is putting goes, is counted, and is told as a `gap`. Items that carry a
receipt (QoS 1) are never dropped: their source waits, and so stops reading its socket.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping
from typing import Generic, NamedTuple, TypeVar

from kojimon.contract.inputs import Input
from kojimon.model import Arrival

MAX_ITEMS = 20_000
MAX_BYTES = 8 * 1024 * 1024
MAX_ACTS = 100
MAX_NOTES = 200
RIPE_RECEIPTS = 60
"""So many items with a receipt end the gathering: a turn and its commit cost much less for each of 60 than of 20."""
USUAL_WINDOW = 20
"""So many messages a broker commonly leaves unacknowledged. Where it stands still at that, no more will come."""
STILL_S = 0.002
OVERHEAD_BYTES = 64
"""Counted for each item besides its payload and topic."""

Request = TypeVar("Request")


class Gap(NamedTuple):
    """Items of one source that were dropped because the intake was full."""

    source: str
    dropped: int
    since_boot_ms: int


class Taken(NamedTuple, Generic[Request]):
    """What one `drain` hands over."""

    arrivals: list[Arrival]
    requests: list[Request]
    notes: list[Input]
    gaps: list[Gap]
    more: bool
    """Whether arrivals were left behind because of the limit."""


def _size(arrival: Arrival) -> int:
    payload = arrival.payload
    return OVERHEAD_BYTES + len(arrival.topic) + (8 if isinstance(payload, float) else len(payload))


class Intake(Generic[Request]):
    """See the module text. Thread-safe.

    Args:
        max_items, max_bytes: limits on arrivals waiting.
        max_acts: limit on requests waiting.
        signal_arrivals: whether an arrival wakes the reader; off when a driver says when to run.
    """

    def __init__(
        self,
        max_items: int = MAX_ITEMS,
        max_bytes: int = MAX_BYTES,
        max_acts: int = MAX_ACTS,
        signal_arrivals: bool = True,
    ) -> None:
        self._max_items, self._max_bytes, self._max_acts = max_items, max_bytes, max_acts
        self._signal_arrivals = signal_arrivals
        self._lock = threading.Lock()
        self._changed = threading.Condition(self._lock)
        self._wake, self._ripe = threading.Event(), threading.Event()
        self._waiting = self._owed = 0
        self._lanes: dict[tuple[str, bool], deque[Arrival]] = {}
        self._items = self._bytes = 0
        self._arrived: dict[str, int] = {}
        self._gaps: dict[str, Gap] = {}
        self._dropped = 0
        self._requests: deque[Request] = deque()
        self._notes: dict[tuple[str, str], Input] = {}
        self._closed = False

    # -- sources -----------------------------------------------------------------------------------------

    def put(self, arrival: Arrival) -> bool:
        """Queues an arrival without waiting. False: the intake was full, and this source's oldest was dropped."""
        with self._lock:
            self._append(arrival)
            kept = self._items <= self._max_items and self._bytes <= self._max_bytes
            if not kept:
                self._drop(arrival.source)
        if self._signal_arrivals and not self._wake.is_set():
            self._wake.set()
        return kept

    def put_wait(self, arrival: Arrival, timeout_s: float | None = None) -> bool:
        """Queues an arrival as soon as there is room. False: closed, or timeout_s of real time went by; not queued."""
        with self._changed:
            if self._closed or (not self._has_room() and not self._room_comes(timeout_s)):
                return False
            self._append(arrival)
        if self._signal_arrivals and not self._wake.is_set():
            self._wake.set()
        return True

    def _room_comes(self, timeout_s: float | None) -> bool:
        self._waiting += 1
        try:
            self._changed.wait_for(lambda: self._closed or self._has_room(), timeout_s)
        finally:
            self._waiting -= 1
        return not self._closed and self._has_room()

    def _has_room(self) -> bool:
        return self._items < self._max_items and self._bytes < self._max_bytes

    def _append(self, arrival: Arrival) -> None:
        source = arrival.source
        key = (source, arrival.receipt == 0)
        lane = self._lanes.get(key)
        if lane is None:
            lane = self._lanes[key] = deque()
        lane.append(arrival)
        self._items += 1
        self._bytes += _size(arrival)
        self._arrived[source] = self._arrived.get(source, 0) + 1
        if arrival.receipt:
            self._owed += 1
            if self._owed == RIPE_RECEIPTS:
                self._ripe.set()
        if self._waiting:
            self._changed.notify_all()

    def _drop(self, source: str) -> None:
        lane = self._lanes.get((source, True))
        while lane and (self._items > self._max_items or self._bytes > self._max_bytes):
            gone = lane.popleft()
            self._items -= 1
            self._bytes -= _size(gone)
            self._dropped += 1
            before = self._gaps.get(source)
            if before is None:
                self._gaps[source] = Gap(source, 1, gone.boot_ms)
            else:
                self._gaps[source] = before._replace(dropped=before.dropped + 1)

    # -- people and parts of the daemon --------------------------------------------------------------------

    def submit(self, request: Request) -> bool:
        """Queues a request for the core. False: too many are waiting ("busy"), or the intake is closed."""
        with self._lock:
            if self._closed or len(self._requests) >= self._max_acts:
                return False
            self._requests.append(request)
        self._wake.set()
        self._ripe.set()
        return True

    def note(self, key: str, what: Input) -> bool:
        """Queues an input of the daemon's own. A later one of the same kind and key takes the place of the earlier."""
        with self._lock:
            name = (what.kind, key)
            if name not in self._notes and len(self._notes) >= MAX_NOTES:
                return False
            self._notes[name] = what
        self._wake.set()
        return True

    # -- the core ------------------------------------------------------------------------------------------

    def wait(self, timeout_s: float) -> bool:
        """Waits until something came or timeout_s of real time went by. Whether something came."""
        return self._wake.wait(timeout_s)

    def gather(self, longest_s: float) -> None:
        """Lets more come in for longest_s of real time; ends early when somebody waits for what is in already."""
        for _ in range(round(longest_s / STILL_S)):
            owed = self._owed
            if self._ripe.wait(STILL_S) or self._owed == owed >= USUAL_WINDOW:
                return

    def wake(self) -> None:
        """Ends a `wait`."""
        self._wake.set()

    def drain(self, limit: int = 2_000) -> Taken[Request]:
        """Takes up to `limit` arrivals, oldest first, and everything else."""
        with self._lock:
            self._wake.clear()
            self._ripe.clear()
            self._owed = 0
            arrivals = self._take(limit)
            requests, notes = list(self._requests), list(self._notes.values())
            gaps = list(self._gaps.values())
            self._requests.clear()
            self._notes.clear()
            self._gaps.clear()
            more = self._items > 0
            if self._waiting:
                self._changed.notify_all()
        return Taken(arrivals, requests, notes, gaps, more)

    def _take(self, limit: int) -> list[Arrival]:
        lanes = [lane for lane in self._lanes.values() if lane]
        if self._items <= limit or len(lanes) == 1:
            taken = [lane.popleft() for lane in lanes for _ in range(min(limit, len(lane)))]
        else:
            taken = []
            while len(taken) < limit and lanes:
                lane = min(lanes, key=lambda lane: lane[0].boot_ms)
                taken.append(lane.popleft())
                if not lane:
                    lanes.remove(lane)
        if len(lanes) > 1:
            taken.sort(key=lambda arrival: arrival.boot_ms)
        self._items -= len(taken)
        self._bytes -= sum(map(_size, taken))
        return taken

    # -- looking, closing ------------------------------------------------------------------------------------

    def facts(self) -> dict[str, int]:
        """How much is waiting and how much was dropped since the start, as `CoreHealth` has it."""
        with self._lock:
            return {"waiting": self._items, "bytes": self._bytes, "dropped": self._dropped}

    def wait_arrived(self, counts: Mapping[str, int], timeout_s: float) -> dict[str, int]:
        """Waits until every source in `counts` has put so many. Returns what is still missing, {} when all came."""
        with self._changed:
            self._waiting += 1
            try:
                self._changed.wait_for(lambda: self._closed or not self._missing(counts), timeout_s)
            finally:
                self._waiting -= 1
            return self._missing(counts)

    def _missing(self, counts: Mapping[str, int]) -> dict[str, int]:
        short = {name: wanted - self._arrived.get(name, 0) for name, wanted in counts.items()}
        return {name: missing for name, missing in short.items() if missing > 0}

    def close(self) -> None:
        """Ends every wait; nothing more is accepted from people, nor from sources that wait for room."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._wake.set()
        self._ripe.set()
