"""Curves for the page: what a batch's readings come to minute by minute is kept, so a picture costs what is new.

The sums over a whole batch are done once, when its curve is first asked for; from then on only rows that have come
since are read.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Final, Protocol

from msgspec import Struct
from msgspec.structs import replace

from kojimon import logs
from kojimon.contract.inputs import Forecast
from kojimon.contract.state import Box
from kojimon.curve import Earlier, Fan, Sheet, Style, Track, Window, draw
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow
from kojimon.review.draw.sheet import sheet_of, speech_of, tracks_of
from kojimon.review.earlier import earlier_of
from kojimon.review.load import Case, load_case
from kojimon.review.measure.forecasts import read_forecast
from kojimon.review.measure.minutes import Packed, joined, read_minutes
from kojimon.web.api.newest import with_now

_LOG = logs.get("web")
KEPT: Final = 4
"""Batches whose minutes are kept: some 12,000 minutes each, a few MB in all."""
AHEAD_H: Final = 4.0
"""So far beyond the present an open batch's sheet goes."""
FRESH_FAN_MS: Final = 30 * 60_000
"""A forecast older than that, or than the last work on the koji, is not drawn: it says what comes if nobody does."""
WIDTHS: Final = (280, 2000)
HEIGHTS: Final = (200.0, 6000.0)
HOUR_MS: Final = 3_600_000


class Source(Protocol):
    """What the curves are made of."""

    def reader(self) -> Reader: ...


class Units(Struct, frozen=True):
    """How a viewer reads what is drawn."""

    fahrenheit: bool
    pounds: bool
    zone: str


class View:
    """How a viewer wants a curve.

    Attributes:
        from_h, to_h: hours shown; None: from the beginning, to the end.
        height_px: how high the picture may be.
        hidden: names of tracks, and of strips, that are switched off.
    """

    def __init__(
        self, width_px: int = 340, height_px: float = 620.0, from_h: float | None = None, to_h: float | None = None,
        standalone: bool = False, hidden: frozenset[str] = frozenset(),
    ) -> None:  # fmt: skip
        self.width_px = min(WIDTHS[1], max(WIDTHS[0], width_px))
        self.height_px = min(HEIGHTS[1], max(HEIGHTS[0], height_px))
        self.from_h, self.to_h, self.standalone, self.hidden = from_h, to_h, standalone, hidden


