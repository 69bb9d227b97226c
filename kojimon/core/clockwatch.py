"""Watches the wall clock for the core and says when it deserves an input: a step, a change of trust, each hour.

Nothing the engine decides hangs on the wall clock; these rows only tie engine time to UTC.
"""

from __future__ import annotations

from typing import NamedTuple

from kojimon.clock import Clock
from kojimon.contract import inputs
from kojimon.contract.inputs import Input

STEP_MS = 1_000
HOUR_MS = 3_600_000
LOOK_EVERY_MS = 1_000
APART_MS = 100
"""Two readings of boot time around one of the wall clock must lie this close, or the pair says nothing."""


class Sight(NamedTuple):
    """The two clocks at one instant."""

    boot_ms: int
    wall_ms: int
    trusted: bool

    @property
    def offset_ms(self) -> int:
        """Wall time minus boot time."""
        return self.wall_ms - self.boot_ms


class Guess(NamedTuple):
    """A gap before this boot whose length was guessed.

    Attributes:
        before_utc_ms: UTC of its beginning, trusted.
        taken_ms: what it was taken for.
        boot_ms: boot time at its end: the machine had been up so long, so it cannot have been shorter.
    """

    before_utc_ms: int
    taken_ms: int
    boot_ms: int


def sight(clock: Clock) -> Sight | None:
    """Reads both clocks together; None when the process was held up in between, each of three times."""
    for _ in range(3):
        boot_ms, wall_ms = clock.boot_ms(), clock.wall_ms()
        if clock.boot_ms() - boot_ms <= APART_MS:
            return Sight(boot_ms, wall_ms, clock.trusted())
    return None


class ClockWatch:
    """Compares what the clocks say with what they said before.

    Args:
        boot: number of this boot in the journal; boot_id: its name.
        first: the clocks when the `start` input was made.
        guess: the gap before this boot, where its length is not known yet.
    """

    def __init__(self, boot: int, boot_id: str, first: Sight, guess: Guess | None) -> None:
        self._boot, self._boot_id = boot, boot_id
        self._last, self._hour_boot_ms = first, first.boot_ms
        self._guess = guess

    @property
    def last(self) -> Sight:
        """The clocks at the last look."""
        return self._last

    def due(self, boot_ms: int) -> bool:
        """Whether a second has passed since the last look."""
        return boot_ms - self._last.boot_ms >= LOOK_EVERY_MS

    def look(self, now: Sight) -> list[Input]:
        """The inputs that this sight calls for, mostly none."""
        step_ms = now.offset_ms - self._last.offset_ms
        stepped = abs(step_ms) > STEP_MS
        turned = now.trusted != self._last.trusted
        hourly = now.boot_ms - self._hour_boot_ms >= HOUR_MS
        self._last = now
        if not (stepped or turned or hourly):
            return []
        self._hour_boot_ms = now.boot_ms
        return [self._clock(now, step_ms if stepped else 0), *self.anchor()]

    def _clock(self, now: Sight, step_ms: int) -> inputs.Clock:
        return inputs.Clock(
            boot=self._boot, boot_id=self._boot_id, boot_ms=now.boot_ms, wall_ms=now.wall_ms, trusted=now.trusted,
            step_ms=step_ms,
        )  # fmt: skip

    def anchor(self) -> list[Input]:
        """At the first trusted sight of a boot whose gap was a guess: by how much the guess was short."""
        now, guess = self._last, self._guess
        if not now.trusted or guess is None:
            return []
        self._guess = None
        gap_ms = max(guess.boot_ms, now.offset_ms + guess.boot_ms - guess.before_utc_ms)
        delta_ms = gap_ms - guess.taken_ms
        return [inputs.Anchor(boot=self._boot, delta_ms=delta_ms)] if abs(delta_ms) > STEP_MS else []
