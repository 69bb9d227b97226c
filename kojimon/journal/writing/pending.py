"""What waits to be committed: the commit policy and the bound. Pure; the writer thread owns the waiting.

The bound holds while the disk does not answer: then readings thin to one a minute and probe in memory (the last
good one, else the last), the newest events, inputs, messages and attempts are kept, and what is left out is counted and
marked as a span. Chunks with receipts are left whole as long as a commit may still come: their sender holds them too.
Once it is in doubt the writer acknowledges from memory (`free_receipts`), and the bound counts for them as well.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import msgspec

from kojimon.journal.records import Chunk, StoredReading, ThinnedSpan, Unacked

RECEIPTS_FORCE: Final = 20
ROWS_FORCE: Final = 2000
"""Rows that force a commit: an accelerated run gathers them long before the clock does."""
ROWS_BOUND: Final = 50_000
"""Rows taken in since the last commit or thinning; beyond it memory thins to minutes."""
AGE_BOUND_S: Final = 600.0
THIN_EVERY_S: Final = 60.0
MINUTES_BOUND: Final = 100_000
"""Readings kept after thinning; beyond it the oldest go: four probes for seventeen days."""
EVENTS_BOUND: Final = 50_000
"""Events, inputs, messages and attempts kept, of each; beyond it the oldest go. A month of one a minute."""
UNACKED_BOUND: Final = 500
"""Messages acknowledged from memory whose identity waits to be written, see `store.UNACKED_KEPT`."""
MINUTE_MS: Final = 60_000
AT_ONCE_S: Final = -1e9


@dataclass(slots=True)
class Pending:
    """Chunks in order, with the counts the policy looks at. Real time (`now_s`) is passed in.

    Args:
        commit_every_s: longest time a reading waits, real seconds.
    """

    commit_every_s: float
    chunks: list[Chunk] = field(default_factory=list)
    rows: int = 0
    receipts: int = 0
    urgent: bool = False
    since_s: float = 0.0
    fresh: int = 0
    last_commit_s: float = AT_ONCE_S
    last_thin_s: float = AT_ONCE_S
    dropped: int = 0
    span: ThinnedSpan | None = None
    unacked: deque[Unacked] = field(default_factory=lambda: deque(maxlen=UNACKED_BOUND))

    def add(self, chunk: Chunk, now_s: float) -> None:
        """Takes a chunk in."""
        if not self.chunks:
            self.since_s = now_s
        self._append(chunk)
        self.fresh += chunk.rows()
        aged = now_s - self.since_s > AGE_BOUND_S and now_s - self.last_thin_s >= THIN_EVERY_S
        if self.fresh > ROWS_BOUND or aged:
            self._thin(now_s)

    def _append(self, chunk: Chunk) -> None:
        self.chunks.append(chunk)
        self.rows += chunk.rows()
        self.receipts += len(chunk.receipts)
        self.urgent = self.urgent or chunk.urgent or bool(chunk.events)

    def due_s(self) -> float | None:
        """Real time at which a commit is due; None when nothing waits.

        Counted from the last commit, so that a lone first reading is stored at once and none waits longer.
        """
        if not self.chunks:
            return None
        if self.urgent or self.receipts >= RECEIPTS_FORCE or self.rows >= ROWS_FORCE:
            return AT_ONCE_S
        return self.last_commit_s + self.commit_every_s

    def take(self) -> list[Chunk]:
        """Hands over everything; `put_back` returns it when the commit failed."""
        taken = self._empty()
        if self.unacked:
            taken.append(Chunk(unacked=tuple(self.unacked)))
            self.unacked.clear()
        return taken

    def _empty(self) -> list[Chunk]:
        taken, self.chunks = self.chunks, []
        self.rows, self.receipts, self.urgent = 0, 0, False
        return taken

    def put_back(self, chunks: Sequence[Chunk], since_s: float) -> None:
        """Returns chunks whose commit failed to the front, as old as they were."""
        later = self._empty()
        self.since_s = since_s
        for chunk in (*chunks, *later):
            whole = self._freed(chunk) if chunk.unacked and not chunk.receipts else chunk
            if whole not in _EMPTY:
                self._append(whole)

    def free_receipts(self) -> list[tuple[str, int]]:
        """Takes the receipts off everything that waits, oldest first: they are to be acknowledged from memory."""
        freed: list[Sequence[tuple[str, int]]] = []
        index = len(self.chunks)
        while self.receipts > 0 and index > 0:  # the latest chunks carry them: the earlier ones were freed before
            index -= 1
            receipts = self.chunks[index].receipts
            if receipts:
                freed.append(receipts)
                self.receipts -= len(receipts)
                self.chunks[index] = self._freed(self.chunks[index])
        return [receipt for receipts in reversed(freed) for receipt in receipts]

    def _freed(self, chunk: Chunk) -> Chunk:
        """A chunk without receipts. An acknowledgement may be lost on its way, so the messages stay known."""
        self.unacked.extend(chunk.unacked)
        return msgspec.structs.replace(chunk, receipts=(), unacked=())

    def committed(self, now_s: float) -> None:
        """A commit went through: the bound starts anew."""
        self.last_commit_s = now_s
        self.fresh = self.rows
        self.span = None

    def _thin(self, now_s: float) -> None:
        self.last_thin_s, self.fresh = now_s, 0
        chunks, lost = thin_chunks(self._empty())
        if lost:
            from_seq = self.span.from_seq if self.span else lost.from_seq
            before = self.span.dropped if self.span else 0
            self.span = ThinnedSpan(from_seq, lost.to_seq, "memory", before + lost.dropped)
            self.dropped += lost.dropped
        for chunk in bounded(chunks):
            self._append(chunk)


def thin_chunks(chunks: Sequence[Chunk]) -> tuple[list[Chunk], ThinnedSpan | None]:
    """Chunks with one reading a minute and probe, MINUTES_BOUND at most, and the span of what was left out."""
    loose = [row for chunk in chunks if not chunk.receipts for row in chunk.readings]
    kept = set(sorted(minute_keepers(loose))[-MINUTES_BOUND:])
    lost = [row[0] for row in loose if row[0] not in kept]
    thinned = [chunk if chunk.receipts else _only(chunk, kept) for chunk in chunks if chunk not in _EMPTY]
    return joined(thinned), ThinnedSpan(lost[0], lost[-1], "memory", len(lost)) if lost else None


def _only(chunk: Chunk, kept: set[int]) -> Chunk:
    return msgspec.structs.replace(chunk, readings=[row for row in chunk.readings if row[0] in kept])


def bounded(chunks: Sequence[Chunk]) -> list[Chunk]:
    """Chunks with the newest EVENTS_BOUND of what is not a reading, and the last snapshot alone."""
    found = list(chunks)
    for name in ("events", "inputs", "messages", "deliveries"):
        excess = sum(len(getattr(chunk, name)) for chunk in found) - EVENTS_BOUND
        for index, chunk in enumerate(found):
            if excess <= 0:
                break
            rows = getattr(chunk, name)
            found[index] = msgspec.structs.replace(chunk, **{name: rows[excess:]})
            excess -= len(rows)
    shots = [index for index, chunk in enumerate(found) if chunk.snapshot is not None]
    for index in shots[:-1]:
        found[index] = msgspec.structs.replace(found[index], snapshot=None)
    return found


_EMPTY: Final = (Chunk(), Chunk(urgent=True))
"""What a sign of life asks to be committed."""


def minute_keepers(rows: Iterable[StoredReading]) -> set[int]:
    """The seq of one reading a minute and probe: the last good one, else the last."""
    best: dict[tuple[int, int], tuple[bool, int]] = {}
    for seq, t_ms, probe, _raw, _value, quality in rows:
        key = (probe, t_ms // MINUTE_MS)
        best[key] = max(best.get(key, (False, 0)), (quality == 0, seq))
    return {seq for _good, seq in best.values()}


def joined(chunks: Sequence[Chunk]) -> list[Chunk]:
    """Runs of chunks that carry nothing but readings and a horizon, made one: a month of minutes stays small."""
    found: list[Chunk] = []
    for chunk in chunks:
        if found and _plain(chunk) and _plain(found[-1]):
            before = found[-1]
            readings = [*before.readings, *chunk.readings]
            found[-1] = Chunk(readings=readings, horizon_ms=max(before.horizon_ms, chunk.horizon_ms))
        else:
            found.append(chunk)
    return found


def _plain(chunk: Chunk) -> bool:
    return chunk.rows() == len(chunk.readings) and chunk == Chunk(readings=chunk.readings, horizon_ms=chunk.horizon_ms)
