"""What the core remembers of chunks on their way to the disk: acts to answer, states they stand for."""

from __future__ import annotations

import threading
from collections import deque

from kojimon.clock import real_s
from kojimon.core.acts import PendingAct
from kojimon.core.turn import Present, TurnRows
from kojimon.journal.records import Chunk
from kojimon.model import Event, Outcome, Reply

MOST = 600
"""States, and acts, remembered at most; beyond it the oldest go: whoever waited for them has given up long since."""

EVERY_S = 1.0
"""States without an event or an act are remembered once in so many real seconds."""


class Unwritten:
    """Written by the core's thread, read by the journal's and by the doors'."""

    def __init__(self, durable: Present) -> None:
        self._lock = threading.Lock()
        self._durable = durable
        self._states: deque[Present] = deque()
        self._acts: dict[int, tuple[PendingAct, tuple[Event, ...]]] = {}
        self._state_s = 0.0
        self._trouble = False
        self._since_s = 0.0

    @property
    def durable(self) -> Present:
        """A state that the journal has caught up with."""
        return self._durable

    def add(self, turn: TurnRows, outcome: Outcome, present: Present) -> None:
        """Remembers a turn before its chunk is handed over. While the disk fails, acts are answered at once."""
        now_s = real_s()
        with self._lock:
            for seq, pending in turn.acts.items():
                self._acts[seq] = (pending, tuple(event for event in outcome.events if event.what.act == seq))
            if outcome.events or turn.inputs or now_s - self._state_s >= EVERY_S:
                self._states.append(present)
                self._state_s = now_s
            if self._trouble:
                # What is shown must not stand still where the record does.
                self._durable = present
            while len(self._states) > MOST:
                self._states.popleft()
            while len(self._acts) > MOST:
                del self._acts[next(iter(self._acts))]
            answered = self._pop_acts(list(self._acts)) if self._trouble else []
        _answer(answered, recorded=False)

    def committed(self, chunk: Chunk) -> None:
        """The chunk and all before it are on the disk."""
        reached = (chunk.horizon_ms, chunk.last_seq())
        with self._lock:
            # Chunks are committed in order; within one millisecond the row number tells which turn came first.
            while self._states and (self._states[0].t_ms, self._states[0].seq) <= reached:
                self._durable = self._states.popleft()
            answered = self._pop_acts([row.seq for row in chunk.inputs])
        _answer(answered, recorded=True)

    def trouble(self, there: bool, since_s: float) -> None:
        """The disk fails, or works again. People are not kept waiting for a disk that fails: acts count in memory."""
        with self._lock:
            self._since_s = since_s if there and not self._trouble else self._since_s
            self._trouble = there
            answered = self._pop_acts(list(self._acts)) if there else []
        _answer(answered, recorded=False)

    def stuck_s(self) -> float:
        """Real seconds for which nothing could be committed; 0 while the disk works."""
        return real_s() - self._since_s if self._trouble else 0.0

    def _pop_acts(self, numbers: list[int]) -> list[tuple[int, PendingAct, tuple[Event, ...]]]:
        return [(seq, *self._acts.pop(seq)) for seq in numbers if seq in self._acts]


def _answer(answered: list[tuple[int, PendingAct, tuple[Event, ...]]], recorded: bool) -> None:
    for seq, pending, events in answered:
        repeated = any(event.kind == "repeated" for event in events)
        pending.answer(Reply(seq, events, repeated, recorded))
