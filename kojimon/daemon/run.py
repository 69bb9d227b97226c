"""The daemon: builds everything from settings, looks after it, shuts it down in order.

The order of the end: nothing new is taken in, the core takes what is waiting and states the stop, that is committed and
acknowledged, then sources, publisher, children and doors end, each within a deadline of its own.
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from msgspec.structs import replace

from kojimon import __version__, logs
from kojimon.clock import Clock, ManualClock, SystemClock, real_s
from kojimon.contract.health import ClockHealth, DaemonHealth, Parts
from kojimon.contract.rows import ListedProbe
from kojimon.core.driver import Driver
from kojimon.core.turn import Present, receipts_of
from kojimon.daemon.duty import Duties
from kojimon.daemon.forecasting import Forecasting
from kojimon.daemon.house import House
from kojimon.daemon.mirrored import mirror_of
from kojimon.daemon.people import People
from kojimon.daemon.simulation import START_LOCAL_H, Begun, HouseMonitor, begun, discard_open, marked_since
from kojimon.daemon.watching import Watching
from kojimon.errors import EXIT_DONE, EXIT_NOT_NOW, JournalError
from kojimon.journal.records import Chunk
from kojimon.probes.sources.build import address, build, client_id
from kojimon.probes.sources.receipts import Left
from kojimon.probes.sources.simulated import Glimpse, SimulatedIncubator
from kojimon.probes.sources.worker import SourceLink
from kojimon.settings.secrets import read_secret
from kojimon.settings.spec import MqttSource, Settings, SimulatedSource, Source
from kojimon.supervise import ESSENTIAL_S, Essential, Slot, Supervisor
from kojimon.web.api.stamps import event_document, iso_utc
from kojimon.web.http.door import bind, make_run_folder, socket_path
from kojimon.web.http.serve import ApiServer
from kojimon.web.http.tcp_door import Front
from kojimon.wiring import clock_of, health_name, simulated_source
from kojimon.words.speech import moment_utc

if TYPE_CHECKING:
    from kojimon.publish import Publisher

SOURCES_S, CORE_S, COMMIT_S, CHILDREN_S, API_S = 2.0, 3.0, 5.0, 3.0, 2.0
API_READY_S = 10.0
SESSION_S = 2.0
"""Real seconds that a source waits for the number of its new session to be on the disk; alarming comes first."""
SESSION = "session:"
"""Beginning of the journal's cursor that counts a broker's sessions with us."""
_LOG = logs.get("daemon")


class Part(Protocol):
    """Something that runs beside the core: publisher, mirror, sender."""

    name: str

    def start(self) -> None: ...
    def stop(self, timeout_s: float) -> bool: ...
    def facts(self) -> Any: ...


class Daemon:
    """One life of the daemon.

    Args:
        settings: everything it is told.
        clock: world time; None: the machine's, or a driven one where the settings simulate.
        trouble: what is wrong with the settings file, where these are the last good ones.
        progress: shown what a person would see while a simulated incubator runs.
        stay: go on after a simulated incubator has run its course.
        notifier: the service manager; watchdog_s: how often it wants to hear from us.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock | None = None,
        *,
        trouble: str = "",
        progress: Callable[[Glimpse], None] | None = None,
        stay: bool = False,
        notifier: Any = None,
        watchdog_s: float = 0.0,
    ) -> None:
        self.settings, self._trouble = settings, trouble
        self._progress, self._stay, self._notifier, self._watchdog_s = progress, stay, notifier, watchdog_s
        self._simulated = simulated_source(settings)
        self._begun = begun(settings, SystemClock()) if clock is None and self._simulated is not None else Begun(0)
        self.clock = clock or clock_of(settings, lambda: self._begun.now_ms)
        self._stop = threading.Event()
        self._reason, self._failure = "ended", ""
        self.parts: list[Part] = []
        self._slots: list[Slot] = []
        self._by_source: dict[str, Slot] = {}
        self._practised: SimulatedIncubator | None = None

    # -- life --------------------------------------------------------------------------------------------------

    def end(self, reason: str) -> None:
        """Asks the daemon to stop; from any thread or a signal handler."""
        self._reason = reason
        self._stop.set()

    def run(self, ready: Callable[[Daemon], None] | None = None) -> int:
        """Starts everything, looks after it until told to end, stops everything. Returns the exit code.

        Raises:
            KojimonError: it cannot start; nothing is left running.
        """
        folder = make_run_folder(self.settings.run_folder)
        path = socket_path(self.settings.journal.path, folder)
        driven = isinstance(self.clock, ManualClock)
        notes = [("settings", self._trouble)] if self._trouble else []
        self.house = House(self.settings, self.clock, driven, notes)
        try:
            self._build()
            self.house.start()
            self._drive()
            tcp = self.front.open()
            doors = [bind(path), *([tcp] if tcp else [])]
            self.api = ApiServer(self._make_app, doors, self.house.core.health)
        except BaseException:
            self.house.close("could not start")
            raise
        try:
            self._live(ready)
        finally:
            self._shut_down()
            path.unlink(missing_ok=True)
        return EXIT_NOT_NOW if self._failure else EXIT_DONE

    def _live(self, ready: Callable[[Daemon], None] | None) -> None:
        # Sources first: what starts beside them must not keep the first reading waiting.
        self._supervisor.check(real_s())
        for part in self.parts:
            self._start_part(part)
        self.api.start()
        self._tell_manager("READY=1")
        if ready is not None:
            self.api.ready.wait(API_READY_S)
            ready(self)
        self._supervisor.run(self._stop)

    def _start_part(self, part: Part) -> None:
        """Starts a part; one that cannot start is told, and the watch goes on without it."""
        try:
            part.start()
        except Exception as error:
            _LOG.exception("%s cannot be started", part.name)
            self.house.core.health(part.name, False, f"{part.name} cannot be started: {error}")

    def _shut_down(self) -> None:
        self._tell_manager("STOPPING=1")
        _LOG.info("stopping: %s", self._reason)
        for slot in self._slots:
            slot.shut()
        self.house.core.stop(self._reason, CORE_S)
        if not self.house.writer.flush(COMMIT_S):
            _LOG.error("not everything could be committed")
        self._supervisor.stop_sources(SOURCES_S)
        for part in self.parts:
            part.stop(CHILDREN_S)
        if not self.api.stop(API_S):
            _LOG.warning("the API did not end in time; left behind")
        self.house.close(self._reason, CORE_S, COMMIT_S)

    def _tell_manager(self, state: str) -> None:
        if self._notifier is not None:
            self._notifier.notify(state)

    # -- building -------------------------------------------------------------------------------------------------

    def _drive(self) -> None:
        """Where time is driven: what the driver asks."""
        if isinstance(self.clock, ManualClock):
            self.driver = Driver(self.clock, self.house.intake.wait_arrived, self._step)
        if self._simulated is not None and not self._begun.gone_s:
            discard_open(self.house)

    def _step(self, timeout_s: float) -> int:
        """One step of the driver: the engine up to the clock, then what the calendar wants. How many events came."""
        events = self.house.core.run_to_present(timeout_s)
        return events + (self.house.core.run_to_present(timeout_s) if self.duty.look() else 0)

    def _build(self) -> None:
        intake, core, writer = self.house.intake, self.house.core, self.house.writer
        for source in self.settings.sources:
            slot = Slot(source.name, self._builder(source), intake.put, intake.put_wait, health_name(source))
            self._slots.append(slot)
            self._by_source[source.name] = slot
        core.listen(self._committed)
        self.house.released.append(self._acknowledge)
        publisher = self._make_publisher()
        if publisher is not None:
            self.parts.append(publisher)
            core.listen(publisher.committed)
        self.people = People(self.house, publisher.heartbeat if publisher is not None else None, self._page_address)
        self.parts.append(self.people)
        core.listen(self.people.committed)
        if self.settings.watch:
            self.parts.append(Watching(self.settings, core.health))
        mirror = mirror_of(self.house)
        if mirror is not None:
            self.parts.append(mirror)
            core.listen(mirror.committed)
        self.front = Front(self.settings.web, core.health, self._serve_door)
        self.parts.append(self.front)
        self.duty = Duties(self.house, isinstance(self.clock, ManualClock))
        self.parts.append(self.duty)
        if self.settings.forecast.use:
            forecasting = Forecasting(self.house, isinstance(self.clock, ManualClock))
            self.parts.append(forecasting)
            core.listen(forecasting.committed)
        essentials = [
            Essential("core", lambda: core.alive() and real_s() - core.heartbeat_s() < ESSENTIAL_S),
            # Not for a commit that hangs: a restart would hang on the same disk, and alarm nobody.
            Essential("journal", writer.alive),
        ]
        self._supervisor = Supervisor(
            self._slots, essentials, core.health, self.status_line, self._notifier, self._watchdog_s
        )

    def _serve_door(self, door: socket.socket) -> None:
        self.api.add(door)

    def _builder(self, source: Source) -> Callable[[], SourceLink]:
        if isinstance(source, SimulatedSource):
            return lambda: self._make_simulated(source)
        return lambda: self._make_source(source)

    def _make_source(self, source: Source) -> SourceLink:
        settings = self.settings
        # What an earlier life of it handed over must be on record, or a redelivery would count a second time.
        if not self.house.writer.facts().trouble:
            self.house.writer.flush(COMMIT_S)
        made = build(source, settings.probes, self.clock, settings.site, read_secret, self._left(source.name))
        if made is None:
            raise NotImplementedError(f"sources.{source.name}: nothing reads this kind of source")
        return made

    def _left(self, source: str) -> Left:
        """What the journal has of a broker's session: what was committed in it, and its number."""
        sink = f"{SESSION}{source}"

        def begun(number: int) -> bool:
            self.house.writer.submit(Chunk(cursors={sink: number}, urgent=True))
            return self.house.writer.flush(SESSION_S)

        try:
            reader = self.house.reader()
            return Left(receipts_of(reader.unacked(source)), reader.cursor(sink), begun)
        except JournalError:
            return Left(begun=begun)

    def _make_publisher(self) -> Publisher | None:
        settings = self.settings
        source = next((one for one in settings.sources if one.name == settings.publish.source), None)
        if not isinstance(source, MqttSource):
            return None
        from kojimon.publish import Publisher

        # Whoever can publish to an open broker could start a batch: acts need one that knows its users.
        acts = self.house.act if settings.publish.accept_acts and source.user else None
        return Publisher(
            settings.site,
            address(source, read_secret),
            client_id(source, settings.site, "io"),
            lambda: self.house.state(durable=True),
            lambda event: event_document(event, self.house.utc_of()),
            acts,
            [box.name for box in settings.incubators],
            self.house.core.health,
        )

    def _make_simulated(self, source: SimulatedSource) -> SourceLink:
        monitor = HouseMonitor(self.house, self.driver)
        boxes = (probe.incubator for probe in self.settings.probes if probe.source == source.name)
        box = next(boxes, self.settings.incubators[0].name)  # without a probe it drives the time, and a cook's hands
        gone_s = self._begun.gone_s
        start_ms = self._begun.wall_ms if gone_s else self.clock.wall_ms()
        past = marked_since(self.house, start_ms) if gone_s and not source.hands else []
        self._practised = SimulatedIncubator(
            source, box, start_ms, START_LOCAL_H, monitor, self._progress, self._simulation_over, gone_s, past
        )
        return self._practised

    def _simulation_over(self, trouble: str) -> None:
        if trouble and not self._stop.is_set():
            self._failure = trouble
            _LOG.error("the simulated incubator ended: %s", trouble)
        if not self._stay:
            self.end("the simulated incubator has run its course")

    def _committed(self, chunk: Chunk, _: Present) -> None:
        if chunk.receipts:
            self._acknowledge(chunk.receipts)
        if self._practised is not None and chunk.events:
            utc_of = self.house.utc_of()
            for event in chunk.events:
                self._practised.marked(utc_of(event.t_ms)[0], event)

    def _acknowledge(self, pairs: Sequence[tuple[str, int]]) -> None:
        by_source: dict[str, list[int]] = {}
        for source, receipt in pairs:
            by_source.setdefault(source, []).append(receipt)
        for source, receipts in by_source.items():
            if source in self._by_source:
                self._by_source[source].committed(receipts)

    def _make_app(self) -> Any:
        from kojimon.web.api.app import create_app
        from kojimon.web.page.app import with_page

        backend = DaemonBackend(self)
        left = self.house.path.with_name(f"{self.house.path.name}.left")
        rice_kg = {box.name: box.rice_kg for box in self.settings.incubators}
        app, web, person = create_app(backend), self.settings.web, self.settings.person
        return with_page(app, backend, web, self.front.ports, self._stop.is_set, left, rice_kg, person)

    def _page_address(self) -> str:
        """Where a phone or this machine finds the page; "" while it is not open."""
        from kojimon.web.http.access import addresses

        return next(iter(addresses(self.settings.web, self.front.ports())), "")

    # -- looking ----------------------------------------------------------------------------------------------------

    def health(self) -> DaemonHealth:
        """How the daemon itself is, for GET /v1/health."""
        house, now = self.house, self.house.core.moment()
        journal = house.writer.facts()
        stale = list(self._supervisor.stale)
        return DaemonHealth(
            ok=not stale and not journal.trouble and not self._trouble,
            version=__version__,
            pid=os.getpid(),
            site=self.settings.site,
            clock=ClockHealth(utc=iso_utc(now.utc_ms), trusted=now.trusted, t_ms=now.t_ms),
            stale=stale,
            settings=self._trouble,
            journal=journal,
            core=house.core.facts(),
            sources={slot.name: slot.facts() for slot in self._slots},
            parts=Parts(**{part.name: part.facts() for part in self.parts}),
            doors=self.api.facts(),
        )

    def probes(self) -> list[ListedProbe]:
        """Every probe of the settings with its last value, for GET /v1/probes."""
        now, found = self.house.core.moment(), []
        for row in self.house.certificates.listed(self.house.state(), moment_utc(now.utc_ms).date()):
            raw, raw_ms = self.house.raw(row.name) or (None, None)
            age_s = None if raw_ms is None else max(0, now.t_ms - raw_ms) / 1000
            found.append(replace(row, raw=raw, raw_age_s=age_s))
        return found

    def status_line(self) -> str:
        """One line for the service manager."""
        facts = self.house.core.facts()
        boxes = self.house.core.view().incubators
        hours = [f"{box.name} hour {box.batch.hour:.1f}" for box in boxes if box.batch and box.batch.hour]
        return f"{', '.join(hours) or 'no batch'}; row {facts.seq}, {facts.dropped} dropped"


class DaemonBackend:
    """The daemon as the API sees it: the house, and how the daemon itself is."""

    def __init__(self, daemon: Daemon) -> None:
        house = daemon.house
        self.state, self.act, self.reader = house.state, house.act, house.reader
        self.stamps, self.utc_of, self.now_ms = house.stamps, house.utc_of, house.now_ms
        self.health, self.probes, self.night_check = daemon.health, daemon.probes, daemon.people.night_check
