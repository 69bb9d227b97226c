"""What the engine needs of the settings, as plain frozen data. It travels as the payload of a `settings` input."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from zlib import crc32

import msgspec
from msgspec import Struct

from kojimon.air import STANDARD_PRESSURE_PA
from kojimon.schedule.spec import Schedule

HAND_FRESH_MS: Final = 1_800_000
"""So long what was read by hand stands for how it is: fast koji gains 1 K and more in half an hour (home batches as
published: 0.6 to 2.7 K an hour)."""
READABLE: Final = (("bed", "temperature"), ("air", "temperature"), ("air", "humidity"), ("room", "temperature"))
"""What can be read by hand."""


class ProbeSetup(Struct, frozen=True):
    """One probe as the engine sees it.

    Attributes:
        no: its number for ever, below zero for a place that is read by hand; name: no other probe's, its alarms are
            found by it.
        stale_ms: after so long without a good reading it counts as silent.
        tolerance: how far it may be off (K or %), allowed at gates.
    """

    no: int
    name: str
    incubator: str
    place: str
    quantity: str
    tray: str = ""
    stale_ms: int = 90_000
    tolerance: float = 0.5

    @property
    def by_hand(self) -> bool:
        """Whether it is no probe at all but a place that somebody reads."""
        return self.no < 0


class IncubatorSetup(Struct, frozen=True, omit_defaults=True):
    """One incubator; `schedule` names the schedule a batch gets unless it asks for another.

    `kind` and `cover`: of the box (`model.BoxKind`, `model.Cover`).
    """

    name: str
    schedule: str
    label: str = ""
    trays: tuple[str, ...] = ()
    kind: str = "unknown"
    cover: str = "unknown"


class EngineSetup(Struct, frozen=True):
    """Everything the engine is told about the site.

    `wake_s`: from the call to the person's feet on the floor, None for the schedule's own response; `travel_s`: from
    there to the koji. `pressure_pa`: of the air, by the site's altitude.
    """

    site: str
    incubators: tuple[IncubatorSetup, ...] = ()
    probes: tuple[ProbeSetup, ...] = ()
    schedules: dict[str, Schedule] = {}
    wake_s: float | None = None
    travel_s: float = 0.0
    pressure_pa: float = STANDARD_PRESSURE_PA


def read_by_hand(setup: EngineSetup) -> Iterator[ProbeSetup]:
    """The places of every incubator that can be read by hand, each tray apart. Their numbers hang on nothing but their
    names, so that they outlast every change of the settings."""
    for box in setup.incubators:
        for place, quantity in READABLE:
            for tray in ("", *box.trays) if place == "bed" else ("",):
                name = "/".join(part for part in ("by hand", box.name, place, quantity, tray) if part)
                yield ProbeSetup(-1 - crc32(name.encode()), name, box.name, place, quantity, tray, HAND_FRESH_MS, 0.0)


def to_json(setup: EngineSetup) -> msgspec.Raw:
    """The setup as an input carries it."""
    return msgspec.Raw(msgspec.json.encode(setup))


def from_json(text: msgspec.Raw) -> EngineSetup:
    """The setup an input carries. Raises msgspec.DecodeError when it is none."""
    return msgspec.json.decode(text, type=EngineSetup)
