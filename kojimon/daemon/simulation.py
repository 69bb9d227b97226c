"""The simulated incubator in the daemon: where its time begins, and the daemon as its world and its cook meet it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from math import ceil
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from msgspec import to_builtins

from kojimon.clock import Clock
from kojimon.contract.acts import Act, BatchDiscard, PlainAct, plain
from kojimon.contract.state import Document
from kojimon.core.driver import Driver
from kojimon.daemon.house import House
from kojimon.errors import JournalError, KojimonError
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event
from kojimon.probes.sources.simulated import HOUR_S, TICK_S, longest_h
from kojimon.settings.spec import Settings
from kojimon.web.api.stamps import reply_document
from kojimon.wiring import simulated_source

START_LOCAL_H = 18.0
"""The rice is steamed late in the afternoon: hour of the day at which a simulated world begins."""


MARKS = ("batch-start", "step-done", "batch-harvest", "batch-discard", "setpoint")
"""Kinds of the events that are done to the koji of whoever practises (kojisim.cook.Marks)."""


class Begun(NamedTuple):
    """A simulated world: UTC at which it began, ms, and how far it has gone, s."""

    wall_ms: int
    gone_s: float = 0.0

    @property
    def now_ms(self) -> int:
        """UTC at which it goes on."""
        return self.wall_ms + round(self.gone_s * 1000)


def begun(settings: Settings, clock: Clock) -> Begun:
    """A fresh world, at the next 18:00 in the person's zone, after everything the journal holds. Whoever practises and
    has a batch open goes on in the world it began in: that one hangs on its seed alone."""
    zone, journal = ZoneInfo(settings.person.zone), Path(settings.journal.path)
    source = simulated_source(settings)
    if source is not None and not source.hands:
        last = _broken_off(journal, zone, longest_h(source) * HOUR_S)
        if last is not None:
            return last
    earliest_ms = max(clock.wall_ms(), last_utc_ms(journal))
    moment = datetime.fromtimestamp(earliest_ms / 1000, UTC).astimezone(zone)
    start = moment.replace(hour=int(START_LOCAL_H), minute=0, second=0, microsecond=0)
    while start <= moment:
        start += timedelta(days=1)
    return Begun(round(start.timestamp() * 1000))


def _broken_off(journal: Path, zone: ZoneInfo, most_s: float) -> Begun | None:
    """The world of an open batch; None where none is open, or its world has run its course."""
    try:
        with closing(Reader(journal)) as reader:
            still = any(row.ended_t_ms is None for row in reader.batches())
            starts = [row.wall_ms for row in reader.clock_rows() if row.kind == "start"]
    except JournalError:
        return None
    whole = [one for one in starts if _is_start(datetime.fromtimestamp(one / 1000, zone))]
    if not still or not whole:
        return None
    gone_s = ceil((last_utc_ms(journal) - whole[-1]) / 1000 / TICK_S) * TICK_S
    return Begun(whole[-1], gone_s) if 0 < gone_s < most_s else None


def _is_start(moment: datetime) -> bool:
    return (moment.hour, moment.minute, moment.second) == (int(START_LOCAL_H), 0, 0)


def marked_since(house: House, wall_ms: int) -> list[tuple[float, Event]]:
    """What happened in the world that began at wall_ms (UTC), with its time, s: the same is done to the koji again."""
    found, utc_of = list[Event](), house.utc_of()
    while more := house.reader().events(after_no=found[-1].no if found else 0, kinds=MARKS):
        found += more
    return [(at_s, event) for event in found if (at_s := (utc_of(event.t_ms)[0] - wall_ms) / 1000) >= 0]


def last_utc_ms(journal: Path) -> int:
    """UTC up to which the journal goes; 0 where there is none."""
    try:
        with closing(Reader(journal)) as reader:
            return reader.stamps().utc_ms(reader.horizon_ms())[0] if reader.clock_rows() else 0
    except JournalError:
        return 0


class HouseMonitor:
    """Gives the simulated world the driver's steps, and its cook the state and the acts (probes.simulated.Monitor)."""

    def __init__(self, house: House, driver: Driver) -> None:
        self._house, self._driver = house, driver
        # A cook of the same seed gives the same keys in each run; they must not count as repeats of the last one's.
        self._run = f"{driver.clock.wall_ms():x}"

    def begin(self, wall_ms: int) -> None:
        """See Driver."""
        self._driver.begin(wall_ms)

    def end(self, wall_ms: int, counts: Mapping[str, int]) -> int:
        """See Driver."""
        return self._driver.end(wall_ms, counts)

    def boot_ms(self) -> int:
        """Boot time, for stamping what the world's probes say."""
        return self._driver.clock.boot_ms()

    def event_no(self) -> int:
        """Number of the last event."""
        return self._house.core.present().state.event_no

    def state(self) -> dict[str, Any]:
        """The state document as the API answers it, for the cook: it may also stand at another door."""
        plain: dict[str, Any] = to_builtins(self._house.state())
        return plain

    def document(self) -> Document:
        """The state document."""
        return self._house.state()

    def act(self, act: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        """Does an act, as the API does it: HTTP status and answer."""
        try:
            key = f"{self._run}-{act['idempotency']}"
            asked = PlainAct(act["kind"], act["incubator"], act["who"], "simulated", key, act["data"])
            return 200, reply_document(self._house.act(asked), self._house.utc_of())
        except KojimonError as error:
            return 409, {"error": str(error)}


def discard_open(house: House) -> None:
    """Ends batches that an earlier simulation left open: its world is gone."""
    for box in house.state().incubators:
        if box.batch is not None:
            discard = BatchDiscard(reason="the simulation was started anew")
            house.act(plain(Act(discard, box.name, "simulation", "simulated")))
