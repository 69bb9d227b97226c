"""The journal of a running daemon, read through its API: what `journal.reading.rows.Rows` wants, parcel by parcel."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any

from msgspec import Raw, Struct

from kojimon.journal.reading.facts import JournalFacts
from kojimon.journal.reading.rows import READING, Row, merged
from kojimon.journal.records import BatchRow, Placing, ProbeRow, StoredReading
from kojimon.journal.stamps import Segment, Stamps
from kojimon.journal.writing.derive import input_of
from kojimon.model import Event, InputRow, typed_event
from kojimon.web.client.local import Client

EVENTS_A_PAGE = 1_000


class _Facts(JournalFacts, frozen=True):
    """What GET /v1/journal adds to them."""

    probes: list[dict[str, Any]]
    placings: list[dict[str, Any]]
    segments: list[Segment]


class _Parcel(Struct, frozen=True):
    """What GET /v1/journal/rows gives."""

    readings: list[StoredReading]
    inputs: list[tuple[int, int, str, Raw]]
    next: int | None


class RemoteJournal:
    """How the journal stood when this was made: rows and events that came later are left out.

    Args:
        client: of the daemon. Every method raises what `Client.get` does.
    """

    def __init__(self, client: Client) -> None:
        self._client = client
        self._facts = client.record("journal", _Facts)
        self._stamps = Stamps(self._facts.segments)

    def horizon_ms(self) -> int:
        """Engine time up to which the engine had run."""
        return self._facts.horizon_t_ms

    def last_seq(self) -> int:
        """Highest number of a row."""
        return self._facts.rows

    def last_event(self) -> int:
        """Number of the last event."""
        return self._facts.events

    def stamps(self) -> Stamps:
        """Engine time to UTC and back."""
        return self._stamps

    def probes(self) -> list[ProbeRow]:
        """Every probe ever seen, as last placed, by number."""
        return [ProbeRow(**row) for row in self._facts.probes]

    def placings(self) -> list[Placing]:
        """Where every probe sat, from which row on."""
        return [Placing(**row) for row in self._facts.placings]

    def batches(self, incubator: str | None = None) -> list[BatchRow]:
        """All batches in the order of their start."""
        rows = self._client.get("/v1/batches", incubator=incubator)["batches"]
        return [BatchRow(**{name: row[name] for name in BatchRow._fields}) for row in rows]

    def batch(self, name: str) -> BatchRow | None:
        """One batch by its id."""
        return next((row for row in self.batches() if row.id == name), None)

    def seq_at(self, t_ms: int) -> int:
        """Where an engine time lies among the readings."""
        return int(self._client.get("/v1/journal/span", **{"from": t_ms, "to": t_ms})["from_seq"])

    def probes_between(self, t0_ms: int, t1_ms: int) -> list[int]:
        """Numbers of the probes with readings from t0_ms up to but without t1_ms."""
        found: list[int] = self._client.get("/v1/journal/span", **{"from": t0_ms, "to": t1_ms})["probes"]
        return found

    def input(self, seq: int) -> InputRow | None:
        """One input by its number."""
        for parcel in self._parcels(seq, seq + 1):
            for row in parcel.inputs:
                return _input(row)
        return None

    def rows_after(self, seq: int) -> Iterator[Row]:
        """All rows after `seq`, readings and inputs merged in order."""
        return chain.from_iterable(map(_rows, self._parcels(seq + 1, self.last_seq() + 1)))

    def stored_pages(self, first_seq: int, end_seq: int) -> Iterator[list[StoredReading]]:
        """Readings as stored, from first_seq up to but without end_seq, in lists."""
        for parcel in self._parcels(first_seq, min(end_seq, self.last_seq() + 1), READING):
            if parcel.readings:
                yield parcel.readings

    def events(
        self, after_no: int = 0, batch: str | None = None, kinds: Sequence[str] | None = None, limit: int = 1000
    ) -> list[Event]:
        """Events with a number over after_no, in order; `limit` at most."""
        found: list[Event] = []
        named = None if kinds is None else ",".join(kinds)
        while len(found) < limit:
            most = min(EVENTS_A_PAGE, limit - len(found))
            page = self._client.get("/v1/events", after=after_no, batch=batch, kinds=named, limit=most, utc="no")
            found += [typed_event(row) for row in page["events"]]
            after_no = page["after"]
            if not page["more"]:
                break
        return [event for event in found if event.no <= self.last_event()]

    def _parcels(self, first_seq: int, end_seq: int, kinds: str | None = None) -> Iterator[_Parcel]:
        at: int | None = first_seq
        while at is not None and at < end_seq:
            parcel = self._client.record("journal/rows", _Parcel, **{"from": at, "to": end_seq}, kinds=kinds)
            yield parcel
            at = parcel.next


def _rows(parcel: _Parcel) -> list[Row]:
    readings = [
        (seq, t_ms, probe, raw if value is None else value, quality)
        for seq, t_ms, probe, raw, value, quality in parcel.readings
    ]
    return merged(readings, [_input(row) for row in parcel.inputs])


def _input(row: tuple[int, int, str, Raw]) -> InputRow:
    seq, t_ms, kind, payload = row
    return input_of(seq, t_ms, kind, bytes(payload).decode())