class _Kept:
    """One batch as far as it was read. Its lock lets one request read while others of it wait."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.case: Case | None = None
        self.events = -1
        self.next_seq = 0
        self.minutes: dict[int, Packed] = {}
        self.tracks: tuple[Track, ...] = ()
        self.drawn: tuple[int, Hashable] = (-1, None)
        self.earlier: Earlier | None = None


class Curves:
    """The curves of batches, for any number of viewers."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._kept: OrderedDict[str, _Kept] = OrderedDict()
        self._lock = threading.Lock()

    def row(self, incubator: str) -> BatchRow | None:
        """The open batch of an incubator, else its latest."""
        rows = self._source.reader().batches(incubator)
        return next((row for row in reversed(rows) if row.ended_t_ms is None), rows[-1] if rows else None)

    def warm(self) -> None:
        """Reads the open batches in a thread of its own, so that the first page after a start need not wait for it."""
        threading.Thread(target=self._warm, name="curves", daemon=True).start()

    def _warm(self) -> None:
        try:
            for row in self._source.reader().batches():
                if row.ended_t_ms is None:
                    self.case(row.id)
        except Exception as error:  # as from a damaged journal: the page asks again
            _LOG.warning("the curves could not be read ahead: %s", error)

    def ready(self, batch: str) -> bool:
        """Whether a curve of the batch costs no more than the drawing."""
        kept = self._kept.get(batch)
        return kept is not None and kept.next_seq > 0

    def case(self, batch: str) -> Case:
        """A batch as the journal has it now. Raises UsageError when there is none of that id."""
        kept = self._of(batch)
        with kept.lock:
            return self._fresh(kept, batch)

    def svg(self, batch: str, view: View, box: Box | None, units: Units, now_ms: int | None = None) -> str:
        """A curve.

        Args:
            batch: id.
            box: its incubator in the state document, for what is still to come; None for a batch that is over.
            units: those of the viewer.
            now_ms: engine time of the state document that `box` is from.
        """
        return draw(self.sheet(batch, view, box, units, now_ms), style_of(view, units))

    def sheet(self, batch: str, view: View, box: Box | None, units: Units, now_ms: int | None = None) -> Sheet:
        """What is drawn; arguments as of `svg`. Raises UsageError when there is no such batch."""
        kept = self._of(batch)
        with kept.lock:
            case = self._fresh(kept, batch)
            sheet = self._sheet(kept, case, box, units)
            if box and now_ms is not None and sheet.now_h is not None and box.batch_id == batch:
                sheet = with_now(sheet, case, kept.minutes, box, now_ms, AHEAD_H)
        return _cut(sheet, view)

    def _of(self, batch: str) -> _Kept:
        with self._lock:
            kept = self._kept.pop(batch, None) or _Kept()
            self._kept[batch] = kept
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
            return kept

    def _fresh(self, kept: _Kept, batch: str) -> Case:
        reader = self._source.reader()
        events, over = reader.last_event(), kept.case is not None and kept.case.row.ended_t_ms is not None
        if kept.case is None or events != kept.events or not over:
            case = load_case(reader, batch)
            if kept.case is None:
                kept.earlier = earlier_of(reader, case.row)
            kept.case, kept.events = case, events
        case = kept.case
        first, end = kept.next_seq or reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1)
        if end > first:
            for probe, minutes in read_minutes(reader.path, first, end).items():
                joined(kept.minutes.setdefault(probe, Packed()), minutes)
            kept.next_seq = end
        return case

    def _sheet(self, kept: _Kept, case: Case, box: Box | None, units: Units) -> Sheet:
        speech = speech_of(case, units.fahrenheit, units.pounds, units.zone)
        open_now = case.row.ended_t_ms is None
        now_h = case.end_ms / HOUR_MS
        ahead = _ahead(box, case, now_h) if box and open_now else []
        fan = self._fan(case) if open_now else None
        to_h = max(now_h + AHEAD_H, fan.hours[-1] if fan else 0.0) if open_now else None
        return sheet_of(case, kept.minutes, speech, earlier=kept.earlier, fan=fan, ahead=ahead, to_h=to_h,
                        tracks=self._tracks(kept, case))  # fmt: skip

    def _tracks(self, kept: _Kept, case: Case) -> tuple[Track, ...]:
        """The curves as far as they are stored, made anew only when there is more."""
        state = (kept.next_seq, (case.hours.zero_ms, case.hours.anchors, tuple(case.seats), tuple(case.stays.items())))
        if kept.drawn != state:
            kept.tracks, kept.drawn = tracks_of(case, kept.minutes), state
        return kept.tracks

    def _fan(self, case: Case) -> Fan | None:
        """The likely range of the latest forecast, where it is of this batch and not old."""
        row = self._source.reader().last_input(Forecast.kind)
        if row is None or not isinstance(told := row.what, Forecast):
            return None
        made_ms = row.t_ms if told.made_ms is None else told.made_ms  # it may have been long on its way
        worked_ms = max((work.said_ms for work in case.story.works), default=made_ms)
        if case.t1_ms - made_ms > FRESH_FAN_MS or made_ms < max(case.t0_ms, worked_ms):
            return None
        return fan_of(told, case)


def fan_of(told: Forecast, case: Case) -> Fan | None:
    """The likely range a forecast input carries (8 of 10 cases); None where it is another box's or has none."""
    forecast = read_forecast(told.forecast)
    if forecast is None or told.incubator not in ("", case.row.incubator) or not forecast.curve.in_h:
        return None
    begin_h, curve = forecast.at_s / 3600, forecast.curve
    return Fan(tuple(begin_h + hour for hour in curve.in_h), curve.p10_c, curve.p50_c, curve.p90_c)


def _ahead(box: Box, case: Case, now_h: float) -> list[Window]:
    """Windows still to come, or open now, of steps that are not optional."""
    found = []
    for step in box.steps:
        if step.optional or step.status == "done" or case.row.id != box.batch_id:
            continue
        opens, due, closes = (
            None if edge_ms is None else case.hours.hour(edge_ms)
            for edge_ms in (step.opens_t_ms, step.due_t_ms, step.closes_t_ms)
        )
        begin = opens if opens is not None else due
        if begin is not None and (closes is None or closes > now_h):
            found.append(Window(step.label, max(begin, now_h), due, closes))
    return found


def _cut(sheet: Sheet, view: View) -> Sheet:
    from_h = sheet.from_h if view.from_h is None else max(sheet.from_h, min(view.from_h, sheet.to_h - 0.25))
    to_h = sheet.to_h if view.to_h is None else max(from_h + 0.25, min(view.to_h, sheet.to_h))
    return replace(sheet, from_h=from_h, to_h=to_h)


def style_of(view: View, units: Units) -> Style:
    """How a viewer's curve is drawn."""
    return Style(view.width_px, view.height_px, units.fahrenheit, units.zone, view.standalone, view.hidden)
