"""The outbox seen as calls: one an occurrence of an alarm, those of one cause or of one chatter together. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from kojimon.alarms.bursts import CALM_MS, chatter_heads
from kojimon.model import Priority
from kojimon.notify.records import AlarmNow, Item

CAUSE_MS = 60_000
"""Alarms that begin within so long of the first of one cause are one call."""


@dataclass(slots=True)
class Call:
    """One occurrence of an alarm: what was said of it so far, and where it stands now."""

    name: str
    occurrence: int
    now: AlarmNow | None
    items: list[Item] = field(default_factory=list)
    over: Item | None = None
    chatter: bool = False

    @property
    def on_ms(self) -> int:
        """When it began to call, engine ms."""
        return self.first.event.t_ms

    @property
    def first(self) -> Item:
        """Its first message."""
        return self.items[0] if self.items else self.over  # type: ignore[return-value]

    @property
    def last(self) -> Item:
        """Its latest message that is not its end."""
        return self.items[-1] if self.items else self.first

    @property
    def wakes(self) -> bool:
        """Whether it may break sleep; of one that is over, whether it did."""
        if self.finished or self.now is None:
            return any(_wakes(item) for item in self.items)
        return bool(self.now.priority == Priority.WAKE)

    @property
    def test(self) -> bool:
        """Whether it is a test somebody asked for."""
        return self.first.alarm.test

    @property
    def finished(self) -> bool:
        """Whether its condition is over, or a later occurrence has taken its place."""
        return self.now is None or self.now.occurrence != self.occurrence or not self.now.active

    @property
    def unanswered(self) -> bool:
        """Whether it holds and nobody has answered it."""
        return not self.finished and self.now is not None and self.now.state == "UNACK"

    def calls_at(self, now_ms: int) -> bool:
        """Whether it calls at this moment: unanswered, and not set to be silent for a while."""
        return self.unanswered and self.now is not None and not now_ms < self.now.silent_until_ms

    @property
    def begun_ms(self) -> int:
        """Since when it has been unanswered, and of the priority it has now, without a break; engine ms."""
        begun = self.first
        for before, item in pairwise(self.items):
            if item.alarm.was != "UNACK" or _wakes(before) != _wakes(item):
                begun = item
        return begun.event.t_ms


def _wakes(item: Item) -> bool:
    return item.alarm.priority == Priority.WAKE


@dataclass(slots=True)
class Group:
    """Calls that are told as one: of one cause, first-out first, or of one alarm that chatters."""

    members: list[Call]
    chatter: bool = False

    @property
    def key(self) -> str:
        """Name of the group, the same as long as it lasts."""
        first = self.members[0]
        return f"{first.name}#{first.occurrence}"

    @property
    def ids(self) -> set[str]:
        """Ids of all its messages."""
        found = {item.message.id for member in self.members for item in member.items}
        return found | {member.over.message.id for member in self.members if member.over}

    def first_wake_ms(self) -> int | None:
        """When its first waking member began to call."""
        return min((member.on_ms for member in self.members if member.wakes), default=None)


def alarm_of(item: Item) -> str:
    """`INCUBATOR/KEY` of the alarm a message is about, "" where it is about none."""
    event = item.event
    return f"{event.incubator}/{event.key}" if event.kind == "alarm" else ""


def calls_of(items: Sequence[Item], alarms: Mapping[str, AlarmNow]) -> list[Call]:
    """The occurrences among the messages, in the order in which they began."""
    found: dict[tuple[str, int], Call] = {}
    for item in items:
        name = alarm_of(item)
        if not name:
            continue
        occurrence = item.alarm.occurrence
        call = found.setdefault((name, occurrence), Call(name, occurrence, alarms.get(name)))
        if item.message.id.endswith(".over"):
            call.over = item
        else:
            call.items.append(item)
    return list(found.values())


def latest(calls: Sequence[Call]) -> dict[str, int]:
    """Number of the latest occurrence of each alarm."""
    found: dict[str, int] = {}
    for call in calls:
        found[call.name] = max(call.occurrence, found.get(call.name, 0))
    return found


def groups_of(calls: Sequence[Call]) -> list[Group]:
    """Calls put together that are told as one."""
    chattering, heads = _chatter(calls)
    groups = [Group(members, True) for members in chattering]
    open_groups: dict[str, Group] = {}
    for call in calls:
        if (call.name, call.occurrence) in heads:
            continue
        group = _joins(call, open_groups)
        if group is None:
            group = Group([])
            groups.append(group)
        group.members.append(call)
        open_groups[call.name] = group
    return groups


def _chatter(calls: Sequence[Call]) -> tuple[list[list[Call]], set[tuple[str, int]]]:
    """Runs of one alarm from where it was found to chatter on, and which calls are in them."""
    by_name: dict[str, list[Call]] = {}
    for call in calls:
        by_name.setdefault(call.name, []).append(call)
    runs, taken = [], set()
    for own in by_name.values():
        heads = chatter_heads([call.on_ms for call in own])
        for head in sorted({head for head in heads if head >= 0}):
            run = [call for call, at in zip(own, heads, strict=True) if at == head]
            for call in run:
                call.chatter = True
            runs.append(run)
            taken |= {(call.name, call.occurrence) for call in run}
    return runs, taken


def calm_ms(group: Group) -> int:
    """When a chatter counts as over, if its alarm does not come again."""
    return max(call.on_ms for call in group.members) + CALM_MS


def _joins(call: Call, open_groups: Mapping[str, Group]) -> Group | None:
    """The group of the alarm that the engine named as the first of this cause, if this call belongs to it."""
    event = call.first.event
    first = call.first.alarm.first
    head = f"{event.incubator}/{first}"
    group = open_groups.get(head)
    if not first or head == call.name or group is None or call.test:
        return None
    wake_ms = group.first_wake_ms()
    since_ms = wake_ms if wake_ms is not None else group.members[0].on_ms
    late = call.on_ms - since_ms > CAUSE_MS
    if late and (wake_ms is not None or not call.wakes):
        return None
    return group if not late or any(member.unanswered for member in group.members) else None
