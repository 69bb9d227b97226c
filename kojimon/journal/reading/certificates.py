"""Calibrations that a person stored by the act `probe.calibrate`, as the journal has them."""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from kojimon.contract.events import Calibration
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event

MOST: Final = 10_000


class Certificate(Struct, frozen=True):
    """What was found about a probe.

    Attributes:
        points: pairs (raw, true) in °C or %; none takes an earlier certificate back.
        date: day of it, ISO 8601, "" where unknown.
        t_ms: engine time at which it was stored.
    """

    probe: str
    points: tuple[tuple[float, float], ...]
    date: str
    note: str
    t_ms: int

    def newer_than(self, date: str) -> bool:
        """Whether it counts before a calibration of that day, which stands in the settings."""
        return self.date >= date


def certificates(reader: Reader, until_ms: int | None = None) -> dict[str, Certificate]:
    """The last one of each probe, of those stored up to an engine time."""
    events = reader.events(kinds=("calibration",), limit=MOST)
    return {event.key: certificate_of(event) for event in events if until_ms is None or event.t_ms <= until_ms}


def certificate_of(event: Event) -> Certificate:
    """The certificate an event `calibration` states."""
    what = event.what
    if not isinstance(what, Calibration):
        return Certificate(event.key, (), "", "", event.t_ms)
    return Certificate(event.key, what.points, what.date, what.note, event.t_ms)
