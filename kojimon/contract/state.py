"""The state document: what a page, a terminal, a message or a topic shows of the daemon at one moment.

`engine.view` makes it, the door adds what only the door knows (`*_utc` beside each `*_t_ms`, `now`, `units`) and
encodes it once; commands decode the same record. `GET /v1/openapi.json` describes it from here. A `*_t_ms` is engine
time, a `*_utc` the same moment in UTC (ISO 8601); both None where there is no such moment. A field this version does
not know is passed over when it is read, so that an older command may ask a newer daemon.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeVar

from msgspec import Struct

from kojimon.contract.alarms import Alarm, ListedAlarm, alarm_of, listed_as
from kojimon.contract.steps import EndedBatch, Gate, Mark, Next, OpenBatch, Question, Stage, Step, Weighing
from kojimon.contract.values import Band, ByHand, Derived, Extreme, Pending, Place, Probe
from kojimon.forecast.answers import Forecast

__all__ = [
    "Alarm", "Band", "Box", "ByHand", "Derived", "Document", "EndedBatch", "Extreme", "Foreseen", "Gate",
    "Harvest", "Left", "ListedAlarm", "Mark", "Next", "Now", "OpenBatch", "Pending", "Place", "Probe",
    "Question", "Stage", "Step", "Units", "Weighing", "alarm_of",
]  # fmt: skip

T = TypeVar("T")
Entry = EndedBatch | ByHand | Mark | Weighing
"""What a person enters and can take back."""
UNDO_MS = 3_600_000
"""So long what was entered last is taken back unasked; later by its name."""


def _first(rows: Iterator[T]) -> T | None:
    return next(rows, None)


class Left(Struct, frozen=True):
    """Time until a limit by the forecast, only where that is sure and narrow.

    Attributes:
        s, early_s, late_s: seconds left, the middle and the ends of the likely range (8 in 10).
        in_10: how many cases in 10 pass it.
    """

    limit_c: float
    s: float
    early_s: float
    late_s: float
    in_10: int


class Harvest(Struct, frozen=True):
    """The schedule's harvest window. `by_forecast`: its opening was moved by the growth seen."""

    opens_t_ms: int | None
    closes_t_ms: int | None
    by_forecast: bool
    opens_utc: str | None = None
    closes_utc: str | None = None


class Foreseen(Forecast, frozen=True, kw_only=True):
    """The latest forecast of the open batch, thinned, with what hangs on the batch's own time.

    Attributes:
        made_t_ms: when it was made for. age_s: seconds since then.
        fresh: under 10 min old, and nobody worked on the koji since.
        calm_until_t_ms: no hand is needed until then, 9 in 10; None where not even the first step is so sure.
        left: time until each limit, where sure and narrow.
        calm: chance that no hand is needed, by each `quiet_in_h`.
        harvest: None where the schedule has no harvest or the hours are not known.
    """

    made_t_ms: int
    age_s: int
    fresh: bool
    calm_until_t_ms: int | None
    left: tuple[Left, ...]
    calm: tuple[float, ...]
    harvest: Harvest | None
    made_utc: str | None = None
    calm_until_utc: str | None = None


