"""Takes curves and events out of the journal: the curve file (CSV) and JSON lines, streamed in pages.

The curve file holds good readings only, as a rehearsal would use them; JSON lines hold everything with its verdict.
Nothing is kept in memory but a page, and no cursor stays open between pages.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from heapq import merge
from typing import Any, Final, NamedTuple, TextIO

import msgspec

from kojimon.contract.events import Reading, ReadingUndone, plain
from kojimon.errors import UsageError
from kojimon.journal.reading import labels
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow, Placing
from kojimon.journal.writing.derive import MARKING
from kojimon.model import Event, Quality, standing_marks, standing_readings
from kojimon.units import UNIT_OF, f_from_c

_SLUG = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)

Progress = Callable[[int, int], None]
"""Called with rows done and rows in all."""


class Span(NamedTuple):
    """What is exported: a batch, engine times from t0_ms up to but without t1_ms."""

    batch: BatchRow
    t0_ms: int
    t1_ms: int


class Style(NamedTuple):
    """How it is written.

    Attributes:
        fahrenheit: temperatures in °F, else °C.
        zone: of the times written (IANA name).
        hours: CSV only: hours since inoculation instead of times.
    """

    fahrenheit: bool = False
    zone: str = "UTC"
    hours: bool = False


CELSIUS: Final = Style()


class Exported(NamedTuple):
    """How many rows were written, and what a person should know about them."""

    rows: int
    notes: tuple[str, ...] = ()


def batch_span(reader: Reader, name: str) -> Span:
    """The span of a batch, from its start (or hour 0 when earlier) to its end. UsageError: no such batch."""
    batch = reader.batch(name)
    if batch is None:
        known = ", ".join(row.id for row in reader.batches()[-10:]) or "none yet"
        raise UsageError(f"there is no batch {name!r}; the last ones are: {known}")
    begin_ms = min(batch.started_t_ms, batch.started_t_ms if batch.hour0_t_ms is None else batch.hour0_t_ms)
    end_ms = reader.horizon_ms() if batch.ended_t_ms is None else batch.ended_t_ms
    return Span(batch, begin_ms, end_ms + 1)


def write_curve(
    reader: Reader, out: TextIO, span: Span, style: Style = CELSIUS, progress: Progress | None = None
) -> Exported:
    """Writes a curve file: a line a moment, a column a probe, the steps of the batch beside them.

    UsageError: hours are wanted and the batch has no hour 0, or no probe has readings in the span.
    """
    columns, hands = curve_columns(reader, span), list(by_hand(reader, span))
    if not columns and not hands:
        raise UsageError("there are no readings in that time; check the batch or the times")
    label = labels.by_hour(reader, span.batch) if style.hours else labels.by_time(reader.stamps().rising(), style.zone)
    writer = csv.writer(out, lineterminator="\n")
    spots = list(dict.fromkeys((read.name, read.quantity) for read in hands))
    names = [f"{name}.{_measure(quantity, style)}" for name, quantity in (*columns.values(), *spots)]
    writer.writerow(["hour" if style.hours else "time", *names, "step"])
    by_time = merge(
        ((t_ms, [*cells, *[""] * len(spots)]) for t_ms, cells in _moments(reader, span, columns, style, progress)),
        _hand_lines(hands, spots, len(columns), style), key=lambda line: line[0],
    )  # fmt: skip
    lines = _with_steps(by_time, _steps(reader, span), len(names))
    rows = 0
    for t_ms, values, step in lines:
        writer.writerow([label(t_ms), *values, step])
        rows += 1
    return Exported(rows, () if style.hours else labels.clock_notes(reader.stamps(), span.t0_ms, span.t1_ms))


def write_json_lines(
    reader: Reader, out: TextIO, span: Span, style: Style = CELSIUS, progress: Progress | None = None
) -> Exported:
    """Writes one JSON object a line: `about` first, then every reading with its verdict and every event, by time."""
    about: dict[str, object] = {
        "kind": "about", "incubator": span.batch.incubator, "zone": style.zone,
        "units": {"temperature": "F" if style.fahrenheit else "C", "humidity": "%", "t_ms": "ms of engine time"},
        "batch": span.batch._asdict(),
    }  # fmt: skip
    out.write(_json(about))
    stamp = labels.stamp(reader.stamps(), style.zone)
    shown = _Shown(reader, span, style)
    events = _events(reader, span)
    event = next(events, None)
    rows = 0
    for reading in _readings(reader, span, progress):
        while event is not None and event.t_ms < reading[1]:
            out.write(_json(_event_object(event, stamp)))
            event, rows = next(events, None), rows + 1
        found = shown.reading(reading)
        if found is not None:
            out.write(_json({"kind": "reading", "seq": reading[0], **stamp(reading[1]), **found}))
            rows += 1
    while event is not None:
        out.write(_json(_event_object(event, stamp)))
        event, rows = next(events, None), rows + 1
    return Exported(rows, labels.clock_notes(reader.stamps(), span.t0_ms, span.t1_ms))


# Which columns.


def curve_columns(reader: Reader, span: Span) -> dict[int, tuple[str, str]]:
    """(column's name before the dot, quantity) by probe number, of the probes with readings in the span.

    The only probe of a place is named after it; of several each after its tray where these differ and none was moved
    meanwhile, else by count.
    """
    until_seq = reader.seq_at(span.t1_ms)
    placings = placed_in(reader.placings(), until_seq)
    first_seq = reader.seq_at(span.t0_ms)
    moved = {site.probe for site in reader.placings() if first_seq < site.from_seq < until_seq}
    found = reader.probes_between(span.t0_ms, span.t1_ms)
    sites = [placings[no] for no in found if no in placings and placings[no].incubator == span.batch.incubator]
    order = {"bed": 0, "air": 1, "wet-bulb": 2, "room": 3}
    sites.sort(key=lambda site: (site.quantity != "temperature", order.get(site.place, 9), site.probe))
    groups: dict[tuple[str, str], list[Placing]] = {}
    for site in sites:
        groups.setdefault((site.place, site.quantity), []).append(site)
    named = {key: _names(key[0], group, moved) for key, group in groups.items()}
    return {no: (name, key[1]) for key, group in named.items() for no, name in group.items()}


def _names(place: str, group: Sequence[Placing], moved: Set[int]) -> dict[int, str]:
    trays = Counter(site.tray for site in group)
    stayed = not any(site.probe in moved for site in group)
    if len(group) > 1 and stayed and all(count == 1 and _SLUG.fullmatch(tray) for tray, count in trays.items()):
        return {site.probe: f"{place}-{site.tray}" for site in group}
    return {site.probe: place if count == 1 else f"{place}-{count}" for count, site in enumerate(group, 1)}


def placed_in(placings: Sequence[Placing], until_seq: int) -> dict[int, Placing]:
    """Where each probe sat last before until_seq; a probe placed only later, where it was placed first."""
    found: dict[int, Placing] = {}
    for site in placings:
        if site.probe not in found or site.from_seq < until_seq:
            found[site.probe] = site
    return found


def _measure(quantity: str, style: Style) -> str:
    unit = "f" if style.fahrenheit and quantity == "temperature" else UNIT_OF[quantity]
    return f"{quantity}_{unit}"


def _converted(value: float, quantity: str, style: Style) -> float:
    """°F to a ten-thousandth: a probe's smallest step is some hundred times that."""
    return round(f_from_c(value), 4) if style.fahrenheit and quantity == "temperature" else value


class ByHand(NamedTuple):
    """A reading by hand: engine time, its column's name before the dot, °C or %."""

    t_ms: int
    name: str
    quantity: str
    value: float


def by_hand(reader: Reader, span: Span) -> Iterator[ByHand]:
    """What was read by hand in the span, by time; a column `bed-by-hand` for the koji, `bed-top-by-hand` for a tray."""
    from kojimon.journal.reading.curve_file import BY_HAND

    told = _events(reader, span, (Reading.kind, ReadingUndone.kind))
    for one in sorted(standing_readings(told), key=lambda one: one.at_ms):
        parts = (one.place, one.tray if _SLUG.fullmatch(one.tray) and one.tray != "tray" else "", BY_HAND)
        yield ByHand(one.at_ms, "-".join(filter(None, parts)), one.quantity, one.value)


def _hand_lines(
    hands: Sequence[ByHand], spots: Sequence[tuple[str, str]], before: int, style: Style
) -> Iterator[tuple[int, list[Any]]]:
    for read in hands:
        cells = [""] * (before + len(spots))
        cells[before + spots.index((read.name, read.quantity))] = repr(_converted(read.value, read.quantity, style))
        yield read.t_ms, cells


# Which lines.


def _readings(reader: Reader, span: Span, progress: Progress | None) -> Iterator[tuple[int, int, int, Any, Any, int]]:
    first, end = reader.seq_at(span.t0_ms), reader.seq_at(span.t1_ms)
    for page in reader.stored_pages(first, end):
        yield from page
        if progress:
            progress(page[-1][0] - first + 1, end - first)


def _moments(
    reader: Reader, span: Span, columns: Mapping[int, tuple[str, str]], style: Style, progress: Progress | None
) -> Iterator[tuple[int, list[Any]]]:
    """(t_ms, a cell a column): readings of the same moment share a line unless one probe comes twice."""
    place = {no: (index, quantity) for index, (no, (_, quantity)) in enumerate(columns.items())}
    t_ms, cells = None, [""] * len(columns)
    for _seq, at_ms, probe, raw, value, verdict in _readings(reader, span, progress):
        true = raw if value is None else value
        if verdict != Quality.GOOD or true is None or probe not in place:
            continue
        index, quantity = place[probe]
        if at_ms != t_ms or cells[index] != "":
            if t_ms is not None:
                yield t_ms, cells
            t_ms, cells = at_ms, [""] * len(columns)
        cells[index] = repr(float(_converted(true, quantity, style)))
    if t_ms is not None:
        yield t_ms, cells


def _steps(reader: Reader, span: Span) -> list[tuple[int, str]]:
    """(t_ms, step) of the marks of the batch that still stand, by time."""
    marks = standing_marks(_events(reader, span, MARKING))
    return sorted((at_ms, step) for step, at_ms in marks.values())


def _with_steps(
    moments: Iterator[tuple[int, list[Any]]], steps: Sequence[tuple[int, str]], width: int
) -> Iterator[tuple[int, list[Any], str]]:
    """Lines with the steps put in at their times; a step shares a line with a reading of the same moment."""
    waiting = list(steps)
    for t_ms, cells in moments:
        while waiting and waiting[0][0] < t_ms:
            yield waiting[0][0], [""] * width, waiting.pop(0)[1]
        yield t_ms, cells, waiting.pop(0)[1] if waiting and waiting[0][0] == t_ms else ""
    for t_ms, step in waiting:
        yield t_ms, [""] * width, step


def _events(reader: Reader, span: Span, kinds: Sequence[str] | None = None) -> Iterator[Event]:
    """Events of the batch, in order, read in pages."""
    after = 0
    while page := reader.events(after, span.batch.id, kinds):
        after = page[-1].no
        yield from page


# JSON lines.


class _Shown:
    """Turns stored readings into objects for JSON lines."""

    def __init__(self, reader: Reader, span: Span, style: Style) -> None:
        self._names = {probe.no: probe.name for probe in reader.probes()}
        self._placings: dict[int, list[Placing]] = {}
        for site in reader.placings():
            self._placings.setdefault(site.probe, []).append(site)
        self._incubator, self._style = span.batch.incubator, style
        self._verdicts = {int(verdict): verdict.name.lower().replace("_", "-") for verdict in Quality}

    def reading(self, row: tuple[int, int, int, Any, Any, int]) -> dict[str, object] | None:
        """The object of a row; None for a probe of another incubator."""
        seq, _t_ms, no, raw, value, verdict = row
        site = next((s for s in reversed(self._placings.get(no, [])) if s.from_seq <= seq), None)
        if site is None or site.incubator != self._incubator:
            return None
        where = {"incubator": site.incubator, "place": site.place, "tray": site.tray}
        name = _measure(site.quantity, self._style)
        found: dict[str, object] = {"probe": self._names.get(no, str(no)), **where}
        found[name] = self._number(raw if value is None else value, site.quantity)
        if value is not None:
            found[f"raw_{name}"] = self._number(raw, site.quantity)
        return found | {"quality": self._verdicts.get(verdict, str(verdict))}

    def _number(self, value: float | None, quantity: str) -> float | None:
        return None if value is None else _converted(value, quantity, self._style)


def _event_object(event: Event, stamp: Callable[[int], Mapping[str, object]]) -> dict[str, object]:
    facts = {"incubator": event.incubator, "batch": event.batch, "key": event.key, "data": plain(event.what)}
    return {"kind": "event", "no": event.no, **stamp(event.t_ms), "event": event.kind, **facts}


def _json(value: Mapping[str, object]) -> str:
    return msgspec.json.encode(value).decode() + "\n"
