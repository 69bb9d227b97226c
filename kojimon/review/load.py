"""A batch taken out of the journal: its events, its readings, the settings it ran under. Nothing is written."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import msgspec
from msgspec import Struct

from kojimon.contract.inputs import Settings
from kojimon.journal.reading.export import batch_span, placed_in
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow, Placing
from kojimon.journal.stamps import Stamps
from kojimon.model import Event
from kojimon.review.measure.bands import BandSpan, spans
from kojimon.review.measure.hours import Hours
from kojimon.review.measure.stays import Stays, seats, stays_of
from kojimon.review.measure.story import Story, story_of
from kojimon.schedule.spec import Schedule

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
