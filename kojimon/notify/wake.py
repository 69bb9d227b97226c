"""The call that wakes: at once, again every two minutes (of cold koji alone every 20 after half an hour), over more
channels and louder, until answered. Pure."""

from __future__ import annotations

from kojimon.contract import keys
from kojimon.notify.calls import CAUSE_MS, Call, Group
from kojimon.notify.records import SENT, Channel, Send
from kojimon.notify.times import Ledger, failures, repeat_ms, repeats, retry_ms

ALONE_MS = 60_000
"""Without one success for so long every channel joins in (the second person's left out)."""


def wake_sends(ledger: Ledger, group: Group, channel: Channel) -> list[Send]:
    """The call of a group over a channel, where it is due now."""
    callers = [member for member in group.members if member.wakes and member.calls_at(ledger.now_ms)]
    for member in group.members:
        if member.now is not None and member.unanswered:
            ledger.soon(member.now.silent_until_ms)
    if not callers:
        return []
    begun_ms = min(member.begun_ms for member in callers)
    told = [member for member in group.members if not member.finished] if not group.chatter else callers
    slow = all(member.last.event.key == str(keys.COLD_KOJI) for member in told)
    due_ms, kind = _due(ledger, group, channel, callers, begun_ms, slow)
    if due_ms > ledger.now_ms:
        ledger.soon(due_ms)
        return []
    head = max(callers, key=lambda member: member.last.event.t_ms) if kind == "worse" else callers[0]
    order = [head, *(member for member in told if member is not head)]
    # Where the group's first is no caller any more the key stays: the phone's entry is renewed, not doubled.
    return [
        Send(
            group.key, channel.name, kind, tuple(item.message.id for member in told for item in member.items),
            tuple(member.last.event.no for member in order), True, repeats(due_ms - begun_ms, slow), due_ms,
        )
    ]  # fmt: skip


def _due(
    ledger: Ledger, group: Group, channel: Channel, callers: list[Call], begun_ms: int, slow: bool
) -> tuple[int, str]:  # fmt: skip
    tries = ledger.receipts(group.ids, channel.name, begun_ms)
    if not tries:
        return _join_ms(ledger, group, channel, begun_ms), "call"
    failed = failures(tries)
    last_ms = tries[-1].t_ms
    if failed:
        again = any(one.state == SENT for one in tries)
        return last_ms + retry_ms(failed), "again" if again else "call"
    news = [member for member in callers if _news(ledger, member, channel)]
    worse = [member for member in news if member.last.alarm.event == "up"]
    if worse:
        return max(last_ms, *(member.last.event.t_ms for member in worse)), "worse"
    anew = [member.last.event.t_ms for member in callers if member.last.event.t_ms > last_ms]
    if any(t_ms in anew for t_ms in _repeats_ms(callers)):
        # The engine calls again, at the end of a silence for one: not only at the next two minutes.
        return min(anew), "again"
    grid_ms = begun_ms + repeat_ms(repeats(last_ms - begun_ms, slow) + 1, slow)
    update_ms = begun_ms + CAUSE_MS
    untold = any(_news(ledger, member, channel) for member in group.members if not member.finished)
    if untold and not group.chatter and not channel.sounds:
        return min(max(update_ms, last_ms), grid_ms), "update"
    return (grid_ms, "again") if channel.repeats else (NEVER_MS, "again")


NEVER_MS = 1 << 62


def _repeats_ms(callers: list[Call]) -> list[int]:
    return [member.last.event.t_ms for member in callers if member.last.alarm.event == "re"]


def _news(ledger: Ledger, member: Call, channel: Channel) -> bool:
    """Whether the channel has not yet told the member's latest state; a mere repeat is no news."""
    fresh = [item for item in member.items if item is member.first or item.alarm.event == "up"]
    return any(not ledger.sent(item.message.id, channel.name) for item in fresh)


def _join_ms(ledger: Ledger, group: Group, channel: Channel, begun_ms: int) -> int:
    join_ms = begun_ms + round(channel.joins_s * 1000)
    alone_ms = begun_ms + ALONE_MS
    if channel.second or join_ms <= alone_ms or ledger.sent_anywhere(group.ids, begun_ms):
        return join_ms
    return alone_ms
