"""What to tell, to whom, over which channel, and when. Pure: every moment comes in with the situation.

A call that wakes goes out at once, then every two minutes over more channels and louder, until somebody answers or it
is over: escalation by channel and loudness, never by waiting. What is told by day waits for the end of sleep and then
comes as one digest. Failed attempts are repeated with growing delays, without end while there is something to tell.
Nothing is dropped: a message is folded into another one, or it is told.
"""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.alarms.bursts import FLOOD_MS, FLOOD_UNDER, Flood, floods
from kojimon.notify.calls import Call, Group, calls_of, groups_of
from kojimon.notify.records import Plan, Send, Situation
from kojimon.notify.tell import Teller
from kojimon.notify.times import Ledger
from kojimon.notify.wake import wake_sends


def plan(situation: Situation) -> Plan:
    """What is to be sent now, when to ask again, and of what nobody has to be told any more."""
    ledger = Ledger(situation)
    calls = calls_of(situation.items, situation.alarms)
    groups = groups_of(calls)
    sends: list[Send] = []
    for group in groups:
        for channel in situation.channels:
            sends += wake_sends(ledger, group, channel)
    teller = Teller(ledger, calls, groups, _flood(ledger, calls))
    for channel in situation.channels:
        sends += teller.sends(channel)
    order = sorted(sends, key=lambda send: (not send.urgent, send.due_ms, send.events[:1]))
    return Plan(tuple(order), ledger.next_ms, tuple(_settled(ledger, calls, teller)), tuple(_calling(ledger, groups)))


def _flood(ledger: Ledger, calls: Iterable[Call]) -> Flood | None:
    """The flood of alarms that goes on now, if one does; asks again when it may end."""
    times = sorted(call.on_ms for call in calls if not call.test)
    found = floods(times, ledger.now_ms)
    if not found or found[-1].end_ms >= 0:
        return None
    ledger.soon(times[-FLOOD_UNDER] + FLOOD_MS)
    return found[-1]


def _calling(ledger: Ledger, groups: Iterable[Group]) -> Iterable[str]:
    for group in groups:
        if any(member.wakes and member.calls_at(ledger.now_ms) for member in group.members):
            yield group.key


def _settled(ledger: Ledger, calls: Iterable[Call], teller: Teller) -> Iterable[str]:
    """Messages not settled yet of which nothing is pending anywhere and whose occurrence is over."""
    lasting = {item.message.id for call in calls if not call.finished for item in call.items}
    for item in ledger.situation.items:
        name = item.message.id
        if not item.settled and name not in lasting and name not in teller.pending:
            yield name
