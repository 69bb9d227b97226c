"""What is told without waking: by day one by one, after sleep, a flood or an outage as one digest. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from kojimon.alarms.bursts import Flood
from kojimon.notify.calls import CAUSE_MS, Call, Group, calm_ms, latest
from kojimon.notify.records import FAILED, SENT, Channel, Item, Send
from kojimon.notify.times import Ledger, failures, retry_ms

FRESH_MS = 60_000
"""What has waited longer than this is told together with all else that waits."""
GATHER_MS = 300_000
"""The end of one member of a group waits so long for the ends of the others."""
STALE_MS = 86_400_000
"""A note that could not be told for a day is given up: its time is over."""
FOLD_MS = 600_000
"""In a flood one folded message is sent so often at most."""


class Entry(Struct, frozen=True):
    """Something to tell over a channel: its key, kind, message ids, events, and since when it is ready."""

    key: str
    kind: str
    messages: tuple[str, ...]
    events: tuple[int, ...]
    ready_ms: int
    night: bool = False
    """May be told at night: the end of something that woke, and a test."""


class Teller:
    """Works out what is told over each channel. `pending` afterwards holds the ids that still wait somewhere."""

    def __init__(self, ledger: Ledger, calls: Sequence[Call], groups: Sequence[Group], flood: Flood | None) -> None:
        self._ledger, self._groups, self._flood = ledger, groups, flood
        self._latest = latest(calls)
        self._waking = {item.message.id for call in calls if call.wakes or call.test for item in call.items}
        self.pending: set[str] = set()

    def sends(self, channel: Channel) -> list[Send]:
        """What is due over this channel now."""
        if channel.sounds:
            return []
        entries = [entry for group in self._groups for entry in self._of_group(group, channel)]
        if channel.tells and not channel.second:
            entries += self._notes(channel)
        if not entries:
            return []
        for entry in entries:
            self.pending |= set(entry.messages)
        return self._due(entries, channel)

    # -- what waits ------------------------------------------------------------------------------------------

    def _of_group(self, group: Group, channel: Channel) -> Iterator[Entry]:
        if any(member.name == f"/health/delivery:{channel.name}" for member in group.members):
            return
        yield from self._untold(group, channel)
        yield from self._ends(group, channel)

    def _untold(self, group: Group, channel: Channel) -> Iterator[Entry]:
        """Members that hold, do not wake, and have not been told of over this channel."""
        if not channel.tells or channel.second:
            return
        told = [m for m in group.members if m.unanswered and not m.wakes and not self._sent(m.last, channel)]
        if group.chatter and any(self._sent(member.first, channel) for member in group.members):
            # An alarm that comes and goes has been told of as such; its turns are not told one by one.
            return
        if not told:
            return
        ready_ms = min(member.last.event.t_ms for member in told)
        if any(self._sent(member.first, channel) for member in group.members if member not in told):
            # The first of a cause is told at once; those that follow it within a minute come together.
            ready_ms = max(ready_ms, group.members[0].on_ms + CAUSE_MS)
        shown = [member for member in group.members if member.unanswered]
        yield Entry(
            group.key, "told", tuple(item.message.id for member in told for item in member.items),
            tuple(member.last.event.no for member in shown), ready_ms, any(member.test for member in told),
        )  # fmt: skip

    def _sent(self, item: Item, channel: Channel) -> bool:
        return self._ledger.sent(item.message.id, channel.name)

    def _ends(self, group: Group, channel: Channel) -> Iterator[Entry]:
        over = [m for m in group.members if m.over and not m.over.settled and not self._sent(m.over, channel)]
        over = [m for m in over if not m.test and m.occurrence == self._latest[m.name]]
        over = [m for m in over if self._concerns(m, group, channel)]
        if not over:
            return
        ready_ms = self._ends_ready_ms(group, over)
        ids = [item.message.id for member in over for item in (*member.items, member.over) if item is not None]
        yield Entry(
            group.key, "over", tuple(ids), tuple(m.over.event.no for m in over if m.over), ready_ms,
            any(member.wakes for member in over),
        )  # fmt: skip

    def _ends_ready_ms(self, group: Group, over: list[Call]) -> int:
        first_ms = min(member.over.event.t_ms for member in over if member.over)
        if group.chatter:
            return calm_ms(group)
        if all(member.finished for member in group.members):
            return max(member.over.event.t_ms for member in over if member.over)
        return first_ms + GATHER_MS

    def _concerns(self, member: Call, group: Group, channel: Channel) -> bool:
        """Whether a channel has to tell the end: it told, or tried to tell, the beginning, or never came to it."""
        names = [item.message.id for one in group.members for item in one.items]
        tried = self._ledger.receipts(names, channel.name)
        usual = not channel.second and (channel.tells or member.wakes) and channel.joins_s == 0
        return bool(tried) or usual

    def _notes(self, channel: Channel) -> Iterator[Entry]:
        """Messages about no alarm: windows, gaps in our own running."""
        for item in self._ledger.situation.items:
            stale = self._ledger.now_ms - item.event.t_ms > STALE_MS
            if item.event.kind == "alarm" or item.settled or stale or self._sent(item, channel):
                continue
            self._ledger.soon(item.event.t_ms + STALE_MS + 1)
            yield Entry(item.message.id, "told", (item.message.id,), (item.event.no,), item.event.t_ms)

    # -- what is due ------------------------------------------------------------------------------------------

    def _due(self, entries: list[Entry], channel: Channel) -> list[Send]:
        ledger = self._ledger
        ready = []
        for entry in entries:
            if entry.ready_ms > ledger.now_ms:
                ledger.soon(entry.ready_ms)
            elif ledger.asleep(ledger.now_ms) and not entry.night:
                ledger.soon(ledger.morning_ms())
            else:
                ready.append(entry)
        free_ms = self._free_ms(channel)
        if ready and free_ms > ledger.now_ms:
            ledger.soon(free_ms)
            return []
        at_once = [_send(entry, channel) for entry in ready if entry.night]
        return at_once + self._folded([entry for entry in ready if not entry.night], channel)

    def _free_ms(self, channel: Channel) -> int:
        """After failures the whole channel waits, so that a service that is down is not hammered."""
        own = [one for one in self._ledger.situation.receipts if one.channel == channel.name]
        own = [one for one in own if one.message in self.pending and one.state in (SENT, FAILED)]
        failed = failures(sorted(own, key=lambda one: one.t_ms))
        return max(one.t_ms for one in own) + retry_ms(failed) if failed else 0

    def _folded(self, ready: list[Entry], channel: Channel) -> list[Send]:
        if not ready:
            return []
        if self._flood is not None:
            turn_ms = self._turn_ms(self._flood, channel)
            self._ledger.soon(turn_ms)
            return [self._fold(ready, channel)] if turn_ms <= self._ledger.now_ms else []
        waited = [entry for entry in ready if self._ledger.now_ms - entry.ready_ms > FRESH_MS]
        if len(ready) == 1 or not waited:
            return [_send(entry, channel) for entry in ready]
        return [self._fold(ready, channel)]

    def _turn_ms(self, flood: Flood, channel: Channel) -> int:
        """When a channel may tell again in a flood: once at its beginning and once in every ten minutes."""
        turn_ms = flood.begin_ms + (self._ledger.now_ms - flood.begin_ms) // FOLD_MS * FOLD_MS
        told = any(
            one.channel == channel.name and one.state == SENT and one.t_ms >= turn_ms
            for one in self._ledger.situation.receipts
            if one.message not in self._waking
        )
        return turn_ms + FOLD_MS if told else turn_ms

    def _fold(self, entries: list[Entry], channel: Channel) -> Send:
        kind = "digest" if self._flood is None else "flood"
        events = tuple(sorted({no for entry in entries for no in entry.events}))
        messages = tuple(dict.fromkeys(name for entry in entries for name in entry.messages))
        ready_ms = min(entry.ready_ms for entry in entries)
        return Send(f"{kind}-{events[0]}", channel.name, kind, messages, events, due_ms=ready_ms)


def _send(entry: Entry, channel: Channel) -> Send:
    return Send(entry.key, channel.name, entry.kind, entry.messages, entry.events, due_ms=entry.ready_ms)
