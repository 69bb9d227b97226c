"""A simulated incubator inside the daemon: the simulator's world on the daemon's driven clock.

It owns time: each instant it moves the clock, hands over what its probes say as any source does, lets the engine run up
to that instant, and, where the settings give it hands, does the work a cook would do about what the monitor shows.
Without, a person practises: what they mark is done to the koji.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, cast

from msgspec import to_builtins

from kojimon import logs
from kojimon.clock import real_s
from kojimon.contract.health import SourceHealth
from kojimon.contract.state import Document
from kojimon.errors import KojimonError
from kojimon.model import Arrival, Event
from kojimon.probes.sources.worker import Put
from kojimon.settings.spec import SimulatedSource

if TYPE_CHECKING:
    from kojisim.run import Run

TICK_S = 10.0
LONGEST_H, PRACTICE_H = 60.0, 240.0
"""World time of a run for which the settings name no hours: a cook's one batch; several of a person who practises."""
AFTER_HARVEST_S = 600.0
WAITS_C = 31.0
"""Whoever practises may come late: their rice stays between what is too hot and too cold for spores (judgement)."""
HOUR_S = 3600.0
_LOG = logs.get("simulated")


def longest_h(settings: SimulatedSource) -> float:
    """World time of a run, hours."""
    return settings.hours or (LONGEST_H if settings.hands else PRACTICE_H)


class Monitor(Protocol):
    """The daemon, as the simulated world and its cook meet it."""

    def begin(self, wall_ms: int) -> None: ...
    def end(self, wall_ms: int, counts: Mapping[str, int]) -> int: ...
    def boot_ms(self) -> int: ...
    def event_no(self) -> int: ...
    def state(self) -> dict[str, Any]: ...
    def document(self) -> Document: ...
    def act(self, act: dict[str, Any]) -> tuple[int, dict[str, Any]]: ...


class Glimpse(NamedTuple):
    """What a person who looks at the monitor would see now, for a progress display.

    Attributes:
        hour: world hours since the start, and hours of the whole run.
        event_no: number of the last event.
        state: the state document.
        over: whether the run has ended.
    """

    hour: float
    hours: float
    event_no: int
    state: Document
    over: bool = False


class _Line:
    """Hands samples to the intake and counts them, as a publisher to a real line does."""

    def __init__(self, name: str, boot_ms: Callable[[], int], put: Put) -> None:
        self._name, self._boot_ms, self._put = name, boot_ms, put
        self.sent = 0

    def publish(self, samples: list[Any]) -> None:
        for sample in samples:
            self.sent += 1
            self._put(Arrival(self._name, self._boot_ms(), sample.name, float(sample.value)))


class _Drive:
    """The simulator's driver interface, with every stop and look-out of the daemon built in."""

    def __init__(self, work: SimulatedIncubator, monitor: Monitor) -> None:
        self._work, self._monitor = work, monitor

    def begin(self, wall_ms: int) -> None:
        self._work.beat()
        self._monitor.begin(wall_ms)

    def end(self, wall_ms: int, counts: Mapping[str, int]) -> int:
        return self._work.seen(self._monitor.end(wall_ms, counts))


class _Stopped(Exception):
    """The daemon ends, or the run is over: leaves the simulator's loop."""


