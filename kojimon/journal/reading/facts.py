"""How large a journal is and how far it has got, for people and programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from kojimon.journal.reading.reader import Reader


class JournalFacts(Struct, frozen=True):
    """Size, rows and how far everything has got; times in engine ms, `horizon_utc_ms` in ms since 1970."""

    path: str
    bytes: int
    rows: int
    rows_thinned: int
    events: int
    batches: int
    messages_waiting: int
    horizon_t_ms: int
    horizon_utc_ms: int
    cursors: dict[str, int]


def facts_of(reader: Reader) -> JournalFacts:
    """As the journal stands now."""
    thinned = reader.thinned()
    last_seq, last_event, horizon_ms = reader.progress()
    return JournalFacts(
        path=str(reader.path),
        bytes=size_of(reader.path),
        rows=last_seq,
        rows_thinned=sum(span.dropped for span in thinned),
        events=last_event,
        batches=len(reader.batches()),
        messages_waiting=reader.waiting(),
        horizon_t_ms=horizon_ms,
        horizon_utc_ms=reader.stamps().utc_ms(horizon_ms)[0],
        cursors=reader.cursors(),
    )


def size_of(path: Path) -> int:
    """Bytes of the journal with what waits beside it."""
    parts = (path, path.with_name(f"{path.name}-wal"))
    return sum(part.stat().st_size for part in parts if part.exists())
