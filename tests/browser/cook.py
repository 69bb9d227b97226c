"""Hands for a daemon on a driven clock: hours go by in a moment, the probes say what a batch of ours would."""

from __future__ import annotations

import math

from tests.web.pages import Door

EVERY_S = 60.0
AT_ONCE = 10
"""Readings of a probe to one turn of the core: by the law of the split it comes to the same, in a part of the time."""


def koji_c(hour: float) -> float:
    """A bed that rests at 31 °C and warms itself from hour 16 on; 41 °C at hour 32."""
    return 31.0 + 10.0 * math.exp(-(((min(hour, 32.0) - 32.0) / 8.0) ** 2))


class Cook:
    """Drives the clock and feeds the probes. `offset_k` is added to the koji."""

    def __init__(self, door: Door) -> None:
        self.door, self.live = door, door.live
        self.hour, self.offset_k = 0.0, 0.0
        self.steps = 0

    @property
    def url(self) -> str:
        return self.door.origin

    def feed(self, hours: float = 0.0, every_s: float = EVERY_S) -> None:
        """Lets time pass with a reading of every probe each minute."""
        count = max(1, round(hours * 3600 / every_s))
        for number in range(1, count + 1):
            self.steps += 1
            # No probe says the same for hours; one that does is judged to be stuck.
            noise = 0.0625 * (self.steps % 5)
            bed = koji_c(self.hour) + self.offset_k + noise
            values = {"bed": bed, "bed-2": bed - 0.7, "bed-3": bed - 0.3, "air": 30.0 + noise, "room": 21.0 + noise,
                      "air-humidity": 85.0 + noise}  # fmt: skip
            for topic, value in values.items():
                self.live.put(f"k/{topic}", value)
            self.live.advance(every_s)
            if number % AT_ONCE == 0 or number == count:
                self.live.tick()
            self.hour += every_s / 3600

    def commit(self) -> None:
        self.live.commit()
