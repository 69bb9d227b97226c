"""What the engine knows and the judge of readings goes by. It holds until the next of its kind for the same thing."""

from __future__ import annotations

from msgspec import Struct


class LookCloser(Struct, frozen=True):
    """The probes of an incubator's koji may not be back in it since some work: until an engine time; one that is past
    ends it."""

    incubator: str
    since_ms: int
    until_ms: int


class Seated(Struct, frozen=True):
    """A probe is in another tray, and shows it from an engine time on."""

    probe: str
    tray: str
    settled_ms: int


class SelfWarming(Struct, frozen=True):
    """Whether the koji of an incubator warms itself: a probe in it is expected to move then."""

    incubator: str
    warmed: bool


class Calibrated(Struct, frozen=True):
    """A calibration was stored: pairs (raw, true) in °C or %, none takes an earlier one back; `date` ISO 8601, "" where
    unknown."""

    probe: str
    points: tuple[tuple[float, float], ...]
    date: str
    note: str
    t_ms: int

    def newer_than(self, date: str) -> bool:
        """Whether it counts before a calibration of that day, which stands in the settings."""
        return self.date >= date


Guidance = LookCloser | Seated | SelfWarming | Calibrated
