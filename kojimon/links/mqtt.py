"""One MQTT client through paho-mqtt, with reconnection, and with every failure told apart in words.

The network loop runs in our own worker thread and a new client object is made for each connection: one exception in
a callback would end paho's own thread for good, and stale state would survive a reconnection. All callbacks are
total. Where this process shares a name with another, the broker throws them out in turn; that is told too.
"""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from kojimon.clock import real_s
from kojimon.contract.health import MqttHealth
from kojimon.errors import KojimonError, LinkError
from kojimon.links.breaks import Breaks
from kojimon.links.worker import Worker

if TYPE_CHECKING:
    from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

CONNECT_S: Final = 5.0
"""Longest wait for the connection, and again for the broker's answer to it."""
LOOP_S: Final = 0.2
PROVED_S: Final = 10.0
"""A connection that lasted so long is a good one: the next trouble is tried again at once."""
OFTEN: Final = "the connection is lost again and again. Give kojimon another client_id, the broker passwords"
RESUBSCRIBE_S: Final = 60.0
RECEIVE_MAXIMUM: Final = 100
PACKET_LIMIT: Final = 262_144
NOT_YOU: Final = ("Bad user name or password", "Not authorized")
"""How a broker says that it wants to know who it is (MQTT 5, 3.2.2.2; 3.1.1, 3.2.2.3, in the library's words)."""


class Address(Struct, frozen=True):
    """Where a broker is and how it is spoken to.

    Attributes:
        version: 5 or 3 (3.1.1).
        secret: gives the password when it is needed; None where the broker wants none.
        ca_file: PEM file of the authority; "" for the system's.
    """

    host: str
    port: int = 1883
    version: int = 5
    user: str = ""
    secret: Callable[[], str | None] | None = None
    tls: bool = False
    ca_file: str = ""
    keepalive_s: float = 20.0


class Notice(Struct, frozen=True):
    """A retained message about ourselves: `there` while connected, `gone` as last will and at an orderly end."""

    topic: str
    there: bytes
    gone: bytes


