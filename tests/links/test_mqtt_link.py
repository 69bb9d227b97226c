"""The MQTT client against a real Mosquitto: every way not to get in is told apart; what breaks comes back."""

import contextlib
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from kojimon.errors import KojimonError
from kojimon.links import breaks, mqtt
from kojimon.links.mqtt import Address, MqttLink, Notice
from kojimon.links.mqtt_io import WINDOW, Fate, Incoming, MqttIo
from tests.parts.broker import Broker, certificates, free_port, publish
from tests.parts.wait import until

VERSIONS = pytest.mark.parametrize("version", [5, 3])


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker") as one:
        yield one


@contextlib.contextmanager
def running(link: MqttLink) -> Iterator[MqttLink]:
    link.run()
    try:
        yield link
    finally:
        link.stop()


def io(broker: Broker, version: int = 5, client_id: str = "test-io", **more: object) -> MqttIo:
    return MqttIo("io", Address("127.0.0.1", broker.port, version), client_id, **more)  # type: ignore[arg-type]


def trouble(address: Address) -> str:
    with running(MqttLink("link", address, "test")) as link:
        return until(lambda: (text := link.facts().trouble) != "not started" and text)


# -- not getting in ---------------------------------------------------------------------------------------------


def test_nobody_listens() -> None:
    assert "nobody listens there" in trouble(Address("127.0.0.1", free_port()))


@pytest.mark.parametrize("host", ["no-such-host.invalid", "a..b"])
def test_no_such_host(host: str) -> None:
    assert "no host of this name" in trouble(Address(host))


@VERSIONS
@pytest.mark.parametrize(("user", "password"), [("me", "wrong"), ("nobody", "right")])
def test_a_wrong_password_is_told(tmp_path: Path, version: int, user: str, password: str) -> None:
    with Broker(tmp_path / "broker", users={"me": "right"}) as broker:
        text = trouble(Address("127.0.0.1", broker.port, version, user, lambda: password))
        assert "check user and password" in text
        assert "it wants a user" in trouble(Address("127.0.0.1", broker.port, version))
        assert password not in text or password == "right"


def test_a_password_that_cannot_be_read_is_told_and_read_again(tmp_path: Path) -> None:
    answers: list[str] = []

    def secret() -> str:
        if not answers:
            raise KojimonError("no such file")
        return answers[0]

    with Broker(tmp_path / "broker", users={"me": "right"}) as broker:
        link = MqttLink("link", Address("127.0.0.1", broker.port, 5, "me", secret), "test")
        with running(link):
            until(lambda: "no such file" in link.facts().trouble)
            answers.append("right")
            until(lambda: link.connected)


def test_tls_with_the_right_authority_and_without(tmp_path: Path) -> None:
    ca, cert, key = certificates(tmp_path)
    with Broker(tmp_path / "broker", tls=(cert, key)) as broker:
        port = broker.port
        with running(MqttLink("link", Address("127.0.0.1", port, tls=True, ca_file=str(ca)), "test")) as link:
            until(lambda: link.connected)
        assert "certificate is not accepted" in trouble(Address("127.0.0.1", port, tls=True))
        assert "certificate is not accepted" in trouble(Address("localhost", port, tls=True, ca_file=str(ca)))
        assert "does it want TLS" in trouble(Address("127.0.0.1", port))
        assert "no certificate of an authority" in trouble(Address("127.0.0.1", port, tls=True, ca_file=str(key)))


def test_tls_to_a_plain_port(broker: Broker) -> None:
    text = trouble(Address("127.0.0.1", broker.port, tls=True))
    assert "does not speak TLS" in text or "cannot be reached" in text


def test_something_that_answers_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kojimon.links.mqtt.CONNECT_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as server:
        assert "does not answer" in trouble(Address("127.0.0.1", server.getsockname()[1]))


