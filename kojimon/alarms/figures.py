"""What the alarms of a batch came to: counts, rates, longest times, chatter, wakings. Pure; from the events alone.

Names after the alarm metrics of OPC 10000-9, 9.2 (AlarmCount, MaximumActiveState, MaximumUnAck, MaximumAlarmRate,
MaximumReAlarmCount, AverageAlarmRate), rates per 10 min as in ANSI/ISA-18.2. Tests of the alarm never count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from msgspec import Struct

from kojimon.alarms.bursts import chatter_heads
from kojimon.model import Event, Priority

SLOT_MS = 600_000


class Figures(Struct, frozen=True):
    """Figures of a stretch of time. Times in ms, shares from 0 to 1.

    Attributes:
        count: activations of all alarms. peak_per_slot, mean_per_slot: activations in 10 min, most and on average.
        longest_active_ms, longest_unseen_ms: of one occurrence. most_repeats: re-alarms of one occurrence.
        came_and_went: share of occurrences that were over before anybody answered.
        paused_ms: time spent on the shelf, all alarms added up.
        chattering: keys of alarms that came three times within a minute.
        wakings: calls that may break sleep, repeats left out.
    """

    count: int = 0
    peak_per_slot: int = 0
    mean_per_slot: float = 0.0
    longest_active_ms: int = 0
    longest_unseen_ms: int = 0
    most_repeats: int = 0
    came_and_went: float = 0.0
    paused_ms: int = 0
    chattering: tuple[str, ...] = ()
    wakings: int = 0


@dataclass(slots=True)
class _Life:
    """One occurrence as it is told by its events."""

    on_ms: int
    seen_ms: int = -1
    off_ms: int = -1
    repeats: int = 0
    unseen_end: bool = False


@dataclass(slots=True)
class _Tally:
    lives: dict[tuple[str, int], _Life] = field(default_factory=dict)
    ons: dict[str, list[int]] = field(default_factory=dict)
    shelves: dict[str, int] = field(default_factory=dict)
    paused_ms: int = 0
    wakings: int = 0

    def take(self, event: Event) -> None:
        data, name = event.data, f"{event.incubator}/{event.key}"
        signal, number = str(data.get("event")), int(data.get("occurrence") or 0)
        if signal == "on":
            self.lives[name, number] = _Life(event.t_ms)
            self.ons.setdefault(name, []).append(event.t_ms)
        if data.get("to") == "UNACK" and signal != "re" and data.get("priority") == Priority.WAKE:
            self.wakings += 1
        if data.get("to") == "SHLVD":
            self.shelves.setdefault(name, event.t_ms)
        elif name in self.shelves:
            self.paused_ms += event.t_ms - self.shelves.pop(name)
        life = self.lives.get((name, number))
        if life is not None:
            self._live(life, event, signal)

    def _live(self, life: _Life, event: Event, signal: str) -> None:
        life.repeats += signal == "re"
        if signal == "ack" and life.seen_ms < 0:
            life.seen_ms = event.t_ms
        if signal == "off":
            life.off_ms = event.t_ms
            life.unseen_end = event.data.get("to") in ("RTNUN", "LATCH-UNACK")


def figures(events: Iterable[Event], from_ms: int, to_ms: int) -> Figures:
    """The figures of the `alarm` events of a batch.

    Args:
        events: in order; others than alarms are passed over.
        from_ms, to_ms: begin and end of the batch, engine ms.
    """
    tally = _Tally()
    for event in events:
        if event.kind == "alarm" and not event.data.get("test") and event.key != "test":
            tally.take(event)
    tally.paused_ms += sum(to_ms - since_ms for since_ms in tally.shelves.values())
    lives = list(tally.lives.values())
    if not lives:
        return Figures(paused_ms=tally.paused_ms)
    times = sorted(life.on_ms for life in lives)
    return Figures(
        count=len(lives),
        peak_per_slot=_peak(times),
        mean_per_slot=len(lives) * SLOT_MS / max(SLOT_MS, to_ms - from_ms),
        longest_active_ms=max((life.off_ms if life.off_ms >= 0 else to_ms) - life.on_ms for life in lives),
        longest_unseen_ms=max((life.seen_ms if life.seen_ms >= 0 else to_ms) - life.on_ms for life in lives),
        most_repeats=max(life.repeats for life in lives),
        came_and_went=sum(life.unseen_end for life in lives) / len(lives),
        paused_ms=tally.paused_ms,
        chattering=tuple(sorted(name for name, ons in tally.ons.items() if max(chatter_heads(ons)) >= 0)),
        wakings=tally.wakings,
    )


def _peak(times_ms: Sequence[int]) -> int:
    """Most activations within any 10 minutes."""
    return max(sum(t_ms - SLOT_MS < other <= t_ms for other in times_ms) for t_ms in times_ms)