class MqttLink(Worker):
    """A client that stays connected and subscribed.

    A subclass overrides the hooks `_connected_now`, `_message`, `_published`, `_tick` and `_lost`. They run in the
    worker's thread; what they raise is logged and goes no further.

    Args:
        name: the link's name.
        address: the broker.
        client_id: must be unique at the broker and the same at each start.
        filters: topics subscribed at QoS 1.
        session_expiry_s: how long the broker keeps subscriptions and queue while we are away; 0 starts clean.
        notice: retained presence message with last will.
    """

    kind = "mqtt"

    def __init__(
        self,
        name: str,
        address: Address,
        client_id: str,
        filters: Sequence[str] = (),
        session_expiry_s: float = 0.0,
        notice: Notice | None = None,
    ) -> None:
        super().__init__(name)
        self.address, self.client_id = address, client_id
        self._filters, self._expiry_s, self._notice = tuple(filters), session_expiry_s, notice
        self._client: Client | None = None
        self._connected_s: float | None = None
        self._refusal, self._turned_away = "", False
        self._asked: dict[int, tuple[str, ...]] = {}
        self._refused: tuple[str, ...] = ()
        self._asking = False
        self._resubscribe_s = 0.0
        self._callback_errors = 0
        self._breaks = Breaks()
        self._wrapped: list[ssl.SSLSocket] = []

    # -- hooks ---------------------------------------------------------------------------------------------

    def _connected_now(self, client: Client, session_present: bool) -> None:
        """The broker accepted us; subscriptions are on their way."""

    def _message(self, client: Client, message: MQTTMessage) -> None:
        """A message came."""

    def _published(self, mid: int, reason: ReasonCode) -> None:
        """The broker answered to a message of ours."""

    def _tick(self, client: Client) -> None:
        """Called a few times a second while connected."""

    def _lost(self) -> None:
        """The connection is over."""

    # -- looking ---------------------------------------------------------------------------------------------

    @property
    def connected(self) -> bool:
        """Whether the broker accepted us and the link was not seen to break since (which may take two keepalives)."""
        return self._connected_s is not None

    @property
    def subscribed(self) -> bool:
        """Whether the broker has answered to every subscription of this connection."""
        return self.connected and self._asking and not self._asked

    def facts(self) -> MqttHealth:
        """See Worker."""
        return MqttHealth(
            **vars(super().facts()),
            connected=self.connected,
            subscribed=self.subscribed,
            refused=list(self._refused),
            callback_errors=self._callback_errors,
        )

    @property
    def _where(self) -> str:
        return f"{self.address.host}:{self.address.port}"

    # -- one connection ----------------------------------------------------------------------------------------

    def _session(self, stop: threading.Event) -> None:
        self._refusal, self._refused, self._connected_s, self._asking = "", (), None, False
        self._turned_away = False
        self._asked.clear()
        client = self._make()
        try:
            self._connect(client)
            self._client = client
            self._live(client, stop)
            self._farewell(client)
        finally:
            self._client, self._connected_s = None, None
            _close(client, self._wrapped)
            self._guard(self._lost)

    def _make(self) -> Client:
        from paho.mqtt.client import Client, MQTTv5, MQTTv311
        from paho.mqtt.enums import CallbackAPIVersion

        new = self.address.version == 5
        clean = None if new else self._expiry_s <= 0
        client = Client(
            CallbackAPIVersion.VERSION2,
            self.client_id,
            clean_session=clean,
            protocol=MQTTv5 if new else MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_S
        # With this set, paho leaves all writing to the loop: other threads may publish and acknowledge at any time.
        client.on_socket_register_write = lambda *_: None
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        if self._notice:
            client.will_set(self._notice.topic, self._notice.gone, 1, True)
        self._identify(client)
        return client

    def _identify(self, client: Client) -> None:
        address = self.address
        if address.user:
            try:
                client.username_pw_set(address.user, address.secret() if address.secret else None)
            except (KojimonError, OSError, ValueError) as error:
                raise LinkError(f"{self._where}: the password cannot be had: {error}") from error
        if address.tls:
            try:
                context = ssl.create_default_context(cafile=address.ca_file or None)
            except (OSError, ValueError) as error:
                raise LinkError(f"{address.ca_file}: no certificate of an authority in it ({error})") from error
            self._remember(context)
            client.tls_set_context(context)

    def _remember(self, context: ssl.SSLContext) -> None:
        """Keeps sight of sockets: paho leaves one open when the handshake on it fails."""
        wrap, wrapped = context.wrap_socket, self._wrapped

        def wrap_and_remember(*arguments: Any, **named: Any) -> ssl.SSLSocket:
            wrapped.append(wrap(*arguments, **named))
            return wrapped[-1]

        context.wrap_socket = wrap_and_remember  # type: ignore[method-assign]

    def _connect(self, client: Client) -> None:
        more: dict[str, Any] = {}
        if self.address.version == 5:
            from paho.mqtt.packettypes import PacketTypes
            from paho.mqtt.properties import Properties

            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = int(self._expiry_s)
            properties.ReceiveMaximum = RECEIVE_MAXIMUM
            properties.MaximumPacketSize = PACKET_LIMIT
            more = {"clean_start": self._expiry_s <= 0, "properties": properties}
        try:
            client.connect(self.address.host, self.address.port, max(1, round(self.address.keepalive_s)), **more)
        except (OSError, ValueError) as error:
            raise LinkError(diagnosis(self.address, error)) from error

    def _live(self, client: Client, stop: threading.Event) -> None:
        answer_until_s = real_s() + CONNECT_S
        while not stop.is_set():
            code = client.loop(LOOP_S)
            self._beat()
            if self._refusal:
                raise LinkError(self._refusal)
            if self._connected_s is None:
                if code:
                    raise LinkError(f"{self._where}: hung up before answering; {_hint(self.address)}")
                if self._heartbeat_s > answer_until_s:
                    raise LinkError(f"{self._where}: takes connections and does not answer; is it an MQTT broker?")
                continue
            if code:
                raise LinkError(self._breaking())
            if self._heartbeat_s - self._connected_s > PROVED_S:
                self._steady()
            if self._refused and self._heartbeat_s > self._resubscribe_s:
                self._subscribe(client, self._refused)
            self._guard(self._tick, client)

    def _breaking(self) -> str:
        # Brokers rarely say that another client took our name: they just hang up, again and again.
        if self._breaks.one_more():
            return f"Another client seems to use the name {self.client_id} at {self._where}: {OFTEN}"
        return f"{self._where}: connection lost"

    def _steady(self) -> None:
        """The connection has lasted."""
        self._proved()
        if self._breaks.over() and not self._refused:
            self._well()

    def _well(self) -> None:
        if not self._breaks.many:
            super()._well()

    def _farewell(self, client: Client) -> None:
        if self._notice and self.connected:
            info = client.publish(self._notice.topic, self._notice.gone, 1, True)
            until_s = real_s() + LOOP_S
            while not info.is_published() and real_s() < until_s and client.loop(0.05) == 0:
                pass

    def _subscribe(self, client: Client, filters: Sequence[str]) -> None:
        from paho.mqtt.subscribeoptions import SubscribeOptions

        self._resubscribe_s = real_s() + RESUBSCRIBE_S
        for topic in filters:
            if self.address.version == 5:
                _, mid = client.subscribe(topic, options=SubscribeOptions(qos=1))
            else:
                _, mid = client.subscribe(topic, 1)
            if mid is not None:
                self._asked[mid] = (topic,)
        self._asking = True

    # -- paho's callbacks ----------------------------------------------------------------------------------------

    def _guard(self, hook: Callable[..., None], *arguments: Any) -> None:
        try:
            hook(*arguments)
        except BaseException:
            self._callback_errors += 1
            self._log.exception("in %s", getattr(hook, "__name__", hook))

    def _on_connect(
        self, client: Client, data: Any, flags: ConnectFlags, reason: ReasonCode, more: Properties | None
    ) -> None:
        self._guard(self._answered, client, flags, reason)

    def _answered(self, client: Client, flags: ConnectFlags, reason: ReasonCode) -> None:
        if reason.is_failure:
            self._refusal = f"{self._where}: the broker refuses us: {_refusal(reason, self.address)}"
            self._turned_away = str(reason) in NOT_YOU
            return
        self._connected_s = real_s()
        if self._notice:
            client.publish(self._notice.topic, self._notice.there, 1, True)
        self._subscribe(client, self._filters)
        self._up()
        self._connected_now(client, flags.session_present)

    def _on_disconnect(
        self, client: Client, data: Any, flags: DisconnectFlags, reason: ReasonCode, more: Properties | None
    ) -> None:
        if flags.is_disconnect_packet_from_server and not self._refusal:
            taken = "taken over" in str(reason).lower()
            self._refusal = f"{self._where}: the broker hung up: {reason}"
            if taken:
                self._breaks.one_more()
                self._refusal = f"Another client uses the name {self.client_id} at {self._where}: {OFTEN}"

    def _on_subscribe(
        self, client: Client, data: Any, mid: int, reasons: list[ReasonCode], more: Properties | None
    ) -> None:
        asked = self._asked.pop(mid, ())
        failed = tuple(topic for topic, reason in zip(asked, reasons, strict=False) if reason.is_failure)
        self._refused = tuple(topic for topic in self._refused if topic not in asked) + failed
        if self._refused:
            topics = ", ".join(self._refused)
            self._down(f"{self._where}: the broker refuses to send us {topics}; check its access list")
        elif asked:
            self._well()

    def _on_publish(self, client: Client, data: Any, mid: int, reason: ReasonCode, more: Properties | None) -> None:
        self._guard(self._published, mid, reason)

    def _on_message(self, client: Client, data: Any, message: MQTTMessage) -> None:
        self._guard(self._message, client, message)


def _close(client: Client, wrapped: list[ssl.SSLSocket]) -> None:
    """Ends a connection at once, whatever state it is in."""
    try:
        client.disconnect()
        client.loop_write()
    except (OSError, ValueError):
        pass
    for sock in (client.socket(), *wrapped):
        if sock is not None:
            try:
                sock.close()
            except OSError:
                pass
    wrapped.clear()


def _hint(address: Address) -> str:
    if address.tls:
        return "is this its TLS port?"
    return "does it want TLS on this port, or another protocol version?"


def _refusal(reason: ReasonCode, address: Address) -> str:
    text = str(reason)
    if text in NOT_YOU:
        return f"{text.lower()}; check user and password" if address.user else f"{text.lower()}; it wants a user"
    return text.lower()


def diagnosis(address: Address, error: BaseException) -> str:
    """Why a connection could not be had, told apart for a person who can do something about it."""
    where = f"{address.host}:{address.port}"
    if isinstance(error, socket.gaierror | UnicodeError):
        return f"{address.host}: no host of this name; check it, or use the broker's address"
    if isinstance(error, ssl.SSLCertVerificationError):
        clock = "; is this computer's clock right?" if "valid" in error.verify_message else ""
        return f"{where}: its certificate is not accepted: {error.verify_message}{clock}"
    if isinstance(error, ssl.SSLError):
        return f"{where}: does not speak TLS here ({error.reason}); 8883 is the usual port for it"
    if isinstance(error, ConnectionRefusedError):
        return f"{where}: nobody listens there; is the broker running, is the port right?"
    if isinstance(error, TimeoutError):
        return f"{where}: no answer within {CONNECT_S:g} s; is the host on, is the address right?"
    return f"{where}: cannot be reached ({error})"
