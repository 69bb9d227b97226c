"""One box with one kind of limit, for the acceptance of the alarms: engine, plan and a phone on a manual clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec.structs import replace

from kojimon.contract.state import Alarm
from kojimon.engine import view
from kojimon.model import Event, Priority
from kojimon.notify.records import Channel
from kojimon.schedule.spec import After, Band, Limit, Schedule, Stage, Step, Watch
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, Rows, site
from tests.notify.board import DAY_UTC_MS, PHONE, Room
from tests.parts.inputs import says

HIGH, LOW = "limit/bed/temperature/high", "limit/bed/temperature/low"
WAKE, TELL = Priority.WAKE, Priority.TELL
H, MIN = 3600.0, 60.0
STEADY = {BED: 30.0, MIDDLE: 30.0, AIR: 30.0, HUMIDITY: 85.0}


def limit(value: float, on_s: float = 60.0, priority: Priority = WAKE, **more: Any) -> Limit:
    return Limit(value, on_s, priority, **{"off_delay_s": 60.0, "deadband": 0.5, **more})


def schedule(
    *bands: Band, watches: tuple[Watch, ...] = (), blind_s: float = 0.0, later: tuple[Band, ...] | None = None
) -> Schedule:
    """A schedule of one stage, or of two where the second begins with the step `turn`."""
    stages = [Stage("only", "Only", After("inoculate", 0), bands, blind_s, watches)]
    if later is not None:
        stages.append(Stage("later", "Later", After("turn", 0), later, blind_s))
    steps = (Step("inoculate", "Sprinkle", work="inoculate"), Step("turn", "Turn"),
             Step("mix", "Mix", work="mix", repeats=True))  # fmt: skip
    return Schedule("home", "Home", "test", tuple(stages), steps, box=None)


def high(value: float = 35.0, **more: Any) -> Band:
    return Band("bed", "temperature", high=limit(value, **more))


class Case(Room):
    """A batch begun at 0 s, everything steady at 30 °C; times are seconds since then."""

    def __init__(
        self, plan: Schedule | None = None, *channels: Channel, utc_ms: int = DAY_UTC_MS,
        works: Callable[[str, float], bool] = lambda _name, _at: True, probes: tuple[int, ...] = (1, 2, 3, 4),
    ) -> None:  # fmt: skip
        setup = site(plan or schedule(high()))
        setup = replace(setup, probes=tuple(probe for probe in setup.probes if probe.no in probes))
        self.now = {no: value for no, value in STEADY.items() if no in probes}
        super().__init__(Rows(setup), *(channels or (PHONE,)), utc_ms=utc_ms, works=works)
        self.rows.act("batch.start")
        self.rows.act("step.done", step="inoculate")

    @property
    def at_s(self) -> float:
        return (self.rows.t_ms - self.rows.t0_ms) / 1000

    def hold(self, for_s: float, every_s: float = 10.0, **values: float) -> Case:
        """All probes speak for so long, the koji's top probe at `bed` etc.; then it is told to the engine."""
        names = {"bed": BED, "middle": MIDDLE, "air": AIR, "humidity": HUMIDITY}
        self.now |= {names[name]: value for name, value in values.items()}
        self.rows.hold(self.at_s + for_s, self.now, every_s)
        self.run()
        return self

    def silent(self, for_s: float, *probes: int) -> Case:
        """These probes say nothing for so long, the others go on (all are silent where none is named)."""
        quiet = probes or tuple(self.now)
        self.rows.hold(self.at_s + for_s, {no: value for no, value in self.now.items() if no not in quiet})
        if len(quiet) == len(self.now):
            self.rows.at(self.at_s + for_s)
        self.run()
        return self

    def do(self, kind: str, /, incubator: str = "box", **data: Any) -> list[Event]:
        """Does an act now; what the engine said to it."""
        seq = self.rows.act(kind, incubator=incubator, **data)
        self.run()
        return [event for event in self.events if says(event).get("act") == seq]

    def of(self, key: str = HIGH, repeats: bool = False) -> list[Event]:
        """The events of an alarm."""
        found = [event for event in self.events if event.kind == "alarm" and event.key == key]
        return [event for event in found if repeats or says(event)["event"] != "re"]

    def moves(self, key: str = HIGH, repeats: bool = False) -> list[tuple[float, str, str]]:
        """(seconds, signal, state afterwards) of an alarm."""
        return [
            ((event.t_ms - self.rows.t0_ms) / 1000, says(event)["event"], says(event)["to"])
            for event in self.of(key, repeats)
        ]

    def state_of(self, key: str = HIGH) -> str:
        return str(self.state.alarms[f"box/{key}"].state)

    def listed(self) -> list[Alarm]:
        """Alarms a person sees."""
        return list(view(self.state, self.rows.t_ms).incubators[0].alarms)

    def urgent(self) -> list[Any]:
        return [one for one in self.sent if one.send.urgent]


