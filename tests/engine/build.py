"""A small site and rows for tests of the engine."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from kojimon.engine import EngineSetup, IncubatorSetup, ProbeSetup
from kojimon.engine.setup import to_json
from kojimon.model import Event, Outcome, Priority
from kojimon.schedule.spec import (
    After,
    Band,
    Condition,
    Expectation,
    FirstOf,
    Gate,
    Holds,
    Limit,
    Schedule,
    Stage,
    Step,
    Window,
)  # fmt: skip
from tests.parts.inputs import input_row, says

H = 3600.0
MIN = 60.0
BED, MIDDLE, AIR, HUMIDITY = 1, 2, 3, 4


def limit(value: float, delay_s: float, priority: Priority, **more: Any) -> Limit:
    return Limit(value, delay_s, priority, **more)


def home_schedule() -> Schedule:
    wake, tell = Priority.WAKE, Priority.TELL
    quiet = Band("bed", "temperature", limit(22, 60 * MIN, wake), limit(26, 60 * MIN, tell), limit(40, 5 * MIN, wake))
    warm = Band("bed", "temperature", high=limit(43, 10 * MIN, wake), high_high=limit(45, 2 * MIN, wake))
    warming = FirstOf((Holds("warm"), Holds("over-air")))
    return Schedule(
        "home", "Home trays", "rice koji",
        stages=(
            Stage("settling", "Before it warms itself", After("inoculate", 0), (quiet,), 2 * H),
            Stage("warming", "Warming itself", warming, (warm,), 15 * MIN),
        ),
        steps=(
            Step("inoculate", "Sprinkle the starter", work="inoculate", gate=Gate("bed", at_most=32.2)),
            Step("check", "First check", window=Window(After("inoculate", 18 * H),
                 FirstOf((After("inoculate", 24 * H), warming)), After("inoculate", 30 * H))),
            Step("mix", "Mix", work="mix", repeats=True, window=Window(opens=Holds("hot", since="mix"))),
            Step("harvest", "Harvest", work="harvest",
                 window=Window(After("inoculate", 40 * H), After("inoculate", 45 * H), After("inoculate", 50 * H))),
        ),
        conditions={
            "warm": Condition("bed", at_least=34, hold_s=10 * MIN),
            "over-air": Condition("bed", at_least=3, above="air", hold_s=10 * MIN),
            "hot": Condition("bed", at_least=38, hold_s=10 * MIN),
        },
        expectations=(
            Expectation("self-warming", "It warms itself", "warm", After("inoculate", 26 * H),
                        causes=("too cold", "too dry"), or_conditions=("over-air",)),
        ),
    )  # fmt: skip


def site(schedule: Schedule | None = None, stale_ms: int = 90_000) -> EngineSetup:
    probe = {"stale_ms": stale_ms}
    return EngineSetup(
        "cellar",
        (IncubatorSetup("box", "home", "Box", ("top", "middle")),),
        (
            ProbeSetup(BED, "koji-top", "box", "bed", "temperature", "top", **probe),
            ProbeSetup(MIDDLE, "koji-middle", "box", "bed", "temperature", "middle", **probe),
            ProbeSetup(AIR, "air", "box", "air", "temperature", **probe),
            ProbeSetup(HUMIDITY, "humidity", "box", "air", "humidity", **probe),
        ),
        {"home": schedule or home_schedule()},
    )


class Rows:
    """Writes rows in order and numbers them."""

    def __init__(self, setup: EngineSetup | None = None, t_ms: int = 1_000_000) -> None:
        self.rows: list[Any] = []
        self.seq, self.t_ms, self.t0_ms = 0, t_ms, t_ms
        self.input("start", clean=True, gap_ms=0, boot=1)
        self.input("settings", hash="h", setup=to_json(setup or site()))

    def at(self, seconds: float) -> Rows:
        """Goes on to so many seconds after the first row."""
        self.t_ms = max(self.t_ms, self.t0_ms + round(seconds * 1000))
        return self

    def input(self, kind: str, /, **payload: Any) -> int:
        self.seq += 1
        self.rows.append(input_row(self.seq, self.t_ms, kind, payload))
        return self.seq

    def act(self, kind: str, /, incubator: str = "box", idempotency: str = "", **data: Any) -> int:
        return self.input("act", kind=kind, incubator=incubator, who="anna", channel="cli",
                          idempotency=idempotency, data=data)  # fmt: skip

    def read(self, probe: int, value: float | None, quality: int = 0) -> int:
        self.seq += 1
        self.rows.append((self.seq, self.t_ms, probe, value, quality))
        return self.seq

    def hold(self, until_s: float, values: dict[int, float], every_s: float = 10.0) -> Rows:
        """The same values every so often until then."""
        while self.t_ms + every_s * 1000 <= self.t0_ms + until_s * 1000:
            self.t_ms += round(every_s * 1000)
            for probe, value in values.items():
                self.read(probe, value)
        return self

    def take(self) -> list[Any]:
        """The rows written since the last take."""
        rows, self.rows = self.rows, []
        return rows


def kinds(outcome: Outcome, *wanted: str) -> list[tuple[str, str]]:
    """(kind, key) of the events, of these kinds only where some are named."""
    return [(event.kind, event.key) for event in outcome.events if not wanted or event.kind in wanted]


def moves(outcome: Outcome, key: str) -> list[Event]:
    """The events of one alarm, its repeats left out."""
    return [e for e in outcome.events if e.kind == "alarm" and e.key == key and says(e)["event"] != "re"]


def alarms(outcome: Outcome, keys: Iterable[str] = ()) -> list[tuple[str, str, str]]:
    """(key, from, to) of the alarm events, repeats left out."""
    wanted = set(keys)
    return [
        (event.key, says(event)["from"], says(event)["to"])
        for event in outcome.events
        if event.kind == "alarm" and says(event)["event"] != "re" and (not wanted or event.key in wanted)
    ]
