"""Keeps beside the journal what open batches hang on (`journal.last`), and has it ready where the journal is lost."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

from msgspec.structs import replace

from kojimon import engine, logs
from kojimon.core.advance import Row
from kojimon.core.boot import NoPast, Past
from kojimon.core.turn import Present
from kojimon.errors import JournalError
from kojimon.journal.files.last import MOVES, Last, keep
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk, ClockRow, Snapshot
from kojimon.journal.stamps import Stamps, segments

EVERY_MS = 3_600_000
"""It is some 15 KB; with each snapshot it would be written six times as often."""
_LOG = logs.get("daemon")


class Lasting:
    """Used by the journal's thread alone.

    Args:
        path: the journal.
        reader: reads it; may raise JournalError.
        last: what was kept before this start.
    """

    def __init__(self, path: Path, reader: Callable[[], Reader], last: Last | None = None) -> None:
        self._path, self._reader, self._last = path, reader, last
        self._kept_ms = -EVERY_MS

    def committed(self, chunk: Chunk, durable: Present) -> None:
        """A chunk is on the disk: where it moves a batch on, and each hour, the file is written anew."""
        hourly = chunk.snapshot is not None and durable.t_ms - self._kept_ms >= EVERY_MS
        if not hourly and not any(event.kind in MOVES for event in chunk.events):
            return
        self._kept_ms = durable.t_ms
        try:
            reader = self._reader()
            clocks, batches = reader.clock_rows(), reader.batches()
            around = Last(0, 0, 0, b"", tuple(reader.probes()), _ends(clocks),
                          tuple(row for row in batches if row.ended_t_ms is None))  # fmt: skip
        except JournalError as problem:
            _LOG.warning("what the batch hangs on is not kept: %s", problem)
            return
        self._last = _of(around, durable)
        keep(self._path, self._last)

    def at(self, present: Present) -> Last | None:
        """The same of this moment; None where nothing was ever committed."""
        return _of(self._last, present) if self._last is not None else None


class LastPast:
    """The past as that file has it, with what the journal knows beyond it.

    Args:
        last: what was kept.
        past: the journal, as far as it can be read.
        rows: whether the journal's rows after it are replayed.
    """

    def __init__(self, last: Last, past: Past, rows: bool) -> None:
        self._last, self._past, self._rows = last, past, rows

    def last_snapshot(self) -> Snapshot:
        return Snapshot(self._last.seq, self._last.horizon_ms, self._last.state)

    def pages_after(self, seq: int) -> Iterable[Sequence[Row]]:
        return self._past.pages_after(seq) if self._rows else ()

    def horizon_ms(self) -> int:
        return max(self._last.horizon_ms, self._past.horizon_ms())

    def last_seq(self) -> int:
        return max(self._last.seq, self._past.last_seq())

    def last_event(self) -> int:
        return max(self._last.event_no, self._past.last_event())

    def clock_rows(self) -> list[ClockRow]:
        return self._past.clock_rows() or list(self._last.clocks)

    def stamps(self) -> Stamps:
        return self._past.stamps() if self._past.clock_rows() else Stamps(segments(self._last.clocks))


def pasts(last: Last, journal: Past) -> Iterator[LastPast]:
    """The past of a batch that the journal has lost: with as much of the journal as there is, then with less."""
    yield LastPast(last, journal, rows=True)
    yield LastPast(last, journal, rows=False)
    yield LastPast(last, NoPast(), rows=False)


def lost(last: Last, open_now: int, reader: Callable[[], Reader]) -> bool:
    """Whether batches that were open are missing at a start although nobody harvested or discarded them.

    Args:
        open_now: how many are open by what the start made of the journal.
        reader: reads the journal; may raise JournalError.
    """
    then = {row.id for row in last.batches if row.ended_t_ms is None}
    if open_now >= len(then):
        return False
    try:
        ended = {row.id for row in reader().batches() if row.ended_t_ms is not None}
    except JournalError:
        ended = set()
    return open_now < len(then - ended)


def _of(around: Last, present: Present) -> Last:
    state = present.state
    return replace(
        around, seq=present.seq, event_no=state.event_no, horizon_ms=present.t_ms, state=engine.encode(state)
    )


def _ends(clocks: list[ClockRow]) -> tuple[ClockRow, ...]:
    """First and last clock row of the latest boot."""
    own = [row for row in clocks if row.boot == clocks[-1].boot]
    return (own[0], own[-1]) if own else ()
