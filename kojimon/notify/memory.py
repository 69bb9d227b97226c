"""The outbox in memory: committed messages, those whose commit hangs, attempts. Thread-safe by the lock it is given."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from kojimon.journal.records import Chunk, Delivery
from kojimon.journal.writing.outbox import load_outbox
from kojimon.model import Message, Priority
from kojimon.notify.records import SENT, Item

HUNG_S: Final = {Priority.WAKE: 2.0, Priority.TELL: 30.0}
"""Real seconds an uncommitted message waits for its commit before it is told from memory."""
KEPT_MS: Final = 3_600_000
"""Engine time for which settled messages are kept: chatter, flood and cause look back."""
MOST_ITEMS: Final = 5000


class Waiting(Struct, frozen=True):
    """A message that is not committed yet, and since when (real seconds) it waits."""

    item: Item
    since_s: float


class Memory:
    """See the module text. All times of messages are engine ms; `now_s` is real time."""

    def __init__(self, lock: threading.Condition) -> None:
        self._lock = lock
        self._items: dict[str, Item] = {}
        self._receipts: list[Delivery] = []
        self._waiting: dict[str, Waiting] = {}

    def load(self, journal: Path, now_ms: int) -> None:
        """Reads what is still to be told. Raises JournalError."""
        found = load_outbox(journal, now_ms - KEPT_MS)
        with self._lock:
            for row, event in found.rows:
                message = Message(row.id, row.event, Priority(row.priority))
                self._items[row.id] = Item(message, event, row.settled_t_ms is not None)
            self._receipts = list(found.deliveries)

    def submitted(self, chunk: Chunk, now_s: float) -> bool:
        """A chunk is on its way to the disk. Whether it carries messages."""
        fresh = _items(chunk)
        with self._lock:
            for item in fresh:
                if item.message.id not in self._items:
                    self._waiting[item.message.id] = Waiting(item, now_s)
        return bool(fresh)

    def committed(self, chunk: Chunk) -> bool:
        """A chunk is on the disk. Whether it carries messages."""
        fresh = _items(chunk)
        with self._lock:
            for item in fresh:
                self._waiting.pop(item.message.id, None)
                self._items.setdefault(item.message.id, item)
        return bool(fresh)

    def present(self, now_s: float) -> tuple[list[Item], set[str]]:
        """What may be told: everything committed, and what has waited too long for it; and the ids of the latter."""
        with self._lock:
            hung = {
                name: one.item
                for name, one in self._waiting.items()
                if now_s - one.since_s >= HUNG_S.get(one.item.message.priority, 0.0)
            }
            items = {**self._items, **hung}
        return sorted(items.values(), key=lambda item: (item.event.no, item.message.id)), set(hung)

    def hangs_s(self, now_s: float) -> float | None:
        """Real seconds until an uncommitted message may be told, None without any."""
        with self._lock:
            left = [one.since_s + HUNG_S.get(one.item.message.priority, 0.0) - now_s for one in self._waiting.values()]
        return max(0.0, min(left)) if left else None

    def receipts(self) -> list[Delivery]:
        """Attempts in order."""
        with self._lock:
            return list(self._receipts)

    def note(self, rows: Sequence[Delivery]) -> None:
        """Keeps the receipts of an attempt."""
        with self._lock:
            self._receipts += rows

    def got_out(self, messages: Sequence[str]) -> dict[str, int]:
        """How often each channel got these messages out; copies of one moment count once."""
        names = set(messages)
        found: dict[str, set[int]] = {}
        for one in self.receipts():
            if one.message in names and one.state == SENT:
                found.setdefault(one.channel, set()).add(one.t_ms)
        return {name: len(times) for name, times in found.items()}

    def settle(self, settled: Sequence[str], now_ms: int) -> list[str]:
        """Marks committed messages as settled, and forgets those that are old. Returns the ids that were marked."""
        with self._lock:
            known = [name for name in settled if name in self._items]
            for name in known:
                self._items[name] = replace(self._items[name], settled=True)
            done = [name for name, item in self._items.items() if item.settled]
            old = [name for name in done if self._items[name].event.t_ms < now_ms - KEPT_MS]
            gone = set(old or done[: max(0, len(self._items) - MOST_ITEMS)])
            if gone:
                self._items = {name: item for name, item in self._items.items() if name not in gone}
                self._receipts = [one for one in self._receipts if one.message not in gone]
        return known

    def counts(self) -> tuple[int, int]:
        """Messages not settled, and messages not committed."""
        with self._lock:
            return sum(not item.settled for item in self._items.values()), len(self._waiting)


def _items(chunk: Chunk) -> list[Item]:
    by_no = {event.no: event for event in chunk.events}
    return [Item(message, by_no[message.event]) for message in chunk.messages if message.event in by_no]
