"""Engine time to time that really passed since hour 0: what a gap turned out longer than believed is added. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from kojimon.curve.sheet import Seam
from kojimon.journal.stamps import Stamps
from kojimon.model import Event, anchors_of

HOUR_MS: Final = 3_600_000


class Hours:
    """The axis of one batch.

    Args:
        zero_ms: engine time of hour 0.
        anchors: (engine time of a boot's first moment, how much longer the gap before it was), as `anchor` events say.
    """

    def __init__(self, zero_ms: int, anchors: Sequence[tuple[int, int]] = ()) -> None:
        self.zero_ms, self.anchors = zero_ms, tuple(sorted(anchors))

    @classmethod
    def of(cls, zero_ms: int, events: Sequence[Event]) -> Hours:
        """The axis with the anchors that `anchor` events state."""
        return cls(zero_ms, anchors_of(events))

    def ms(self, t_ms: int) -> int:
        """ms since hour 0; negative before it."""
        passed = t_ms - self.zero_ms
        for at_ms, delta_ms in self.anchors:
            if self.zero_ms < at_ms <= t_ms:
                passed += delta_ms
            elif t_ms < at_ms <= self.zero_ms:
                passed -= delta_ms
        return passed

    def hour(self, t_ms: int) -> float:
        """The same in hours."""
        return self.ms(t_ms) / HOUR_MS

    def seams(self, stamps: Stamps, from_t_ms: int, to_t_ms: int) -> tuple[tuple[Seam, ...], bool]:
        """Wall time along the axis, and whether all of it is to be trusted."""
        starts = [from_t_ms]
        starts += [part.from_t_ms for part in stamps.within(from_t_ms, to_t_ms + 1) if part.from_t_ms > from_t_ms]
        starts += [at_ms for at_ms, _ in self.anchors if from_t_ms < at_ms <= to_t_ms]
        if not stamps.segments:
            return (), False
        found = {t_ms: stamps.utc_ms(t_ms) for t_ms in sorted(set(starts))}
        seams = tuple(Seam(self.hour(t_ms), utc_ms) for t_ms, (utc_ms, _) in found.items())
        return seams, all(trusted for _, trusted in found.values())
