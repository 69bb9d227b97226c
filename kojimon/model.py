"""Records that pass between the parts. Frozen, plain, with units in their names.

Engine time `t_ms` is an int on the journal's own timeline (`clock.Timeline`); it never runs backwards and knows no
time zone. Wall time appears only as `utc_ms` (milliseconds since 1970-01-01 UTC) at the edges.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple

import msgspec
from msgspec import Struct

from kojimon.contract.events import Anchor, Fact, OfMark, Reading, ReadingUndone, StepUndone
from kojimon.contract.events import kind_of as fact_kind
from kojimon.contract.events import plain as plain_fact
from kojimon.contract.events import read as read_fact
from kojimon.contract.guidance import Guidance
from kojimon.contract.inputs import What, kind_of


class Quantity(StrEnum):
    """What a probe measures."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"


class Place(StrEnum):
    """Where a probe sits. `bed` is the koji itself; people read "the koji" or the tray's name."""

    BED = "bed"
    AIR = "air"
    ROOM = "room"
    WET_BULB = "wet-bulb"


class BoxKind(StrEnum):
    """How a box is heated: what its air says of it, and of the koji, hangs on that."""

    STILL = "still"
    FAN = "fan"
    HEAT_MAT = "heat-mat"
    OVEN_LIGHT = "oven-light"
    UNKNOWN = "unknown"


class Cover(StrEnum):
    """How the rice is covered."""

    OPEN = "open"
    CLOTH = "cloth"
    CLOTH_AND_PLASTIC = "cloth-and-plastic"
    UNKNOWN = "unknown"


class Priority(StrEnum):
    """What an alarm does to a sleeping person: gets them up, tells them by day, or only writes it down."""

    WAKE = "wake"
    TELL = "tell"
    LOG = "log"


class Quality(IntEnum):
    """The verdict on one reading. Only GOOD reaches bands, windows and the forecast; all are kept.

    Stored as its number, so a number is never given a new meaning.
    """

    GOOD = 0
    LATE = 1
    """Queued up somewhere and handed over later: true once, age unknown."""
    RETAINED = 2
    """A broker's last known value: age unknown."""
    UNREADABLE = 3
    """Something arrived and no number could be had from it."""
    SENTINEL = 4
    """A value the device sends instead of a measurement (85.0 at power-on, -127, -7999, NaN)."""
    RANGE = 5
    """Outside what the device can measure."""
    SPIKE = 6
    RATE = 7
    STUCK = 8
    PINNED = 9
    """Humidity held at 100 %: a wet sensor."""
    DRIFT = 10
    SWAPPED = 11
    OUT_OF_KOJI = 12
    UNCALIBRATED = 13
    LOST = 14
    """Its device is gone: the broker has published its last will."""
    SIGNED_OFF = 15
    """Its device has said that it leaves."""
    BY_HAND = 16
    """Read from a thermometer and told: true when it was read, and of no probe. Judged, but for what is dated back."""


class ReadingRow(NamedTuple):
    """One reading as the engine and the journal see it. A plain tuple in this order is accepted everywhere."""

    seq: int
    t_ms: int
    probe: int
    """The probe's number, which it keeps for ever."""
    value: float | None
    """Calibrated, in the unit of its quantity; None when nothing could be had."""
    quality: int


class InputRow(Struct, frozen=True):
    """Any other input of the engine: its place in the one order of all inputs, engine time, and what it is."""

    seq: int
    t_ms: int
    what: What

    @property
    def kind(self) -> str:
        """act, start, clock, anchor, settings, health, forecast, prior, duty, gap or stop."""
        return kind_of(self.what)


