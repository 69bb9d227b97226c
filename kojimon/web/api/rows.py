"""The journal through the API, for those who take much out of it: row by row as stored, a parcel at a time.

Every parcel is a short query by key. Nothing is held for a reader between two, so a slow one keeps nobody waiting,
and one that was cut off goes on where it stood.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from msgspec.structs import asdict
from starlette.requests import Request

from kojimon.contract.inputs import plain
from kojimon.journal.reading.facts import facts_of
from kojimon.web.api import queries
from kojimon.web.api.backend import Backend, Fields
from kojimon.web.api.queries import MS_MOST

ROWS_MOST: Final = 2_000
"""Readings of one parcel: 4 ms of work here, and far from 20 ms on a small machine."""
READING_COLUMNS: Final = ("seq", "t_ms", "probe", "raw", "value", "quality")
INPUT_COLUMNS: Final = ("seq", "t_ms", "kind", "payload")

Work = Callable[[Request], Fields]


def reads(backend: Backend) -> dict[str, Work]:
    """The addresses and what answers there."""

    def journal(request: Request) -> Fields:
        queries.only(request.query_params)
        reader = backend.reader()
        return {
            **asdict(facts_of(reader)),
            "probes": [row._asdict() for row in reader.probes()],
            "placings": [row._asdict() for row in reader.placings()],
            "segments": [list(segment) for segment in reader.stamps().segments],
        }

    def span(request: Request) -> Fields:
        query = request.query_params
        queries.only(query, "from", "to")
        first_ms = queries.whole(query, "from", 0, 0, MS_MOST)
        end_ms = queries.whole(query, "to", MS_MOST, 0, MS_MOST)
        reader = backend.reader()
        return {
            "from_seq": reader.seq_at(first_ms),
            "to_seq": reader.seq_at(end_ms),
            "probes": reader.probes_between(first_ms, end_ms),
        }

    def rows(request: Request) -> Fields:
        query = request.query_params
        queries.only(query, "from", "to", "limit", "kinds")
        limit = queries.whole(query, "limit", ROWS_MOST, 1, ROWS_MOST)
        first = queries.whole(query, "from", 0, 0, MS_MOST)
        end = queries.whole(query, "to", MS_MOST, 0, MS_MOST)
        found = backend.reader().parcel(first, end, limit, queries.names(query, "kinds"))
        return {
            "columns": {"readings": READING_COLUMNS, "inputs": INPUT_COLUMNS},
            "readings": found.readings,
            "inputs": [(row.seq, row.t_ms, row.kind, plain(row.what)) for row in found.inputs],
            "next": found.next_seq,
        }

    return {"/v1/journal": journal, "/v1/journal/span": span, "/v1/journal/rows": rows}
