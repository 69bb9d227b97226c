"""What the mirror sends next: readings after a cursor, oldest first, as points that come out the same every time.

A point's time is its UTC in ns plus its row number modulo 10**6: unique in its millisecond, and the same when it is
sent again. Rows whose UTC is not known yet wait, and everything after them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from kojimon.journal.reader import Reader
from kojimon.journal.records import BatchRow, Placing, StoredReading
from kojimon.journal.stamps import ESTIMATED, OPEN, Stamps
from kojimon.model import Quality
from kojimon.units import UNIT_OF

MEASUREMENT: Final = "kojimon"
NS_PER_MS: Final = 10**6
FOR_EVER: Final = 2**62


class Point(NamedTuple):
    """One reading as the server gets it: tags, fields (always floats, but for `quality`), ns since 1970 UTC."""

    seq: int
    tags: dict[str, str]
    fields: dict[str, float | int]
    time_ns: int


class Parcel(NamedTuple):
    """Points for one request, and the row up to which everything is in them. `waiting`: why nothing more can go."""

    points: tuple[Point, ...]
    last_seq: int
    waiting: str


class Feed:
    """Reads parcels from the journal.

    Args:
        reader: the journal.
        site: name of this site, the same for ever.
    """

    def __init__(self, reader: Reader, site: str) -> None:
        self._reader, self._site = reader, site

    def next(self, after_seq: int, limit: int) -> Parcel:
        """The next points after a row, `limit` at most; none when there is nothing or their UTC is not known."""
        rows = next(self._reader.stored_pages(after_seq + 1, page_rows=limit), [])
        if not rows:
            return Parcel((), after_seq, "")
        known = _Known(self._reader, self._site)
        points: list[Point] = []
        for row in rows:
            segment = known.stamps.segment(row[1])
            if segment is None or segment.state == OPEN:
                waiting = "the clock was never set; rows wait until it is"
                return Parcel(tuple(points), points[-1].seq if points else after_seq, waiting)
            points.append(known.point(row, row[1] + segment.offset_ms, segment.state))
        return Parcel(tuple(points), rows[-1][0], "")


class _Known:
    """What the rows of one parcel are described with."""

    def __init__(self, reader: Reader, site: str) -> None:
        self._site = site
        self.stamps: Stamps = reader.stamps()
        self._names = {probe.no: probe.name for probe in reader.probes()}
        self._placings: defaultdict[int, list[Placing]] = defaultdict(list)
        for site_of in reader.placings():
            self._placings[site_of.probe].append(site_of)
        self._batches: defaultdict[str, list[BatchRow]] = defaultdict(list)
        for batch in reader.batches():
            self._batches[batch.incubator].append(batch)

    def point(self, row: StoredReading, utc_ms: int, clock: str) -> Point:
        """The point of a stored reading."""
        seq, t_ms, no, raw, value, verdict = row
        place = _placed(self._placings[no], seq)
        tags = {"site": self._site, "probe": self._names.get(no, str(no))}
        name = "value"
        if place is not None:
            batch = _batch_at(self._batches[place.incubator], t_ms)
            tags |= {"incubator": place.incubator, "place": place.place, "tray": place.tray, "batch": batch}
            name = f"{place.quantity}_{UNIT_OF.get(place.quantity, '')}"
        if clock == ESTIMATED:
            tags["clock"] = ESTIMATED
        fields = _fields(name, raw if value is None else value, verdict)
        return Point(seq, {key: text for key, text in tags.items() if text}, fields, stamp_ns(utc_ms, seq))


def stamp_ns(utc_ms: int, seq: int) -> int:
    """Nanoseconds since 1970 UTC of a row: its millisecond, told apart by its number."""
    return utc_ms * NS_PER_MS + seq % NS_PER_MS


def _fields(name: str, value: float | None, verdict: int) -> dict[str, Any]:
    """A good reading is its value; another keeps out of the curve and says why."""
    if verdict == Quality.GOOD and value is not None:
        return {name: float(value)}
    rejected = {} if value is None else {f"rejected_{name}": float(value)}
    return rejected | {"quality": int(verdict)}


def _placed(placings: Sequence[Placing], seq: int) -> Placing | None:
    index = bisect_right(placings, seq, key=lambda placing: placing.from_seq)
    return placings[index - 1] if index else None


def _batch_at(batches: Sequence[BatchRow], t_ms: int) -> str:
    """Not at its very start: a reading of that millisecond may have gone out before the start was known."""
    for batch in reversed(batches):
        if batch.started_t_ms < t_ms <= (FOR_EVER if batch.ended_t_ms is None else batch.ended_t_ms):
            return batch.id
    return ""