class Box(Struct, frozen=True):
    """One incubator.

    Attributes:
        schedule: that of the settings. trays: their names, from the top.
        kind, cover: what kind of box it is, and how the rice is covered (`model.BoxKind`, `model.Cover`).
        off_untold: why nobody would be told by the box's air that the box went off: `mat`, `no-air` or `room` (it never
            was well above the room); "" where it tells, and while no batch is open.
        warmth_untold: why it cannot be known whether the koji warms itself: `no-probe`, `by-hand`, `no-reading`,
            `drying` (it has stood far under the air), `box-warmer` (its box rose far lately, and it with it), or
            `heater` (what heats it is not measured).
        batch, stage: None while no batch is open. ended: None but for a day after a batch, until the
            next begins. next: None when nothing waits. question: None when none is open.
        forecast: None without one of this batch; over MQTT it has a topic of its own.
        cautions: what the schedule asks to take care of.
        heat_off: somebody said so, of this batch.
        tares: kg of the empty vessel that is taken off what is weighed, by stage (`batch.weigh`).
    """

    name: str
    label: str
    schedule: str = ""
    trays: tuple[str, ...] = ()
    batch: OpenBatch | None = None
    ended: EndedBatch | None = None
    stage: Stage | None = None
    places: tuple[Place, ...] = ()
    probes: tuple[Probe, ...] = ()
    by_hand: tuple[ByHand, ...] = ()
    derived: tuple[Derived, ...] = ()
    bands: tuple[Band, ...] = ()
    pending: tuple[Pending, ...] = ()
    steps: tuple[Step, ...] = ()
    next: Next | None = None
    question: Question | None = None
    forecast: Foreseen | None = None
    cautions: tuple[str, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    kind: str = "unknown"
    cover: str = "unknown"
    off_untold: str = ""
    warmth_untold: str = ""
    heat_off: bool = False
    tares: dict[str, float] = {}

    @property
    def batch_id(self) -> str:
        """Id of the open batch; "" while none is."""
        return self.batch.id if self.batch else ""

    def place(self, place: str, quantity: str = "temperature") -> Place | None:
        """What is measured of a place; None where nothing is."""
        return _first(row for row in self.places if (row.place, row.quantity) == (place, quantity))

    def ends(self, place: str, quantity: str = "temperature") -> tuple[Extreme, Extreme] | None:
        """Hottest and coldest of a place by all that says how it is: its probes, and what was read by hand in the last
        half hour; None where nothing does."""
        row = self.place(place, quantity)
        rows = (one for one in self.by_hand if (one.place, one.quantity) == (place, quantity))
        read = (Extreme("", one.tray, one.value, one.age_s, by_hand=True) for one in rows if one.fresh or one.unjudged)
        found = [*(row.ends if row and row.ends else ()), *read]
        return (max(found, key=lambda one: one.value), min(found, key=lambda one: one.value)) if found else None

    def band(self, place: str, quantity: str = "temperature") -> Band | None:
        """The limits in force for a place; None for none."""
        return _first(row for row in self.bands if (row.place, row.quantity) == (place, quantity))

    def step(self, name: str) -> Step | None:
        """A step by its name; None where the batch has none of it."""
        return _first(step for step in self.steps if step.name == name)

    @property
    def last_entry(self) -> Entry | None:
        """What was entered last and can be taken back, whatever time was given with it: the end of the last batch, what
        was read by hand, a weight, or a step's mark; None for nothing."""
        marks = [(mark.event, mark.mark, mark) for step in self.steps for mark in step.standing]
        last = self.batch or self.ended
        weighed = last.weighed if last else None
        found: list[tuple[int, int, Entry]] = [
            *marks, *((one.reading, 0, one) for one in self.by_hand if one.reading),
            *((one.event, 0, one) for one in (weighed,) if one),
        ]  # fmt: skip
        if self.ended is not None and all(self.ended.after >= event for event, *_ in found):
            return self.ended
        return max(found, key=lambda entry: entry[:2])[2] if found else None

    def ends_watch(self, entry: Entry | None, now_ms: int) -> bool:
        """Whether an entry is that the spores went on, long ago or with an alarm of the koji up: nobody takes that back
        in passing, for without it the koji is not watched."""
        zero = (mark for step in self.steps if step.work == "inoculate" for mark in step.standing)
        up = any(alarm.holds and alarm.key.startswith("limit/bed/") for alarm in self.alarms)
        return isinstance(entry, Mark) and entry in zero and (up or now_ms - entry.at_t_ms > UNDO_MS)


class Now(Struct, frozen=True):
    """The document's moment by the clock, whether that is to be trusted, and the person's zone."""

    utc: str = ""
    trusted: bool = False
    zone: str = "UTC"


class Units(Struct, frozen=True):
    """How the person of the settings is spoken to."""

    fahrenheit: bool = False
    pounds: bool = False


class Document(Struct, frozen=True):
    """The state document.

    Attributes:
        t_ms: its moment. pressure_hpa: of the air, by the altitude of the settings; None where that is not told.
        alarms: those of the whole site.
        now, units: as the engine leaves them until the door fills them in.
    """

    t_ms: int
    site: str = ""
    pressure_hpa: float | None = None
    incubators: tuple[Box, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    utc: str | None = None
    now: Now = Now()
    units: Units = Units()

    def box(self, name: str) -> Box | None:
        """An incubator by its name; None where there is none."""
        return _first(box for box in self.incubators if box.name == name)

    def listed(self) -> list[ListedAlarm]:
        """Every alarm with its incubator's name, the boxes' before the site's."""
        boxes = [("", self.alarms), *((box.name, box.alarms) for box in self.incubators)]
        return [listed_as(name, alarm) for name, alarms in (*boxes[1:], boxes[0]) for alarm in alarms]
