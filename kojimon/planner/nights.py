"""Hours of sleep, on the clock that never jumps. Pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import accumulate
from typing import Final
from zoneinfo import ZoneInfo

from msgspec import Struct

from kojimon.settings.spec import Person

CELL_MIN: Final = 5
"""Sleep is known to five minutes."""
AHEAD_D: Final = 10
"""How far a night is looked up: longer than from washing to the harvest of any schedule."""


class Sleep(Struct, frozen=True):
    """Hours of sleep as minutes of the local day, which may cross midnight."""

    from_min: int
    to_min: int

    def holds(self, minute: int) -> bool:
        """Whether a minute of the day lies in them."""
        if self.from_min <= self.to_min:
            return self.from_min <= minute < self.to_min
        return minute >= self.from_min or minute < self.to_min


def sleep_of(person: Person) -> Sleep:
    """When the person sleeps."""
    return Sleep(*(int(at[:2]) * 60 + int(at[3:]) for at in (person.sleep_from, person.sleep_to)))


class Nights:
    """The hours of sleep of some days, on the clock that never jumps: minutes after `start`."""

    def __init__(self, sleep: Sleep, start: datetime) -> None:
        self.start = start.astimezone(UTC)
        self._zone = start.tzinfo
        cells = (self.local(cell * CELL_MIN) for cell in range(AHEAD_D * 1440 // CELL_MIN))
        asleep = [sleep.holds(at.hour * 60 + at.minute) for at in cells]
        self._sums = list(accumulate(asleep, initial=0))

    def local(self, minute: float) -> datetime:
        """Local time of a minute."""
        return (self.start + timedelta(minutes=minute)).astimezone(self._zone)

    def asleep_min(self, begins: float, ends: float) -> float:
        """How much of a span is slept through, min; a span without length counts as five."""
        first, last = int(begins // CELL_MIN), int(max(ends, begins + 1) // -CELL_MIN * -1)
        return CELL_MIN * (self._sums[min(last, len(self._sums) - 1)] - self._sums[max(0, first)])


def zoned(local: datetime, zone: str) -> datetime:
    """A local wall time with its zone (IANA name)."""
    return local.replace(tzinfo=ZoneInfo(zone))
