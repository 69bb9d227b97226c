"""One limit on one probe: on-delay, off-delay, deadband, so many samples in a row.

Rules: reaching the limit counts as beyond it; the deadband works on clearing only; both delays end on a sample, never
on the clock alone, so silence neither raises nor clears anything.
"""

from __future__ import annotations

from msgspec import Struct


class Threshold(Struct, frozen=True):
    """A limit ready to be judged.

    Attributes:
        limit, deadband: °C and K, or %.
        on_delay_ms, off_delay_ms: how long beyond, and how long back, in ms.
        min_samples: samples in a row that must be beyond, the delay apart.
        high: whether beyond means above.
    """

    limit: float
    high: bool
    on_delay_ms: int
    off_delay_ms: int
    deadband: float
    min_samples: int = 1

    def beyond(self, value: float) -> bool:
        """Whether the value is at or past the limit."""
        return value >= self.limit if self.high else value <= self.limit

    def back(self, value: float) -> bool:
        """Whether the value has come back past the deadband."""
        return value < self.limit - self.deadband if self.high else value > self.limit + self.deadband


class LevelState(Struct, frozen=True):
    """How far one limit has got. Times are engine ms, -1 for none.

    Attributes:
        since_ms: first sample of the present run beyond the limit.
        count: samples of that run.
        active: whether the limit is exceeded, delays served.
        back_ms: first sample of the present run back beyond the deadband, while active.
    """

    since_ms: int = -1
    count: int = 0
    active: bool = False
    back_ms: int = -1

    @property
    def idle(self) -> bool:
        """Whether nothing is pending and nothing is active."""
        return self.since_ms < 0 and not self.active


IDLE = LevelState()


def judge(level: LevelState, threshold: Threshold, value: float, t_ms: int, served_since_ms: int = -1) -> LevelState:
    """Takes one good sample into account.

    Args:
        level: where this limit stood.
        threshold: the limit in force now.
        value: the sample, °C or %.
        t_ms: its engine time.
        served_since_ms: where the daemon had been cut off: a value found beyond the limit at the first sample counts
            as beyond it since then (early rather than late); -1 otherwise.

    Returns:
        Where the limit stands now.
    """
    if level.active:
        return _judge_active(level, threshold, value, t_ms)
    if not threshold.beyond(value):
        return IDLE
    since_ms, count = (t_ms, 1) if level.since_ms < 0 else (level.since_ms, level.count + 1)
    if level.since_ms < 0 and served_since_ms >= 0:
        since_ms, count = served_since_ms, threshold.min_samples
    served = t_ms - since_ms >= threshold.on_delay_ms and count >= threshold.min_samples
    return LevelState(since_ms, count, served)


def _judge_active(level: LevelState, threshold: Threshold, value: float, t_ms: int) -> LevelState:
    if not threshold.back(value):
        return level if level.back_ms < 0 else LevelState(level.since_ms, level.count, True)
    back_ms = t_ms if level.back_ms < 0 else level.back_ms
    if t_ms - back_ms >= threshold.off_delay_ms:
        return IDLE
    return LevelState(level.since_ms, level.count, True, back_ms)
