"""What the alarms of a batch came to, by the measures of the standards. Pure.

AlarmCount, MaximumActiveState, MaximumUnAck, MaximumAlarmRate, AverageAlarmRate, MaximumReAlarmCount: OPC 10000-9,
alarm metrics; the rate is taken over 10 min (ANSI/ISA-18.2 and IEC 62682 count so). Chattering: three activations of
one alarm within a minute (`alarms.bursts`). Times are engine ms; durations count gaps as believed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence

from msgspec import Struct
from msgspec.structs import replace

from kojimon.alarms.bursts import chatter_heads
from kojimon.contract.events import AlarmChange
from kojimon.model import Event

RATE_MS = 600_000
CALLING = ("on", "up", "re", "unshelve", "unsup", "inserv")


class Occurrence(Struct, frozen=True):
    """One occurrence of one alarm that called somebody.

    Attributes:
        first: what was stated at its first call.
        on_ms, called_ms: when its condition began to hold and when it first called.
        off_ms, ack_ms: None while it held and was not answered.
        wakings: how often it got somebody up.
        unseen: it came and went before anybody answered.
    """

    incubator: str
    key: str
    number: int
    priority: str
    first: AlarmChange
    on_ms: int
    called_ms: int
    off_ms: int | None = None
    ack_ms: int | None = None
    calls: int = 1
    wakings: int = 0
    unseen: bool = False

    @property
    def name(self) -> str:
        """Incubator and key."""
        return f"{self.incubator}/{self.key}"


class AlarmFigures(Struct, frozen=True):
    """The measures; durations in ms, rates in activations per 10 min.

    Attributes:
        count: occurrences that called somebody.
        wakings: how often somebody was got up; woken: by how many occurrences.
        chattering: names of alarms that chattered.
        shelved_ms: time alarms stood paused, added up.
    """

    count: int
    wakings: int
    woken: int
    peak_rate: int
    mean_rate: float
    longest_active: tuple[int, Occurrence] | None
    longest_unacknowledged: tuple[int, Occurrence] | None
    most_recalls: tuple[int, Occurrence] | None
    unseen: int
    chattering: tuple[str, ...]
    shelved_ms: int
    occurrences: tuple[Occurrence, ...]


def occurrences(events: Iterable[Event]) -> list[Occurrence]:
    """Every occurrence that called somebody, in the order of its first call; test alarms, and those that hung on a
    reading which was taken back, are left out."""
    found: dict[tuple[str, str, int], Occurrence] = {}
    began: dict[tuple[str, str, int], int] = {}
    for event in events:
        what = event.what
        if not isinstance(what, AlarmChange) or what.test or event.key == "test":
            continue
        name = (event.incubator, event.key, what.occurrence)
        if what.event == "on":
            began.setdefault(name, event.t_ms)
        if what.to == "UNACK" and what.event in CALLING and what.priority != "log":
            found[name] = _called(found.get(name), event.t_ms, what, name, began.get(name, event.t_ms))
        elif what.event == "off" and what.ended == "undone":
            found.pop(name, None)
        elif name in found:
            found[name] = _went_on(found[name], event.t_ms, what)
    return list(found.values())


def _called(
    old: Occurrence | None, t_ms: int, what: AlarmChange, name: tuple[str, str, int], on_ms: int
) -> Occurrence:
    priority, wakes = what.priority, int(what.priority == "wake")
    if old is None:
        return Occurrence(*name, priority, what, on_ms, t_ms, wakings=wakes)
    priority = "wake" if "wake" in (old.priority, priority) else priority
    return replace(old, priority=priority, calls=old.calls + 1, wakings=old.wakings + wakes)


def _went_on(old: Occurrence, t_ms: int, what: AlarmChange) -> Occurrence:
    if what.event == "ack" and old.ack_ms is None:
        return replace(old, ack_ms=t_ms)
    if what.event != "off":
        return old
    return replace(old, off_ms=t_ms, unseen=old.unseen or (old.ack_ms is None and what.to in ("RTNUN", "LATCH-UNACK")))


def alarm_figures(events: Sequence[Event], from_ms: int, to_ms: int) -> AlarmFigures:
    """The measures over a stretch of engine time."""
    found = occurrences(events)
    calls = sorted(one.called_ms for one in found)
    active = [((to_ms if one.off_ms is None else one.off_ms) - one.on_ms, one) for one in found]
    waited = [((to_ms if one.ack_ms is None else one.ack_ms) - one.called_ms, one) for one in found]
    recalled = [(one.calls - 1, one) for one in found if one.calls > 1]
    windows = max(1.0, (to_ms - from_ms) / RATE_MS)
    return AlarmFigures(
        count=len(found),
        wakings=sum(one.wakings for one in found),
        woken=sum(one.wakings > 0 for one in found),
        peak_rate=peak_rate(calls),
        mean_rate=len(found) / windows,
        longest_active=max(active, key=lambda pair: pair[0], default=None),
        longest_unacknowledged=max(waited, key=lambda pair: pair[0], default=None),
        most_recalls=max(recalled, key=lambda pair: pair[0], default=None),
        unseen=sum(one.unseen for one in found),
        chattering=tuple(_chattering(found)),
        shelved_ms=_shelved_ms(events, to_ms),
        occurrences=tuple(found),
    )


def peak_rate(times_ms: Sequence[int]) -> int:
    """Most activations in any 10 min: (t - 10 min, t]."""
    return max((index + 1 - bisect_right(times_ms, t - RATE_MS) for index, t in enumerate(times_ms)), default=0)


def _chattering(found: Sequence[Occurrence]) -> Iterable[str]:
    for name in dict.fromkeys(one.name for one in found):
        times = sorted(one.called_ms for one in found if one.name == name)
        if any(head >= 0 for head in chatter_heads(times)):
            yield name


def _shelved_ms(events: Iterable[Event], to_ms: int) -> int:
    since: dict[str, int] = {}
    total = 0
    for event in events:
        if not isinstance(event.what, AlarmChange):
            continue
        name, shelved = f"{event.incubator}/{event.key}", event.what.to == "SHLVD"
        if shelved and name not in since:
            since[name] = event.t_ms
        elif not shelved and name in since:
            total += event.t_ms - since.pop(name)
    return total + sum(to_ms - began for began in since.values())
