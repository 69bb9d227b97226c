"""A batch taken out of the journal: its events, its readings, the settings it ran under. Nothing is written."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Any

import msgspec
from msgspec import Struct

from kojimon.contract.inputs import Forecast, Settings
from kojimon.journal.reading.certificates import certificates
from kojimon.journal.reading.export import batch_span, placed_in
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow, Placing
from kojimon.journal.stamps import Stamps
from kojimon.model import Event, Quality
from kojimon.review.measure.alarms import AlarmFigures, alarm_figures
from kojimon.review.measure.bands import BandSpan, spans
from kojimon.review.measure.figures import Figures, figures
from kojimon.review.measure.forecasts import STEP_MS, Lead, Past, fared, read_forecast
from kojimon.review.measure.hours import Hours
from kojimon.review.measure.minutes import middles, minutes_of
from kojimon.review.measure.quality import ProbeQuality, quality_of
from kojimon.review.measure.series import Series, gap_of
from kojimon.review.measure.stays import Stays, seats, site_at, stays_of
from kojimon.review.measure.story import Story, story_of
from kojimon.review.measure.warned import Warned, warned
from kojimon.schedule.spec import Schedule

Progress = Callable[[int, int], None]
EVENTS_PAGE = 1000


class Case(Struct, frozen=True):
    """A batch with everything a review needs.

    Attributes:
        row: the journal's row of it.
        events: its own and, within its time, the site's.
        t0_ms, t1_ms: engine time of its first and last moment.
        hours: its axis; inoculated: whether that counts from the spores.
        schedule: as it stood at the end; None where the settings no longer know it.
        settings: the site's settings at the end, plain; {} where they are not known.
        probes: where each was at the end, by number; stays: where those were that were moved, and from when.
    """

    row: BatchRow
    events: tuple[Event, ...]
    story: Story
    hours: Hours
    stamps: Stamps
    t0_ms: int
    t1_ms: int
    inoculated: bool
    bands: tuple[BandSpan, ...]
    schedule: Schedule | None
    settings: dict[str, Any]
    probes: dict[int, Placing]
    names: dict[int, str]
    stays: Stays = {}

    @property
    def seats(self) -> list[tuple[int, Placing]]:
        """Every probe and tray in which it was: a curve each, the koji first."""
        return sorted(seats(self.probes, self.stays), key=lambda item: order_of(item[1]))

    @property
    def end_ms(self) -> float:
        """Its end, ms since hour 0."""
        return float(self.hours.ms(self.t1_ms))

    @property
    def watched_ms(self) -> float:
        """Since when it was watched, ms since hour 0: later than that where it was begun in arrears."""
        return max(0.0, float(self.hours.ms(self.row.started_t_ms)))


class Review(Struct, frozen=True):
    """A case with its readings counted."""

    case: Case
    curves: tuple[Series, ...]
    figures: Figures
    alarms: AlarmFigures
    quality: tuple[ProbeQuality, ...]
    forecasts: tuple[Lead, ...] = ()
    warned: Warned = Warned()


def load_case(reader: Reader, batch: str) -> Case:
    """The batch without its readings. Raises UsageError when there is none of that id."""
    span = batch_span(reader, batch)
    row = span.batch
    t0_ms, t1_ms = span.t0_ms, max(span.t0_ms, span.t1_ms - 1)
    events = _events(reader, row, t0_ms, t1_ms)
    story = story_of([event for event in events if event.batch == row.id])
    zero_ms = story.hour0_ms if story.hour0_ms is not None else row.started_t_ms
    hours = Hours.of(zero_ms, reader.events(kinds=("anchor",), limit=EVENTS_PAGE))
    known = _Settings(reader)
    placings = placed_in(reader.placings(), reader.seq_at(t1_ms + 1))
    probes = {no: site for no, site in placings.items() if site.incubator == row.incubator}
    names = {probe.no: probe.name for probe in reader.probes()}
    return Case(
        row=row, events=tuple(events), story=story, hours=hours, stamps=reader.stamps(), t0_ms=t0_ms, t1_ms=t1_ms,
        inoculated=story.hour0_ms is not None,
        bands=tuple(spans(story.stages, lambda t_ms: known.schedule(row.schedule, t_ms), hours.ms, t1_ms)),
        schedule=known.schedule(row.schedule, t1_ms),
        settings=known.whole(t1_ms),
        probes=probes, names=names, stays=stays_of(probes, names, events),
    )  # fmt: skip


def load_review(reader: Reader, batch: str, progress: Progress | None = None) -> Review:
    """The batch with all its figures; reads every reading once, in pages.

    Args:
        progress: told rows done and rows in all.
    """
    case = load_case(reader, batch)
    curves, verdicts = read_curves(reader, case, progress)
    stored = certificates(reader, case.t1_ms)
    leads, warnings = _forecasts(reader, case, curves)
    return Review(
        case=case,
        curves=tuple(curves),
        figures=figures(curves, case.story, case.bands, case.hours, case.end_ms),
        alarms=alarm_figures(case.events, max(case.t0_ms, case.hours.zero_ms), case.t1_ms),
        quality=tuple(
            quality_of(
                one, verdicts.get(one.probe, {}), case.end_ms, case.settings, stored.get(one.probe), case.watched_ms
            )
            for one in whole(curves)
        ),
        forecasts=leads,
        warned=warnings,
    )


def _forecasts(reader: Reader, case: Case, curves: Sequence[Series]) -> tuple[tuple[Lead, ...], Warned]:
    """How the forecasts of the batch fared, and how early they warned."""
    first, end = reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1)
    made = []
    for row in reader.inputs(Forecast.kind, first, end):
        told = row.what
        one = read_forecast(told.forecast) if isinstance(told, Forecast) and told.batch == case.row.id else None
        if one is not None and isinstance(told, Forecast):
            made.append((case.hours.ms(row.t_ms if told.made_ms is None else told.made_ms), one))
    if not made:
        return (), Warned()
    beds = [minutes_of(one) for one in curves if one.place == "bed" and one.quantity == "temperature"]
    hot = middles(beds, STEP_MS)
    works = [float(case.hours.ms(work.at_ms)) for work in case.story.works]
    return fared([Past(made, hot, works)]), warned(made, hot, works)


def read_curves(
    reader: Reader, case: Case, progress: Progress | None = None
) -> tuple[list[Series], dict[str, dict[int, int]]]:
    """Every good reading of the batch's probes by probe and tray, and how many readings of each verdict each had."""
    times = {seat: array("q") for seat in case.seats}
    values = {seat: array("d") for seat in case.seats}
    present = dict(case.probes)
    verdicts: dict[int, dict[int, int]] = {no: {} for no in case.probes}
    good = int(Quality.GOOD)
    axis = case.hours.ms if case.hours.anchors else None
    zero_ms = case.hours.zero_ms
    first, end = reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1)
    for page in reader.stored_pages(first, end):
        for _seq, t_ms, no, raw, value, verdict in page:
            counted = verdicts.get(no)
            if counted is None:
                continue
            counted[verdict] = counted.get(verdict, 0) + 1
            true = raw if value is None else value
            if verdict == good and true is not None:
                if no in case.stays:
                    present[no] = site_at(case.stays[no], t_ms)
                seat = no, present[no]
                times[seat].append(t_ms - zero_ms if axis is None else axis(t_ms))
                values[seat].append(true)
        if progress is not None:
            progress(page[-1][0] - first + 1, end - first)
    curves = [
        Series(case.names[no], site.place, site.tray, site.quantity, times[no, site], values[no, site],
               gap_of(times[no, site]))
        for no, site in case.seats
        if verdicts[no] and (times[no, site] or no not in case.stays)
    ]  # fmt: skip
    return curves, {case.names[no]: counted for no, counted in verdicts.items()}