class Event(Struct, frozen=True):
    """Something that happened, as the engine states it. Never changed afterwards.

    Attributes:
        no: number of the event, counted by the engine from 1 without holes.
        t_ms: engine time at which it is true (a deadline's own time, or the sample's).
        incubator: name, or "" for the site as a whole.
        batch: id of the open batch, or "".
        key: what it is about: an alarm's key, a step's name, a probe's name.
        what: what is stated (`contract.events`).
        utc: the same moment in UTC (ISO 8601), as the engine leaves it until a door fills it in.
    """

    no: int
    t_ms: int
    incubator: str
    batch: str
    key: str
    what: Fact
    utc: str | None = None

    @property
    def kind(self) -> str:
        """`stage`, `step-open`, `step-done`, `alarm`, ..."""
        return fact_kind(self.what)


class PlainEvent(Struct, frozen=True, omit_defaults=True):
    """An event as JSON has it."""

    no: int
    t_ms: int
    kind: str
    incubator: str
    batch: str
    key: str
    data: Any
    utc: str | None = None


def plain_event(event: Event) -> PlainEvent:
    """The event as JSON has it."""
    data = plain_fact(event.what)
    return PlainEvent(event.no, event.t_ms, event.kind, event.incubator, event.batch, event.key, data, event.utc)


def typed_event(row: Mapping[str, Any]) -> Event:
    """The event from its JSON. Raises msgspec.ValidationError where it is none."""
    one = msgspec.convert(row, PlainEvent)
    what = read_fact(one.kind, msgspec.json.encode(one.data))
    return Event(one.no, one.t_ms, one.incubator, one.batch, one.key, what, one.utc)


class Reply(Struct, frozen=True):
    """What came of an act, once it is on the disk.

    Attributes:
        seq: number of its row.
        events: what the engine stated about it.
        repeated: its idempotency key was known, nothing was done again.
        recorded: False while storage fails and it counts in memory only.
    """

    seq: int
    events: tuple[Event, ...] = ()
    repeated: bool = False
    recorded: bool = True


def standing_readings(told: Iterable[Event]) -> list[Reading]:
    """What was read by hand by these events, but for what was taken back."""
    told = list(told)
    undone = {event.what.reading for event in told if isinstance(event.what, ReadingUndone)}
    return [what for event in told if isinstance(what := event.what, Reading) and event.no not in undone]


def standing_marks(events: Iterable[Event]) -> dict[int, tuple[str, int]]:
    """The marks of steps that stand after these events: of each number the step, and when it was done (engine ms)."""
    found: dict[int, tuple[str, int]] = {}
    for event in events:
        what = event.what
        if isinstance(what, OfMark):
            found.pop(what.mark, None)
            if not isinstance(what, StepUndone):
                found[what.mark] = (event.key, event.t_ms if what.at_ms is None else what.at_ms)
    return found


def anchors_of(events: Iterable[Event]) -> list[tuple[int, int]]:
    """The corrections of gaps among the events: (engine ms of the boot, ms it was longer than believed)."""
    return [(what.at_ms, what.delta_ms) for event in events if isinstance(what := event.what, Anchor)]


class Message(Struct, frozen=True):
    """Something to tell a person, written to the outbox in the transaction of its event.

    Attributes:
        id: the same for every copy of it: `ALARM_KEY#OCCURRENCE` plus a counter of re-alarms, or `event-NO`.
        event: number of the event that caused it.
        priority: what it may do to a sleeper.
    """

    id: str
    event: int
    priority: Priority


class Outcome(Struct, frozen=True):
    """What one `advance` brings forth, in order; `guidance` is what the judge of readings goes by from now on."""

    events: tuple[Event, ...] = ()
    messages: tuple[Message, ...] = ()
    guidance: tuple[Guidance, ...] = ()


class Arrival(NamedTuple):
    """Something a source handed over, untouched, stamped when it arrived.

    `payload` is bytes from a line or a message, or a float where a driver already gives a number.
    `receipt` is handed back to the source once the reading is on the disk; 0 where the source wants none.
    """

    source: str
    boot_ms: int
    topic: str
    payload: bytes | float
    retained: bool = False
    late: bool = False
    duplicate: bool = False
    receipt: int = 0


class Measured(NamedTuple):
    """One reading decoded, calibrated and judged, before it gets its number."""

    probe: int
    raw: float | None
    value: float | None
    quality: int
