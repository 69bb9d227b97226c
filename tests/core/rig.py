"""A core with the real engine and the real journal around a clock that the test drives."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from kojimon.clock import Clock, ManualClock
from kojimon.contract.acts import PlainAct, typed
from kojimon.contract.inputs import Settings
from kojimon.core.boot import boot
from kojimon.core.intake import Intake
from kojimon.core.loop import Core
from kojimon.engine.setup import EngineSetup, IncubatorSetup, ProbeSetup, to_json
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from kojimon.model import Arrival, Measured, Place
from kojimon.schedule.spec import After, Schedule, Stage, Step, Window
from tests.parts.opened import reading
from tests.parts.wait import DEADLINE_S

WALL_MS = 1_790_000_000_000


class Plain:
    """A pipeline for tests: the topic is the probe's number, the payload its value."""

    def __init__(self) -> None:
        self.seen = 0

    def take(self, arrival: Arrival, t_ms: int) -> list[Measured]:
        self.seen += 1
        if arrival.topic == "poison":
            raise RuntimeError("a pipeline must not raise, but this one does")
        value = float(arrival.payload)
        return [Measured(int(arrival.topic), value, value, 0)]

    def counts(self) -> dict[str, int]:
        return {"seen": self.seen}


def schedule() -> Schedule:
    """One stage from the start, spores at hour 0, one mix 10 h later."""
    return Schedule(
        name="short",
        label="Short",
        purpose="tests",
        stages=(Stage("warm", "warming", After("inoculate", 0.0)),),
        steps=(
            Step("inoculate", "sprinkle the spores", work="inoculate"),
            Step(
                "mix",
                "mix",
                work="mix",
                window=Window(opens=After("inoculate", 36_000), due=After("inoculate", 39_600)),
            ),
            Step("harvest", "harvest", work="harvest", window=Window(opens=After("inoculate", 144_000))),
        ),
    )


def setup_input() -> Settings:
    """A `settings` input with two koji probes and one for the air."""
    probes = (
        ProbeSetup(1, "bed", "box", Place.BED, "temperature", tray="top"),
        ProbeSetup(2, "bed-2", "box", Place.BED, "temperature", tray="low"),
        ProbeSetup(3, "air", "box", Place.AIR, "temperature"),
    )
    setup = EngineSetup("home", (IncubatorSetup("box", "short"),), probes, {"short": schedule()})
    return Settings(hash="h1", setup=to_json(setup))


class Rig:
    """A running core; `arrive` and `tick` move the world."""

    def __init__(self, path: Path, clock: Clock, driven: bool = True, **limits: int) -> None:
        self.path, self.clock = path, clock
        self.opened = open_or_recover(path)
        self.intake: Intake[Any] = Intake(signal_arrivals=not driven, **limits)
        self.writer = Writer(path, on_committed=self._committed, on_trouble=self._trouble)
        with closing(Reader(path)) as past:
            self.booted = booted = boot(past, clock, "test", clean=not self.opened.unclean)
        first = [] if booted.state.setup_hash == "h1" else [setup_input()]
        self.core = Core(
            booted,
            first,
            clock=clock,
            intake=self.intake,
            pipeline=Plain(),
            journal=self.writer,
            driven=driven,
            calendar=lambda: self.reader().stamps(),
        )

    def _committed(self, chunk: Chunk) -> None:
        self.core.committed(chunk)

    def _trouble(self, text: str) -> None:
        self.core.storage(text)

    def start(self) -> Rig:
        self.writer.start()
        self.core.start()
        return self

    def reader(self) -> Reader:
        return reading(self.path)

    def arrive(self, probe: int, value: float, source: str = "src", receipt: int = 0) -> None:
        self.intake.put(Arrival(source, self.clock.boot_ms(), str(probe), value, receipt=receipt))

    def tick(self, seconds: float = 0.0) -> int:
        """Moves a manual clock and runs the engine to it."""
        assert isinstance(self.clock, ManualClock)
        self.clock.advance(round(seconds * 1000))
        return self.core.run_to_present(DEADLINE_S)

    def act(self, kind: str, key: str = "", **data: Any) -> Any:
        return self.core.submit(typed(PlainAct(kind, "box", "me", "test", key, data)))

    def kinds(self) -> list[str]:
        assert self.writer.flush(DEADLINE_S)
        return [event.kind for event in self.reader().events(limit=10_000)]

    def stop(self) -> None:
        """An orderly stop."""
        self.core.stop("test")
        self.writer.stop(5.0)
        self.opened.lock.release()

    def crash(self) -> None:
        """What a kill leaves behind: what was committed, no goodbye, the journal marked as in use."""
        self.core._finish = lambda: None  # type: ignore[method-assign]
        self.core.stop("crash")
        self.writer._pending.take()
        storage = self.writer._storage
        storage.close = lambda clean: storage.close_store()  # type: ignore[method-assign]
        self.writer.stop(5.0)
        self.opened.lock.release()


@contextmanager
def rig(path: Path, clock: Clock | None = None, driven: bool = True, **limits: int) -> Iterator[Rig]:
    """A started rig that stops in order at the end."""
    one = Rig(path, clock or ManualClock(WALL_MS), driven, **limits).start()
    try:
        yield one
    finally:
        one.stop()