class SimulatedIncubator:
    """A source (see probes.source.SourceLink) that ends by itself after its hours, or after the harvest.

    Args:
        settings: scenario, seed, speed, hours, hands.
        incubator: name of the incubator it stands for.
        start_wall_ms: UTC of the world's start; start_local_h: hour of the day there.
        monitor: the daemon.
        progress: called after every instant with an event in it, and every hour.
        over: called once at the end, with "" or with why it ended early.
        gone_s: so far the world has gone already; nothing of that is published again.
        past: what was marked in it so far, with the world's time, s.
    """

    def __init__(
        self,
        settings: SimulatedSource,
        incubator: str,
        start_wall_ms: int,
        start_local_h: float,
        monitor: Monitor,
        progress: Callable[[Glimpse], None] | None = None,
        over: Callable[[str], None] | None = None,
        gone_s: float = 0.0,
        past: Iterable[tuple[float, Event]] = (),
    ) -> None:
        self.name = settings.name
        self._settings, self._incubator, self._monitor = settings, incubator, monitor
        self._start_wall_ms, self._start_local_h = start_wall_ms, start_local_h
        self._progress, self._over, self._gone_s = progress, over, gone_s
        self._marked = deque(past)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._beat_s = real_s()
        self._told = (-1, -1)
        self._trouble = ""
        self._run: Run | None = None
        self._finished = False

    # -- as a source -----------------------------------------------------------------------------------------

    def start(self, put: Put, put_wait: Put) -> None:
        """See SourceLink."""
        self._thread = threading.Thread(target=self._work, args=(put,), name=f"src-{self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """See SourceLink."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(2.0)

    def heartbeat_s(self) -> float:
        """See SourceLink. A world that has run its course has nothing more to say and is not missed."""
        return real_s() if self._finished else self._beat_s

    def marked(self, wall_ms: int, event: Event) -> None:
        """Something happened at this UTC; from any thread. Done to the koji where a person practises."""
        if not self._settings.hands and event.incubator == self._incubator:
            self._marked.append(((wall_ms - self._start_wall_ms) / 1000, event))

    def committed(self, receipts: list[int]) -> None:
        """Nothing to do: it wants no receipts."""

    def facts(self) -> SourceHealth:
        """See SourceLink."""
        sent = self._run.samples if self._run is not None else 0
        return SourceHealth(kind="simulated", ok=not self._trouble, trouble=self._trouble, opened=1, arrived=sent)

    # -- called by the simulator's loop ----------------------------------------------------------------------------

    def beat(self) -> None:
        """A sign of life; leaves the loop when the daemon stops."""
        self._beat_s = real_s()
        if self._stop.is_set():
            raise _Stopped
        self._do_marked()

    def _do_marked(self) -> None:
        while self._marked and self._run is not None:
            at_s, event = self._marked.popleft()
            for name, args in self._marks.hands(event.kind, event.key, to_builtins(event.what)):
                self._run.world.later(at_s, name, **args)

    def seen(self, events: int) -> int:
        """After an instant: shows a glimpse when there is a new event or a new hour."""
        world_h = self._run.world.time_s / HOUR_S if self._run is not None else 0.0
        news = (int(world_h), self._monitor.event_no())
        if news != self._told and self._progress is not None:
            self._told = news
            self._progress(self._glimpse(world_h))
        return events

    def _glimpse(self, hour: float, over: bool = False) -> Glimpse:
        return Glimpse(hour, self._hours(), self._monitor.event_no(), self._monitor.document(), over)

    def _hours(self) -> float:
        return longest_h(self._settings)

    # -- the thread ------------------------------------------------------------------------------------------------

    def _work(self, put: Put) -> None:
        try:
            run = self._run = self._made(put)
            self._catch_up(run)
            run.go(self._hours(), from_s=self._gone_s)
            if self._progress is not None:
                self._progress(self._glimpse(run.world.time_s / HOUR_S, over=True))
        except _Stopped:
            self._trouble = "stopped before its end"
        except KojimonError as error:
            self._trouble = str(error)
        except Exception as error:
            _LOG.exception("the simulated incubator failed")
            self._trouble = f"{type(error).__name__}: {error}"
        self._finished = True
        if self._over is not None:
            self._over(self._trouble)

    def _catch_up(self, run: Run) -> None:
        """Takes the world, unheard, to where it was left: it is the same one for the same seed."""
        for tick in range(1, round(self._gone_s / TICK_S) + 1):
            self.beat()
            run.world.advance(tick * TICK_S)
            run.world.read()

    def _made(self, put: Put) -> Run:
        from dataclasses import replace

        from kojisim.cook import Cook, Marks
        from kojisim.run import Run
        from kojisim.scenarios import SCENARIOS
        from kojisim.world import World

        self._marks = Marks()
        made = SCENARIOS.get(self._settings.scenario)
        if made is None:
            known = ", ".join(sorted(SCENARIOS))
            raise KojimonError(f"sources.{self.name}.scenario: {self._settings.scenario!r}; expected one of {known}")
        scenario = made(self._settings.seed)
        params = replace(scenario.params, start_local_h=self._start_local_h)
        scenario = replace(scenario, params=params)
        scenario = replace(scenario, hands="none", inoculate_c=None, waits_c=None if self._settings.hands else WAITS_C)
        run = Run(World(scenario, self._settings.seed), self._start_wall_ms, TICK_S, self._settings.speed)
        if self._settings.hands:
            run.after_harvest_s = AFTER_HARVEST_S
        else:  # the koji still cools, and another batch may follow
            run.after_harvest_s = float("inf")
        run.publishers = {self.name: cast(Any, _Line(self.name, self._monitor.boot_ms, put))}
        run.drive = cast(Any, _Drive(self, self._monitor))
        if self._settings.hands:
            rice_kg = sum(tray.white_rice_kg for tray in params.trays)
            run.api = cast(Any, self._monitor)
            run.cook = Cook(
                self._settings.seed, start_local_h=self._start_local_h, incubator=self._incubator, rice_kg=rice_kg
            )
        return run
