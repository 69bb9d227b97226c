"""Readings from an MQTT broker, acknowledged when they are on the disk."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from kojimon.clock import Clock, real_s
from kojimon.contract.health import MqttSourceHealth
from kojimon.links.mqtt import Address, MqttLink
from kojimon.model import Arrival
from kojimon.probes.formats.decode import PAYLOAD_LIMIT
from kojimon.probes.sources.receipts import Delivery, Left, Receipts
from kojimon.probes.sources.worker import Put, nowhere

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

MARKER_AGAIN_S: Final = 2.0
"""The marker is published again so often until it comes back: a full queue at the broker drops it."""
MARKER_LONGEST_S: Final = 60.0
"""A marker that does not come back in this time never will (an access list forbids it); a queue of the usual 1000
messages is handed over in less."""


class MqttReadings(MqttLink):
    """Subscribes to the probes' topics with a session that outlives the connection.

    A session hands over what it queued while we were away, hours old and without a stamp. So on each connection to
    an old session a marker is published to a topic of our own: what comes before it was queued and is marked late.

    Args:
        name: the source's name in the settings.
        address: the broker.
        client_id: the same at each start.
        filters: topics of the probes.
        clock: world time, for stamping.
        marker_topic: topic of our own below which nobody else publishes.
        session_expiry_s: how long the broker keeps our queue.
        left: what the journal has of its session.
    """

    def __init__(
        self,
        name: str,
        address: Address,
        client_id: str,
        filters: Sequence[str],
        clock: Clock,
        marker_topic: str,
        session_expiry_s: float = 86400.0,
        left: Left | None = None,
    ) -> None:
        super().__init__(name, address, client_id, (*filters, marker_topic), session_expiry_s)
        self._clock, self._marker_topic = clock, marker_topic
        self._receipts = Receipts(name, left)
        self._acknowledger: Client | None = None
        self._put: Put = nowhere
        self._put_wait: Put = nowhere
        self._late = False
        self._marker = ""
        self._marked_s = self._marker_due_s = 0.0
        self._counts = dict.fromkeys(
            ("arrived", "dropped", "late", "retained", "redelivered", "over_long", "bad_topic", "marker_missing"), 0
        )

    def start(self, put: Put, put_wait: Put) -> None:
        """See SourceLink."""
        self.stop()
        self._put, self._put_wait = put, put_wait
        self.run()

    def committed(self, receipts: list[int]) -> None:
        """See SourceLink. Acknowledges what came on the present connection."""
        client = self._acknowledger
        for mid in self._receipts.commit(receipts):
            if client is not None:
                client.ack(mid, 1)

    def facts(self) -> MqttSourceHealth:
        """See SourceLink."""
        own = {**vars(super().facts()), **self._counts}
        return MqttSourceHealth(**own, unacknowledged=self._receipts.waiting(), emptying_queue=self._late)

    # -- hooks of the link -----------------------------------------------------------------------------------

    def _connected_now(self, client: Client, session_present: bool) -> None:
        self._receipts.connected(session_present)
        self._acknowledger = client
        self._late = session_present
        if session_present:
            self._marker = secrets.token_hex(8)
            self._marked_s = real_s()
            self._mark(client)

    def _mark(self, client: Client) -> None:
        self._marker_due_s = real_s() + MARKER_AGAIN_S
        client.publish(self._marker_topic, self._marker, 1)

    def _tick(self, client: Client) -> None:
        if not self._late or self._heartbeat_s < self._marker_due_s:
            return
        if self._heartbeat_s - self._marked_s > MARKER_LONGEST_S:
            self._late = False
            self._counts["marker_missing"] += 1
            self._log.warning("%s: our own message on %s does not come back", self._where, self._marker_topic)
        else:
            self._mark(client)

    def _lost(self) -> None:
        self._acknowledger = None
        self._late = False

    def _message(self, client: Client, message: MQTTMessage) -> None:
        mid = message.mid
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self._counts["bad_topic"] += 1
            client.ack(mid, message.qos)
            return
        if topic == self._marker_topic:
            if message.payload == self._marker.encode():
                self._late = False
            client.ack(mid, message.qos)
            return
        payload = bytes(message.payload)
        if len(payload) > PAYLOAD_LIMIT:
            self._counts["over_long"] += 1
            payload = b""
        self._counts["retained"] += message.retain
        self._counts["late"] += self._late
        boot_ms = self._clock.boot_ms()
        if message.qos:
            self._deliver(client, message, topic, payload, boot_ms)
            return
        self._counts["arrived"] += 1
        if not self._put(Arrival(self.name, boot_ms, topic, payload, message.retain, self._late)):
            self._counts["dropped"] += 1

    def _deliver(self, client: Client, message: MQTTMessage, topic: str, payload: bytes, boot_ms: int) -> None:
        """A message that must not be lost: waits for room, which stops the reading of the socket meanwhile."""
        receipt, delivery = self._receipts.delivered(message.mid, message.dup, topic, payload)
        if delivery is not Delivery.NEW:
            self._counts["redelivered"] += 1
            if delivery is Delivery.DONE:
                client.ack(message.mid, 1)
            return
        arrival = Arrival(self.name, boot_ms, topic, payload, message.retain, self._late, False, receipt)
        try:
            taken = self._put_wait(arrival)
        except BaseException:
            self._receipts.withdrawn(receipt)
            raise
        if taken:
            self._counts["arrived"] += 1
        else:
            self._receipts.withdrawn(receipt)