@pytest.mark.parametrize("answer", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\xff" * 64, b"", bytes(200)])
def test_something_that_answers_rubbish(answer: bytes) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    peer, _ = server.accept()
                    peer.sendall(answer)
                    peer.close()

        threading.Thread(target=serve, daemon=True).start()
        assert "hung up before answering" in trouble(Address("127.0.0.1", server.getsockname()[1]))


# -- staying in -------------------------------------------------------------------------------------------------


@VERSIONS
def test_presence_is_retained_and_the_will_takes_over(broker: Broker, version: int) -> None:
    heard: list[Incoming] = []
    notice = Notice("kojimon/home/status", b"online", b"offline")
    with running(io(broker, client_id="ear", filters=["kojimon/#"], heard=heard.append)) as ear:
        until(lambda: ear.subscribed)
        link = io(broker, version, notice=notice)
        with running(link):
            until(lambda: [message.payload for message in heard] == [b"online"])
        until(lambda: [message.payload for message in heard] == [b"online", b"offline"])
        with running(link):
            until(lambda: len(heard) == 3)
            assert link._client is not None
            sock = link._client.socket()
            assert sock is not None
            sock.shutdown(socket.SHUT_RDWR)  # no DISCONNECT: the broker publishes the will, we say "online" again
            until(lambda: [message.payload for message in heard[3:]] == [b"offline", b"online"])


def test_after_a_restart_with_an_empty_store_everything_is_back(broker: Broker) -> None:
    heard: list[Incoming] = []
    notice = Notice("kojimon/home/status", b"online", b"offline")
    with running(io(broker, notice=notice, filters=["act/#"], heard=heard.append)) as link:
        until(lambda: link.connected)
        broker.kill()
        until(lambda: not link.connected and link.facts().trouble)
        assert "lost" in link.facts().trouble or "listens" in link.facts().trouble
        broker.start()
        until(lambda: link.subscribed)
        publish(broker, "act/x", "1")
        until(lambda: [message.payload for message in heard] == [b"1"])
        with running(io(broker, client_id="ear", filters=["kojimon/#"], heard=heard.append)):
            until(lambda: heard[1:] == [Incoming("kojimon/home/status", b"online", True)])
        assert link.facts().opened == 2


@pytest.mark.slow
def test_a_frozen_broker_is_noticed_by_the_keepalive(broker: Broker) -> None:
    with running(MqttLink("link", Address("127.0.0.1", broker.port, keepalive_s=1.0), "test")) as link:
        until(lambda: link.connected)
        broker.freeze()
        until(lambda: not link.connected)
        before_s = link.heartbeat_s()
        until(lambda: link.heartbeat_s() > before_s)
        broker.thaw()
        until(lambda: link.connected)


def test_two_clients_of_one_name_are_told(broker: Broker) -> None:
    with running(io(broker, 5)) as first:
        until(lambda: first.connected)
        with running(io(broker, 5)):
            until(lambda: "the name test-io at" in first.facts().trouble)


@VERSIONS
def test_a_name_taken_again_and_again_is_the_trouble_until_it_ends(
    broker: Broker, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also while we are connected between two takeovers: before, each connection was all right again."""
    monkeypatch.setattr(mqtt, "PROVED_S", 0.3)
    with running(io(broker, version)) as link:
        until(lambda: link.connected)
        with running(io(broker, version)):
            until(lambda: link._breaks.many and link.facts().trouble.startswith("Another client "))
        until(lambda: link.subscribed)
        assert link.facts().trouble.startswith("Another client ")
        monkeypatch.setattr(breaks, "BREAKS_S", 0.5)
        until(lambda: link.facts().ok)


def packet(peer: socket.socket) -> tuple[int, bytes]:
    """One MQTT packet of less than 128 bytes: its first byte and its body."""
    kind, length = peer.recv(2, socket.MSG_WAITALL)
    return kind, peer.recv(length, socket.MSG_WAITALL)


def test_a_refused_subscription_is_told() -> None:
    # Mosquitto grants every subscription and then stays silent, so that the other kind of broker is scripted here.
    # MQTT 3.1.1, 3.2 CONNACK and 3.9.3 SUBACK: 0x80 is a refused filter.
    done = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            peer, _ = server.accept()
            with peer:
                packet(peer)
                peer.sendall(b"\x20\x02\x00\x00")
                for code in (b"\x01", b"\x80"):
                    _, body = packet(peer)
                    peer.sendall(b"\x90\x03" + body[:2] + code)
                done.wait(20)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        address = Address("127.0.0.1", server.getsockname()[1], 3)
        with running(MqttLink("link", address, "test", ["ok/x", "secret/x"])) as link:
            until(lambda: link.facts().refused == ["secret/x"])
            assert link.connected
            assert "refuses to send us secret/x" in link.facts().trouble
            done.set()
            thread.join(60)


def test_what_a_callback_raises_ends_nothing(broker: Broker) -> None:
    heard: list[bytes] = []

    def hear(message: Incoming) -> None:
        heard.append(message.payload)
        raise SystemExit(message.payload)

    with running(io(broker, filters=["act/#"], heard=hear)) as link:
        until(lambda: link.subscribed)
        for number in range(3):
            publish(broker, "act/x", str(number))
        until(lambda: heard == [b"0", b"1", b"2"])
        assert link.facts().callback_errors == 3
        assert link.facts().opened == 1


# -- saying something ---------------------------------------------------------------------------------------------


@VERSIONS
def test_messages_are_answered_and_the_window_is_ours(broker: Broker, version: int) -> None:
    heard: list[bytes] = []
    ear = io(broker, client_id="ear", filters=["state/#"], heard=lambda message: heard.append(message.payload))
    with running(ear), running(io(broker, version)) as link:
        assert isinstance(link, MqttIo)
        until(lambda: ear.subscribed and link.connected)
        sent = 0
        most = 0
        while sent < 200:
            ticket = link.send("state/x", str(sent).encode())
            if ticket is None:
                link.wait(1.0)
            else:
                sent += 1
                most = max(most, link.facts().under_way)
        until(lambda: len(heard) == 200)
        assert heard == [str(number).encode() for number in range(200)]
        assert most <= WINDOW
        until(lambda: link.facts().under_way == 0)


def test_a_message_to_a_frozen_broker_is_lost_with_the_link_and_told_so(broker: Broker) -> None:
    link = MqttIo("io", Address("127.0.0.1", broker.port, keepalive_s=1.0), "test-io")
    with running(link):
        until(lambda: link.connected)
        broker.freeze()
        tickets = [link.send("state/x", b"1") for _ in range(WINDOW)]
        assert all(ticket is not None and ticket.fate is Fate.WAITING for ticket in tickets)
        assert link.send("state/x", b"1") is None
        assert link.facts().under_way == WINDOW
        until(lambda: all(ticket is not None and ticket.fate is Fate.LOST for ticket in tickets))
        broker.thaw()


def test_nothing_is_sent_while_there_is_no_link(broker: Broker) -> None:
    link = io(broker)
    assert link.send("state/x", b"1") is None


def test_a_message_that_the_broker_will_not_take_is_refused(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker", acl=("topic readwrite ok/#",)) as broker, running(io(broker, 5)) as link:
        assert isinstance(link, MqttIo)
        until(lambda: link.connected)
        ticket = link.send("secret/x", b"1")
        assert ticket is not None
        until(lambda: ticket.fate is Fate.REFUSED)
        until(lambda: link.facts().under_way == 0)
        assert link.facts().refused_messages == 1
