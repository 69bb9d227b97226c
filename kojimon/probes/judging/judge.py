"""The verdict on each reading as it comes, from what the probe and its neighbours did before.

Live tests must decide at once, where the published ones (`published`) may look at the next value first. So a reading
that departs further than its place allows is a spike until two more agree with it: then it was a real step. What
takes minutes to see - stuck, pinned, drift - is looked at once a minute and stands until it has passed. Everything is
a function of the readings and their engine time; nothing here reads a clock.
"""

from __future__ import annotations

from collections import deque
from typing import Final, NamedTuple

from kojimon.model import Quality, Quantity
from kojimon.probes.judging.limits import Limits
from kojimon.settings.spec import Probe

GOOD, SPIKE, RATE = int(Quality.GOOD), int(Quality.SPIKE), int(Quality.RATE)
PINNED: Final = int(Quality.PINNED)

MINUTE_MS: Final = 60_000
GAP_MS: Final = 600_000
GAP_PERIODS: Final = 3
"""After a gap of ten minutes, or of three periods of a slow probe, nothing is known of the step across it, and the
first reading is believed."""
AGREEING: Final = 3
"""So many departing readings in a row that agree with each other are a real step."""
KEPT_MINUTES: Final = 240
PINNED_PCT: Final = 99.5
UNPINNED_PCT: Final = 97.0
"""A wet element reads 100 and comes down only as it dries (data sheets of SHT3x and SHT4x on condensation)."""
STEP_UNKNOWN: Final = 0.1
MOVED_K: Final = 25.0
"""On its way to another tray a probe steps no further between two readings: from the hottest koji into a cool room."""


class Minute(NamedTuple):
    """One reading a minute, kept for the slow tests."""

    t_ms: int
    raw: float
    value: float


class Watch:
    """What is known of one probe.

    Attributes:
        standing: the verdict of the slow tests, which holds for every reading until it is lifted.
        minutes: one reading a minute, the last four hours at most.
        flat_ms: since when the raw value has not changed.
        step: the smallest change seen: the probe's resolution.
        tray: where it is, the tray of the settings unless it was moved.
    """

    def __init__(self, probe: Probe, limits: Limits) -> None:
        self.probe, self._limits = probe, limits
        self.group: Neighbours | None = None
        self.minutes: deque[Minute] = deque(maxlen=KEPT_MINUTES)
        self.standing = GOOD
        self.step = float("inf")
        self._last = self._candidate = 0.0
        self._gap_ms = max(GAP_MS, round(1000 * GAP_PERIODS * probe.expect_every_s))
        self._last_ms = self._next_ms = self._run_ms = -self._gap_ms - 1
        self.flat_ms = 0
        self._pinned_ms: int | None = None
        self._run = 0
        self._stepped = False
        self.tray, self._settled_ms = probe.tray, self._last_ms

    @property
    def limits(self) -> Limits:
        """The thresholds in force."""
        return self._limits

    @property
    def is_moved(self) -> bool:
        """Whether it is in another tray than the settings say."""
        return self.tray != self.probe.tray

    def move(self, tray: str, settled_ms: int) -> None:
        """Takes that the probe is in another tray: what it showed before says nothing of what it will show there.

        Until settled_ms (engine time) no step is a fault but one that no move explains, and its minutes are not kept:
        they are those of the way. Range and sentinels are judged as always, and so is silence.
        """
        self.tray, self._settled_ms = tray, settled_ms
        self._run, self._stepped, self.standing = 0, False, GOOD
        self.minutes.clear()
        if self.group is not None:
            self.group.moved(self)

    @property
    def last_ms(self) -> int:
        """Engine time of the last believed reading."""
        return self._last_ms

    def judge(self, t_ms: int, raw: float, value: float) -> int:
        """The verdict on a reading that is sound by itself.

        Args:
            t_ms: engine time of the reading.
            raw: in °C or % before calibration.
            value: calibrated.
        """
        since_ms = t_ms - self._last_ms
        if since_ms > self._gap_ms:
            self._begin(t_ms, raw)
        else:
            jump = abs(raw - self._last)
            spike = self._limits.spike if t_ms >= self._settled_ms else max(self._limits.spike, MOVED_K)
            if jump > spike and self._departs(t_ms, raw, jump, since_ms):
                return SPIKE
            self._run = 0
            if jump:
                self.flat_ms = t_ms
                self.step = min(self.step, jump)
        self._last, self._last_ms = raw, t_ms
        if t_ms >= self._next_ms:
            self._minute(t_ms, raw, value)
        return self.standing

    def _begin(self, t_ms: int, raw: float) -> None:
        self._last, self._last_ms, self._next_ms = raw, t_ms, t_ms
        self.flat_ms, self._pinned_ms, self._run = t_ms, None, 0
        self.minutes.clear()

    def _allowed(self, since_ms: int) -> float:
        return self._limits.spike + self._limits.rate_per_min * min(1.0, since_ms / MINUTE_MS)

    def _departs(self, t_ms: int, raw: float, jump: float, since_ms: int) -> bool:
        """Whether a reading far from the last believed one is to be kept apart."""
        if jump <= self._allowed(since_ms):
            return False
        agrees = self._run and abs(raw - self._candidate) <= self._allowed(t_ms - self._run_ms)
        self._run = self._run + 1 if agrees else 1
        self._candidate, self._run_ms = raw, t_ms
        if self._run < AGREEING:
            return True
        self._next_ms, self._stepped = t_ms, True
        return False

    def _minute(self, t_ms: int, raw: float, value: float) -> None:
        self._next_ms = t_ms + MINUTE_MS
        if t_ms < self._settled_ms:
            return
        before = self.minutes[-1] if self.minutes else None
        self.minutes.append(Minute(t_ms, raw, value))
        stepped, self._stepped = self._stepped, False
        if (
            before
            and not stepped
            and abs(raw - before.raw) * MINUTE_MS > self._limits.rate_per_min * (t_ms - before.t_ms)
        ):
            self.standing = RATE
        elif self._is_pinned(t_ms, raw):
            self.standing = PINNED
        elif self.group is not None:
            self.standing = self.group.verdict(self, t_ms)
        else:
            self.standing = GOOD

    def _is_pinned(self, t_ms: int, raw: float) -> bool:
        if self.probe.quantity != Quantity.HUMIDITY or not self._limits.pinned_s:
            return False
        if raw >= PINNED_PCT:
            self._pinned_ms = t_ms if self._pinned_ms is None else self._pinned_ms
        elif raw < UNPINNED_PCT:
            self._pinned_ms = None
        return self._pinned_ms is not None and t_ms - self._pinned_ms >= self._limits.pinned_s * 1000

    def moved(self, since_ms: int) -> float:
        """How far the raw value has ranged since a time, by its one reading a minute."""
        raws = [minute.raw for minute in reversed(self.minutes) if minute.t_ms >= since_ms]
        return max(raws) - min(raws) if raws else 0.0


class Neighbours:
    """What is judged by comparison: filled in by `neighbours`."""

    def verdict(self, watch: Watch, t_ms: int) -> int:
        """GOOD, STUCK or DRIFT for a probe, asked once a minute."""
        raise NotImplementedError

    def moved(self, watch: Watch) -> None:
        """Takes that a probe sits elsewhere from now on."""
