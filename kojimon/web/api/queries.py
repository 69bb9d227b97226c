"""What a query string may hold, read into values; what does not fit is refused with what is wanted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from kojimon.errors import UsageError
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import ProbeRow
from kojimon.journal.stamps import Stamps
from kojimon.units import parse_utc_ms

Query = Mapping[str, str]
DAY_MS = 86_400_000
MS_MOST = 2**53
"""Whole numbers up to here are exact in every JSON reader (RFC 8259, 6)."""


class BadQuery(UsageError):
    """A field of the query string is wrong.

    Attributes:
        wanted: what should stand there.
        status: of the answer (RFC 9110): 400, or 404 where it names what is not there.
    """

    status = 400

    def __init__(self, found: str, wanted: str) -> None:
        super().__init__(found)
        self.wanted = wanted


class NotThere(BadQuery):
    """A field names what is not there."""

    status = 404


def only(query: Query, *names: str) -> None:
    """Raises BadQuery for a field that the address does not know."""
    for name in query:
        if name not in names:
            raise BadQuery(f"{name}: not known here", f"one of {', '.join(names) or 'no field at all'}")


def whole(query: Query, name: str, default: int, least: int, most: int) -> int:
    """A whole number from least to most."""
    text = query.get(name)
    if text is None:
        return default
    wanted = f"a whole number from {least} to {most}"
    try:
        value = int(text)
    except ValueError:
        raise BadQuery(f"{name}: {text!r}", wanted) from None
    if not least <= value <= most:
        raise BadQuery(f"{name}: {text!r}", wanted)
    return value


def digits(text: str, most: int = MS_MOST) -> int | None:
    """A whole number written in plain digits, from 0 to most; None for anything else that may stand in an address."""
    plain = text.isascii() and text.isdecimal() and len(text) <= len(str(most))
    return int(text) if plain and int(text) <= most else None


def names(query: Query, name: str) -> list[str] | None:
    """Names separated by commas."""
    text = query.get(name)
    return [part for part in text.split(",") if part] if text else None


class Span(NamedTuple):
    """A stretch of engine time, the end not included."""

    t0_ms: int
    t1_ms: int


def span(query: Query, reader: Reader, stamps: Stamps, now_ms: int) -> Span:
    """The stretch that `batch`, or `from` and `to` name; without any the last 24 hours."""
    batch = query.get("batch")
    if batch is not None:
        row = reader.batch(batch)
        if row is None:
            raise NotThere(f"batch: there is no batch {batch!r}", "an id from /v1/batches")
        begins_ms = row.started_t_ms if row.hour0_t_ms is None else min(row.started_t_ms, row.hour0_t_ms)
        return Span(begins_ms, (now_ms if row.ended_t_ms is None else row.ended_t_ms) + 1)
    end_ms = _moment(query, "to", stamps, now_ms + 1)
    start_ms = _moment(query, "from", stamps, end_ms - DAY_MS)
    if start_ms >= end_ms:
        raise BadQuery("from: not before to", "an earlier time")
    # Where there can be no reading nobody looks for one: a span of ages would be walked through slice by slice.
    return Span(*(min(max(0, moment), now_ms + 1) for moment in (start_ms, end_ms)))


def _moment(query: Query, name: str, stamps: Stamps, default_ms: int) -> int:
    """`from` or `to` as engine ms: a number is engine time, else an ISO 8601 time with its zone."""
    text = query.get(name)
    if text is None:
        return default_ms
    if text.lstrip("-").isdigit():
        return whole(query, name, 0, 0, MS_MOST)
    try:
        utc_ms = parse_utc_ms(text)
    except ValueError as error:
        raise BadQuery(f"{name}: {text!r}", str(error)) from None
    t_ms = stamps.t_ms(utc_ms)
    if t_ms is None:
        raise BadQuery(f"{name}: {text!r} cannot be placed: the clock is not set", "engine time in ms (t_ms)")
    return t_ms


def probes(query: Query, reader: Reader) -> list[ProbeRow]:
    """The probes that `probe`, or `place` with `quantity` and `incubator`, name."""
    rows = reader.probes()
    wanted = names(query, "probe")
    if wanted is not None:
        found = [row for row in rows if row.name in wanted]
        missing = set(wanted) - {row.name for row in found}
        if missing:
            raise NotThere(f"probe: there is no probe {sorted(missing)[0]!r}", "a name from /v1/probes")
        return found
    place, quantity, incubator = query.get("place"), query.get("quantity"), query.get("incubator")
    if place is None:
        raise BadQuery("neither probe nor place is given", "probe=NAME or place=bed")
    found = [
        row
        for row in rows
        if row.place == place and quantity in (None, row.quantity) and incubator in (None, row.incubator)
    ]
    if not found:
        raise NotThere(f"place: no probe in {place!r}", "a place from /v1/probes")
    return found
