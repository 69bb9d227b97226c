"""What the mirror sends next: readings and events after a cursor, oldest first, the same points every time.

A point's time is its UTC in ns plus its number modulo 10**6: unique in its millisecond, and the same when it is sent
again. Rows whose UTC is not known yet wait, and everything after them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow, Placing, StoredReading
from kojimon.journal.stamps import ESTIMATED, OPEN, Segment, Stamps
from kojimon.mirror.beside import Beside
from kojimon.model import Event, Quality
from kojimon.units import UNIT_OF

READINGS: Final = "kojimon"
EVENTS: Final = "kojimon_event"
"""Names of the two measurements."""
NS_PER_MS: Final = 10**6
FOR_EVER: Final = 2**62
NEWEST_ROWS: Final = 2000
"""So many rows at the end are looked through for the newest value of each probe."""
UNSET: Final = "the clock was never set; rows wait until it is"

Fields = dict[str, float | int | str]


class Point(NamedTuple):
    """One line for the server. `no`: the row's or the event's number; fields: floats, but for whole numbers and texts
    that stay so; time_ns: since 1970 UTC."""

    no: int
    tags: dict[str, str]
    fields: Fields
    time_ns: int
    measurement: str = READINGS


class Parcel(NamedTuple):
    """Points for one request, and the number up to which everything is in them. `waiting`: why nothing more can go.

    `full`: there may be more at once.
    """

    points: tuple[Point, ...]
    last_no: int
    waiting: str = ""
    full: bool = False


class Feed:
    """Reads parcels from the journal.

    Args:
        reader: the journal.
        site: name of this site, the same for ever.
        say: events as lines for a person, "" for one that is not worth an annotation.
    """

    def __init__(self, reader: Reader, site: str, say: Callable[[Sequence[Event]], list[str]] | None = None) -> None:
        self._reader, self._site = reader, site
        self._say = say or (lambda events: [f"{event.kind} {event.key}".strip() for event in events])
        self._beside = Beside()

    def next(self, after_seq: int, limit: int) -> Parcel:
        """The next readings after a row, `limit` at most; none when there is nothing or their UTC is not known."""
        rows = next(self._reader.stored_pages(after_seq + 1, page_rows=limit), [])
        if not rows:
            return Parcel((), after_seq)
        known = self._known(rows[0][0])
        points: list[Point] = []
        for row in rows:
            segment = known.segment(row[1])
            if segment is None:
                return Parcel(tuple(points), points[-1].no if points else after_seq, UNSET)
            points.append(known.point(row, segment))
        return Parcel(tuple(points), rows[-1][0], full=len(rows) == limit)

    def events(self, after_no: int, limit: int) -> Parcel:
        """The next events, as annotations. Those not worth one are passed over."""
        events = self._reader.events(after_no, limit=limit)
        if not events:
            return Parcel((), after_no)
        stamps, last_no = self._reader.stamps(), after_no
        points: list[Point] = []
        for event, text in zip(events, self._say(events), strict=True):
            segment = _final(stamps, event.t_ms)
            if segment is None:
                return Parcel(tuple(points), last_no, UNSET)
            if text:
                points.append(_annotation(event, text, self._site, segment))
            last_no = event.no
        return Parcel(tuple(points), last_no, full=len(events) == limit)

    def newest(self) -> tuple[Point, ...]:
        """The last good reading of each probe, to be sent ahead of a backlog; empty where its UTC is not known."""
        first_seq = max(1, self._reader.last_seq() - NEWEST_ROWS)
        rows = next(self._reader.stored_pages(first_seq), [])
        known = self._known(first_seq)
        last = {row[2]: point for row in rows if (point := known.point_if_final(row)) and row[5] == Quality.GOOD}
        return tuple(sorted(last.values(), key=lambda point: point.no))

    def _known(self, first_seq: int) -> _Known:
        self._beside.begin(first_seq)
        known = _Known(self._reader, self._site, self._beside)
        for page in self._reader.stored_pages(self._beside.first_wanted(first_seq), first_seq):
            for row in page:
                known.remember(row)
        return known


class _Known:
    """What the rows of one parcel are described with."""

    def __init__(self, reader: Reader, site: str, beside: Beside) -> None:
        self._site, self._beside = site, beside
        self._stamps = reader.stamps()
        self._names = {probe.no: probe.name for probe in reader.probes()}
        self._placings: defaultdict[int, list[Placing]] = defaultdict(list)
        for site_of in reader.placings():
            self._placings[site_of.probe].append(site_of)
        self._batches: defaultdict[str, list[BatchRow]] = defaultdict(list)
        for batch in reader.batches():
            self._batches[batch.incubator].append(batch)

    def segment(self, t_ms: int) -> Segment | None:
        """What makes UTC of an engine time; None while that is not final."""
        return _final(self._stamps, t_ms)

    def remember(self, row: StoredReading) -> None:
        """A row before the parcel: later ones may be derived together with it."""
        self._beside.take(row, _placed(self._placings[row[2]], row[0]))

    def point_if_final(self, row: StoredReading) -> Point | None:
        """The point of a stored reading where its UTC is known."""
        segment = self.segment(row[1])
        return None if segment is None else self.point(row, segment)

    def point(self, row: StoredReading, segment: Segment) -> Point:
        """The point of a stored reading."""
        seq, t_ms, no, raw, value, verdict = row
        place = _placed(self._placings[no], seq)
        tags = {"site": self._site, "probe": self._names.get(no, str(no))}
        name = "value"
        if place is not None:
            batch = _batch_at(self._batches[place.incubator], t_ms)
            tags |= {"incubator": place.incubator, "place": place.place, "tray": place.tray, "batch": batch}
            name = f"{place.quantity}_{UNIT_OF.get(place.quantity, '')}"
        if segment.state == ESTIMATED:
            tags["clock"] = ESTIMATED
        fields = {**_fields(name, raw if value is None else value, verdict), **self._beside.take(row, place)}
        return Point(seq, _filled(tags), fields, stamp_ns(t_ms + segment.offset_ms, seq))


def stamp_ns(utc_ms: int, no: int) -> int:
    """Nanoseconds since 1970 UTC of a row or event: its millisecond, told apart by its number."""
    return utc_ms * NS_PER_MS + no % NS_PER_MS


def _annotation(event: Event, text: str, site: str, segment: Segment) -> Point:
    tags = {"site": site, "incubator": event.incubator, "batch": event.batch, "kind": event.kind}
    if segment.state == ESTIMATED:
        tags["clock"] = ESTIMATED
    fields: Fields = {"text": text, "key": event.key, "no": event.no}
    return Point(event.no, _filled(tags), fields, stamp_ns(event.t_ms + segment.offset_ms, event.no), EVENTS)


def _filled(tags: dict[str, str]) -> dict[str, str]:
    return {key: text for key, text in tags.items() if text}


def _final(stamps: Stamps, t_ms: int) -> Segment | None:
    segment = stamps.segment(t_ms)
    return None if segment is None or segment.state == OPEN else segment


def _fields(name: str, value: float | None, verdict: int) -> dict[str, float | int | str]:
    """A good reading is its value; another keeps out of the curve and says why."""
    if verdict == Quality.GOOD and value is not None:
        return {name: float(value)}
    rejected: dict[str, float | int | str] = {} if value is None else {f"rejected_{name}": float(value)}
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