def whole(curves: Sequence[Series]) -> list[Series]:
    """One series a probe, through every tray in which it was, in the order of the first of each."""
    found: dict[str, list[Series]] = {}
    for one in curves:
        found.setdefault(one.probe, []).append(one)
    return [own[0] if len(own) == 1 else _joined(own) for own in found.values()]


def _joined(own: Sequence[Series]) -> Series:
    pairs = sorted(pair for one in own for pair in zip(one.t_ms, one.values, strict=True))
    times, values = array("q", [t_ms for t_ms, _ in pairs]), array("d", [value for _, value in pairs])
    return Series(own[0].probe, own[0].place, "", own[0].quantity, times, values, gap_of(times))


def order_of(site: Placing) -> tuple[bool, int, int]:
    """The koji first, then the air, temperatures before humidity."""
    places = ("bed", "air", "wet-bulb", "room")
    rank = places.index(site.place) if site.place in places else len(places)
    return site.quantity != "temperature", rank, site.probe


def _events(reader: Reader, row: BatchRow, t0_ms: int, t1_ms: int) -> list[Event]:
    """The batch's events, and those of the site while it lasted; a verdict may come later."""
    own = list(_pages(reader, row.id))
    site = [event for event in _pages(reader, "") if not event.incubator and t0_ms <= event.t_ms <= t1_ms]
    return sorted(own + site, key=lambda event: event.no)


def _pages(reader: Reader, batch: str) -> Iterator[Event]:
    after = 0
    while page := reader.events(after, batch, None, EVENTS_PAGE):
        after = page[-1].no
        yield from page


class _Setup(Struct):
    """Of the engine's setup what is asked here."""

    schedules: dict[str, msgspec.Raw] = {}


class _Settings:
    """Which settings were in force when, from the events that state them."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        events = reader.events(kinds=("settings",), limit=100_000)
        self._since = [(event.t_ms, event.key) for event in events]
        self._known: dict[str, Settings] = {}

    def _at(self, t_ms: int) -> Settings:
        name = next((key for since, key in reversed(self._since) if since <= t_ms), "")
        if name not in self._known:
            self._known[name] = self._reader.settings(name) or Settings()
        return self._known[name]

    def whole(self, t_ms: int) -> dict[str, Any]:
        """The settings in force at an engine time, plain; {} where none are known."""
        return msgspec.json.decode(self._at(t_ms).settings) or {}

    def schedule(self, name: str, t_ms: int) -> Schedule | None:
        """A schedule as it stood at an engine time."""
        return _schedule(bytes(self._at(t_ms).setup), name)


@lru_cache(maxsize=4)  # the page reads an open batch again at every look
def _schedule(setup: bytes, name: str) -> Schedule | None:
    try:
        found = msgspec.json.decode(setup, type=_Setup).schedules.get(name)
        return None if found is None else msgspec.json.decode(found, type=Schedule)
    except msgspec.DecodeError:
        return None
