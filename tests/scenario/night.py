"""A simulated batch through probes and engine, without daemon or files: fast enough for hundreds of seeds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from msgspec import to_builtins

from kojimon.engine import EngineSetup, IncubatorSetup, ProbeSetup, State, advance, initial_state, view
from kojimon.engine.setup import to_json
from kojimon.model import Arrival, Event, InputRow, Message, Priority
from kojimon.probes.pipeline import Pipeline
from kojimon.schedule.spec import Schedule
from kojimon.settings.spec import Probe, SimulatedSource
from kojisim.cook import Cook
from kojisim.probes import Sample
from kojisim.world import Scenario, World
from tests.parts.inputs import input_row, says

STEP_S = 60.0
LOOK_S = 300.0
T0_MS = 1_000_000_000
DEVICES = {"temperature": "ds18b20", "humidity": "sht3x"}


@dataclass
class Night:
    """One run: the world, the cook with the phone, the engine.

    `through`: whether readings are decoded and judged by the probes' own pipeline, which costs two thirds more
    (measured: 1.9 s a night instead of 1.1 s); else only the sentinels are marked bad. `kind`, `cover`: what is said of
    the box.
    """

    scenario: Scenario
    seed: int
    schedule: Schedule
    cook: Cook | None = None
    state: State = field(default_factory=initial_state)
    events: list[Event] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    truth: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    through: bool = True
    kind: str = "unknown"
    cover: str = "unknown"
    seq: int = 0
    rows: list[Any] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.scenario = replace(self.scenario, inoculate_c=None, hands="none")
        self.world = World(self.scenario, self.seed)
        self.cook = self.cook or Cook(self.seed, incubator="box", react_min=(2.0, 12.0))
        self.numbers = {spec.name: no for no, spec in enumerate(self.scenario.probes, 1)}
        probes = tuple(
            ProbeSetup(
                self.numbers[spec.name], spec.name, "box", spec.place.replace("_", "-"), spec.quantity, spec.name,
                stale_ms=round(max(3 * spec.interval_s, 90) * 1000),
            )
            for spec in self.scenario.probes
        )  # fmt: skip
        self.pipeline = Pipeline(
            [
                Probe(
                    spec.name, "box", spec.place.replace("_", "-"), spec.quantity, "sim", tray=spec.name,
                    unit="%" if spec.quantity == "humidity" else "C", device=DEVICES[spec.quantity],
                    expect_every_s=spec.interval_s,
                )
                for spec in self.scenario.probes
            ],
            self.numbers, [SimulatedSource("sim")],
        )  # fmt: skip
        box = IncubatorSetup("box", "it", "Box", kind=self.kind, cover=self.cover)
        setup = EngineSetup("cellar", (box,), probes, {"it": self.schedule})
        self.row(0.0, "start", {"clean": True, "gap_ms": 0, "boot": 1})
        self.row(0.0, "settings", {"hash": "h", "setup": to_json(setup)})

    def row(self, at_s: float, kind: str, payload: dict[str, Any]) -> None:
        self.seq += 1
        self.rows.append(input_row(self.seq, T0_MS + round(at_s * 1000), kind, payload))

    def step(self, to_s: float) -> bool:
        """Lets the world go on; whether something was announced."""
        self.world.advance(to_s)
        for sample in self.world.read():
            t_ms = T0_MS + round(sample.at_s * 1000)
            for no, value, quality in self._judged(sample, t_ms):
                self.seq += 1
                self.rows.append((self.seq, t_ms, no, value, quality))
        self.rows.sort(key=lambda row: row.t_ms if isinstance(row, InputRow) else row[1])
        rows, self.rows = self.rows, []
        return self.tell(rows, T0_MS + round(to_s * 1000))

    def tell(self, rows: list[Any], now_ms: int) -> bool:
        """The engine takes rows in; whether something was announced."""
        self.state, outcome = advance(self.state, rows, now_ms)
        self.events += outcome.events
        self.messages += outcome.messages
        return bool(outcome.events)

    def _judged(self, sample: Sample, t_ms: int) -> list[tuple[int, float | None, int]]:
        """Number of the probe, value and quality of what a sample becomes."""
        if self.through:
            taken = self.pipeline.take(Arrival("sim", t_ms, sample.name, sample.value), t_ms)
            return [(got.probe, got.value, got.quality) for got in taken]
        bad = sample.value > 104 if sample.quantity == "humidity" else sample.value in (85.0, -127.0)
        return [(self.numbers[sample.name], sample.value, 4 if bad else 0)]

    def look(self, now_s: float) -> None:
        """The cook looks at the phone and does what comes of it."""
        assert self.cook is not None
        # As the cook gets it from a door.
        document = to_builtins(view(self.state, T0_MS + round(now_s * 1000)))
        for deed in self.cook.decide(document, now_s):
            for name, args in deed.hands:
                self.world.act(name, **args)
            if deed.act is not None:
                act = {"channel": "page", **deed.act, "incubator": "box"}
                self.row(now_s, "act", act)

    def run(self, hours: float = 60.0, truth: bool = False) -> Night:
        """Runs until the cook has harvested or so many hours have passed."""
        assert self.cook is not None
        now_s = looked_s = 0.0
        while now_s < hours * 3600 and not (self.cook.finished and not self.state.batches):
            now_s += STEP_S
            happened = self.step(now_s)
            begun = self.world.inoculated_s is not None
            if happened or not begun or now_s - looked_s >= LOOK_S:
                self.look(now_s)
                looked_s = now_s
            if truth:
                self.truth.append((now_s, self.world.truth()))
        return self

    @property
    def wakings(self) -> list[Event]:
        """The events that called a sleeper, repeats left out."""
        by_no = {event.no: event for event in self.events}
        calls = [by_no[message.event] for message in self.messages if message.priority is Priority.WAKE]
        return [event for event in calls if says(event).get("event") != "re"]

    def hour(self, event: Event) -> float:
        """Hours since inoculation at an event, or since the start."""
        zero = next((says(e)["at_ms"] for e in self.events if e.kind == "step-done" and e.key == "inoculate"), T0_MS)
        return (event.t_ms - zero) / 3_600_000
