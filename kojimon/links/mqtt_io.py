"""The client for what we say: state, alarms, presence; and for what is asked of us over MQTT.

Kept apart from the client for readings, so that a flood of those holds up no acknowledgement. At most WINDOW messages
are under way at a time: the library would otherwise throw a whole backlog at a broker that has just come back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple

from kojimon.contract.health import MqttIoHealth
from kojimon.links.mqtt import Address, MqttLink, Notice

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo
    from paho.mqtt.reasoncodes import ReasonCode

WINDOW: Final = 10
"""Messages sent and not yet answered by the broker, at most."""


class Fate(Enum):
    """What became of a message."""

    WAITING = "waiting"
    DONE = "done"
    """The broker has it (which does not mean that anybody got it)."""
    LOST = "lost"
    """The connection broke first; to be sent again."""
    REFUSED = "refused"
    """The broker will not take it; sending it again will not help."""


class Ticket:
    """Stands for one message sent."""

    __slots__ = ("_info", "_over", "_refusals")

    def __init__(self, info: MQTTMessageInfo, refusals: dict[int, str]) -> None:
        self._info, self._refusals = info, refusals
        self._over: Fate | None = None

    @property
    def fate(self) -> Fate:
        """What became of it so far."""
        if self._over is None:
            try:
                if self._info.is_published():
                    self._over = Fate.REFUSED if self._info.mid in self._refusals else Fate.DONE
            except (RuntimeError, ValueError):
                self._over = Fate.LOST
        return self._over or Fate.WAITING

    def _lose(self) -> None:
        if self.fate is Fate.WAITING:
            self._over = Fate.LOST


class Incoming(NamedTuple):
    """A message on a topic that was asked for."""

    topic: str
    payload: bytes
    retained: bool


class MqttIo(MqttLink):
    """Publishes with a window of its own, and hands over what comes on `filters`.

    Args:
        name, address, client_id, notice: see MqttLink.
        filters: topics to listen to.
        heard: called in the network thread for each message on them; must be quick, may raise without harm.
        up: called in the network thread after each connection, to publish retained state again.
    """

    kind = "mqtt-io"

    def __init__(
        self,
        name: str,
        address: Address,
        client_id: str,
        notice: Notice | None = None,
        filters: Sequence[str] = (),
        heard: Callable[[Incoming], None] | None = None,
        up: Callable[[], None] | None = None,
    ) -> None:
        super().__init__(name, address, client_id, filters, 0.0, notice)
        self._heard, self._up_hook = heard, up
        self._changed = threading.Condition()
        self._tickets: dict[int, Ticket] = {}
        self._refusals: dict[int, str] = {}
        self._sent = self._refused_count = 0

    def send(self, topic: str, payload: bytes, retain: bool = False) -> Ticket | None:
        """Sends one message at QoS 1, from any thread, without waiting.

        Returns:
            a ticket, or None while not connected or while WINDOW messages wait for the broker's answer.
        """
        client = self._client
        with self._changed:
            self._settle()
            if client is None or not self.connected or len(self._tickets) >= WINDOW:
                return None
            info = client.publish(topic, payload, 1, retain)
            ticket = Ticket(info, self._refusals)
            if ticket.fate is Fate.WAITING:
                self._tickets[info.mid] = ticket
            self._sent += 1
            return None if ticket.fate is Fate.LOST else ticket

    def wait(self, timeout_s: float) -> bool:
        """Waits until a ticket's fate changes, the link comes up or goes down, or timeout_s of real time passed."""
        with self._changed:
            return self._changed.wait(timeout_s)

    def facts(self) -> MqttIoHealth:
        """See Worker."""
        link = vars(super().facts())
        with self._changed:
            self._settle()
            return MqttIoHealth(
                **link, sent=self._sent, refused_messages=self._refused_count, under_way=len(self._tickets)
            )

    def _settle(self) -> None:
        for mid, ticket in list(self._tickets.items()):
            if ticket.fate is not Fate.WAITING:
                del self._tickets[mid]
                self._refused_count += self._refusals.pop(mid, None) is not None

    def _notify(self) -> None:
        with self._changed:
            self._changed.notify_all()

    # -- hooks of the link -----------------------------------------------------------------------------------

    def _connected_now(self, client: Client, session_present: bool) -> None:
        if self._up_hook is not None:
            self._up_hook()
        self._notify()

    def _published(self, mid: int, reason: ReasonCode) -> None:
        # Runs under a lock of the library that `publish` takes too: our own lock must not be waited for here.
        if reason.is_failure:
            self._refusals[mid] = str(reason)

    def _tick(self, client: Client) -> None:
        self._notify()

    def _lost(self) -> None:
        with self._changed:
            self._settle()
            for ticket in self._tickets.values():
                ticket._lose()
            self._tickets.clear()
            self._refusals = {}  # tickets settled later still look into the old one
            self._changed.notify_all()

    def _message(self, client: Client, message: MQTTMessage) -> None:
        client.ack(message.mid, message.qos)
        if self._heard is not None:
            self._heard(Incoming(message.topic, bytes(message.payload), message.retain))
