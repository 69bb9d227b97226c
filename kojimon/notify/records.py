"""Records of delivery: what waits to be told, over what, and what is to be sent now. Times are engine ms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from msgspec import Struct

from kojimon.contract.events import AlarmChange
from kojimon.journal.records import Delivery
from kojimon.model import Event, Message
from kojimon.settings.spec import Person

SENT, FAILED, GIVEN_UP = "sent", "failed", "given-up"


class Channel(Struct, frozen=True):
    """One way to reach a person, as the plan sees it.

    Attributes:
        name: as in the settings.
        tells: carries what is told by day as well as what wakes.
        joins_s: so long after the first call of an unanswered alarm it joins in.
        second: reaches another person, who is called only when the first does not answer.
        repeats: is used again every two minutes until somebody answers.
        sounds: a loudspeaker: it only calls, it says nothing.
    """

    name: str
    tells: bool = True
    joins_s: float = 0.0
    second: bool = False
    repeats: bool = True
    sounds: bool = False


class AlarmNow(Protocol):
    """Where an alarm stands at this moment: what is needed of the engine's record of it."""

    @property
    def state(self) -> Any: ...
    @property
    def occurrence(self) -> int: ...
    @property
    def active(self) -> bool: ...
    @property
    def priority(self) -> Any: ...
    @property
    def silent_until_ms(self) -> int: ...


class Item(Struct, frozen=True):
    """A message of the outbox with its event. `settled`: nobody has to be told any more; kept for what follows."""

    message: Message
    event: Event
    settled: bool = False

    @property
    def alarm(self) -> AlarmChange:
        """What its event says of an alarm; of something else, nothing."""
        return self.event.what if isinstance(self.event.what, AlarmChange) else AlarmChange()


class Situation(Struct, frozen=True):
    """All the plan hangs on.

    Attributes:
        now_ms, utc_ms: this moment in engine time and in UTC; trusted: whether the latter is known to be right.
        items: the outbox, in the order of their events.
        receipts: attempts so far, in order.
        alarms: every alarm by `INCUBATOR/KEY`. quiet: whose sleeping hours count.
    """

    now_ms: int
    utc_ms: int
    trusted: bool
    items: Sequence[Item]
    receipts: Sequence[Delivery]
    alarms: Mapping[str, AlarmNow]
    channels: Sequence[Channel]
    quiet: Person


class Send(Struct, frozen=True):
    """One message to one channel.

    Attributes:
        key: the same for every copy and every update of it: newer ones replace older ones where a service can do that.
        channel: name of the channel.
        kind: call, again, worse, update, over, told, digest or flood.
        messages: ids that are told by it and get its receipt.
        events: numbers of the events to speak of, the first one first.
        urgent: it may wake.
        round: how often two minutes have passed since the first call: the louder, the higher.
        due_ms: since when it is due.
    """

    key: str
    channel: str
    kind: str
    messages: tuple[str, ...]
    events: tuple[int, ...]
    urgent: bool = False
    round: int = 0
    due_ms: int = 0


class Plan(Struct, frozen=True):
    """What to do now, and when to ask again.

    Attributes:
        sends: due now, the most urgent first.
        next_ms: when something else comes due if nothing happens, None for never.
        settled: messages of which nobody has to be told any more.
        calling: keys of the calls that nobody has answered; a sound goes on as long as there is one.
    """

    sends: tuple[Send, ...] = ()
    next_ms: int | None = None
    settled: tuple[str, ...] = ()
    calling: tuple[str, ...] = ()
