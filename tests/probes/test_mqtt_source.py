"""Readings over a real Mosquitto: acknowledged after the commit, recognised when they come twice, dated honestly."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from kojimon.clock import ManualClock
from kojimon.links.mqtt import Address
from kojimon.model import Arrival
from kojimon.probes.sources import mqtt as mqtt_source
from kojimon.probes.sources.mqtt import MqttReadings
from kojimon.probes.sources.receipts import Left, receipt_of
from tests.parts.broker import Broker, publish
from tests.parts.wait import until

VERSIONS = pytest.mark.parametrize("version", [5, 3])
MARKER = "kojimon/test/marker/in"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker", persistent=True, more=("log_type all",)) as one:
        yield one


class Daemon:
    """A source with a desk that keeps what came; commits on demand, as the journal's writer does."""

    def __init__(
        self, broker: Broker, version: int = 5, committed: tuple[int, ...] = (), session: int = 0, **more: object
    ) -> None:
        address = Address("127.0.0.1", broker.port, version, keepalive_s=20.0)
        self.source = MqttReadings(
            "broker",
            address,
            "test-in",
            ["koji/#"],
            ManualClock(0, boot_ms=7000),
            MARKER,
            3600.0,
            Left(committed, session),
            **more,  # type: ignore[arg-type]
        )
        self.arrivals: list[Arrival] = []
        self.room = threading.Semaphore(10_000)

    def put(self, arrival: Arrival) -> bool:
        self.arrivals.append(arrival)
        return True

    def put_wait(self, arrival: Arrival) -> bool:
        self.room.acquire()
        return self.put(arrival)

    def commit(self) -> list[int]:
        receipts = [arrival.receipt for arrival in self.arrivals if arrival.receipt]
        self.source.committed(receipts)
        return receipts

    @property
    def payloads(self) -> list[bytes | float]:
        return [arrival.payload for arrival in self.arrivals]

    def fact(self, name: str) -> object:
        return getattr(self.source.facts(), name)

    def __enter__(self) -> "Daemon":
        self.source.start(self.put, self.put_wait)
        until(lambda: self.source.subscribed and not self.fact("emptying_queue"), what="connected")
        return self

    def __exit__(self, *_: object) -> None:
        self.room.release(10_000)
        self.source.stop()


def send(broker: Broker, *payloads: str, qos: int = 1, retain: bool = False) -> None:
    for payload in payloads:
        publish(broker, "koji/bed", payload, qos, retain)


@VERSIONS
def test_readings_arrive_stamped_and_with_a_receipt_at_qos_1(broker: Broker, version: int) -> None:
    with Daemon(broker, version) as daemon:
        send(broker, "31.4")
        send(broker, "31.5", qos=0)
        until(lambda: len(daemon.arrivals) == 2)
        first, second = daemon.arrivals
        assert first._replace(receipt=0) == Arrival("broker", 7000, "koji/bed", b"31.4")
        assert first.receipt > 0
        assert second == Arrival("broker", 7000, "koji/bed", b"31.5")
        assert daemon.fact("unacknowledged") == 1
        daemon.commit()
        assert daemon.fact("unacknowledged") == 0


@VERSIONS
def test_what_was_not_committed_comes_again_to_the_next_process(broker: Broker, version: int) -> None:
    with Daemon(broker, version) as first:
        send(broker, "1", "2", "3")
        until(lambda: len(first.arrivals) == 3)
        first.source.committed([first.arrivals[0].receipt])
        until(lambda: first.fact("unacknowledged") == 2)
    with Daemon(broker, version) as second:
        until(lambda: len(second.arrivals) >= 2)
        assert second.payloads == [b"2", b"3"], broker.log
        assert second.fact("redelivered") == 0


@VERSIONS
def test_a_reading_committed_but_not_acknowledged_is_recognised_by_the_next_process(
    broker: Broker, version: int
) -> None:
    with Daemon(broker, version) as first:
        send(broker, "1", "2", "3")
        until(lambda: len(first.arrivals) == 3)
        receipts = tuple(arrival.receipt for arrival in first.arrivals)
    # Killed between commit and acknowledgement: the journal has two of the three, the broker sends all again.
    with Daemon(broker, version, committed=receipts[:2], session=1) as second:
        until(lambda: second.fact("redelivered") == 2 and second.arrivals)
        assert second.payloads == [b"3"]
        second.commit()
    with Daemon(broker, version, committed=receipts, session=1) as third:
        send(broker, "4")
        until(lambda: third.payloads == [b"4"])
        assert third.fact("redelivered") == 0


def test_a_redelivery_within_one_process_is_one_reading_and_acknowledged_once(broker: Broker) -> None:
    with Daemon(broker) as daemon:
        send(broker, "1", "2")
        until(lambda: len(daemon.arrivals) == 2)
        daemon.source.committed([daemon.arrivals[0].receipt])
        cut(daemon)
        until(lambda: daemon.fact("redelivered") == 1)
        assert daemon.fact("unacknowledged") == 1
        daemon.commit()
        cut(daemon)
        send(broker, "3")
        until(lambda: daemon.payloads == [b"1", b"2", b"3"])
        assert daemon.fact("redelivered") == 1


def cut(daemon: Daemon) -> None:
    """Breaks the connection without a word."""
    import socket

    before = daemon.fact("opened")
    client = daemon.source._client
    assert client is not None
    sock = client.socket()
    assert sock is not None
    until(lambda: not client.want_write(), what="acknowledgements written")
    sock.shutdown(socket.SHUT_RDWR)
    until(lambda: daemon.fact("opened") != before and daemon.source.subscribed and not daemon.fact("emptying_queue"))


def test_equal_readings_that_are_not_redelivered_are_both_kept(broker: Broker) -> None:
    with Daemon(broker) as daemon:
        send(broker, "31.4", "31.4")
        until(lambda: len(daemon.arrivals) == 2)
        daemon.commit()
        send(broker, "31.4")
        until(lambda: len(daemon.arrivals) == 3)


@VERSIONS
def test_what_was_queued_while_we_were_away_is_late_and_what_follows_is_not(broker: Broker, version: int) -> None:
    with Daemon(broker, version):
        pass
    send(broker, *(str(number) for number in range(63)))
    daemon = Daemon(broker, version)
    committing = Repeating(daemon.commit)
    with committing, daemon:
        send(broker, "live")
        until(lambda: len(daemon.arrivals) == 64)
        assert daemon.payloads == [str(number).encode() for number in range(63)] + [b"live"]
        assert [arrival.late for arrival in daemon.arrivals] == [True] * 63 + [False]
        assert daemon.fact("late") == 63


def test_only_the_marker_of_this_connection_says_that_the_queue_is_empty(broker: Broker) -> None:
    """Others may write to its topic, and one of our own from before may still lie in the queue."""
    with Daemon(broker) as daemon:
        pass
    old = daemon.source._marker or "0123456789abcdef"
    send(broker, "1")
    publish(broker, MARKER, old, 1)
    send(broker, "2")
    publish(broker, MARKER, "somebody else's", 1)
    send(broker, "3")
    daemon = Daemon(broker)
    with Repeating(daemon.commit), daemon:
        send(broker, "live")
        until(lambda: len(daemon.arrivals) == 4)
        assert [(arrival.payload, arrival.late) for arrival in daemon.arrivals] == [
            (b"1", True), (b"2", True), (b"3", True), (b"live", False),
        ]  # fmt: skip


class Repeating:
    """Does something over and over in a thread of its own."""

    def __init__(self, what: Callable[[], object]) -> None:
        self._what, self._stop = what, threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._stop.wait(0.01):
            self._what()

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()


def test_a_full_queue_at_the_broker_drops_the_marker_and_it_is_sent_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_source, "MARKER_AGAIN_S", 0.2)
    more = ("max_queued_messages 30", "max_inflight_messages 5")
    with Broker(tmp_path / "broker", more=more) as broker:
        with Daemon(broker):
            pass
        send(broker, *(str(number) for number in range(60)))
        daemon = Daemon(broker)
        with Repeating(daemon.commit), daemon:
            kept = len(daemon.arrivals)
            assert 30 <= kept < 60  # this broker keeps the first and drops the newest
            assert all(arrival.late for arrival in daemon.arrivals)
            send(broker, "live")
            until(lambda: len(daemon.arrivals) == kept + 1)
            assert not daemon.arrivals[-1].late


def test_a_first_connection_has_no_queue_to_empty(broker: Broker) -> None:
    with Daemon(broker) as daemon:
        assert daemon.source._marker == ""


def test_a_marker_that_never_comes_back_does_not_keep_readings_late_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_source, "MARKER_AGAIN_S", 0.1)
    monkeypatch.setattr(mqtt_source, "MARKER_LONGEST_S", 0.5)
    with Broker(tmp_path / "broker", acl=("topic readwrite koji/#",)) as broker:
        with Daemon(broker):
            pass
        with Daemon(broker) as daemon:
            assert daemon.fact("marker_missing") == 1
            send(broker, "1")
            until(lambda: daemon.arrivals)
            assert not daemon.arrivals[0].late


@VERSIONS
def test_a_retained_value_is_marked_at_each_subscription_and_a_live_one_is_not(broker: Broker, version: int) -> None:
    send(broker, "29.0", retain=True)
    with Daemon(broker, version) as daemon:
        until(lambda: daemon.arrivals)
        assert daemon.arrivals[0].retained
        send(broker, "30.0", retain=True)
        until(lambda: len(daemon.arrivals) == 2)
        assert not daemon.arrivals[1].retained
        daemon.commit()
        cut(daemon)
        until(lambda: len(daemon.arrivals) == 3)
        assert daemon.arrivals[2].retained
        assert daemon.arrivals[2].payload == b"30.0"


def test_when_the_intake_is_full_the_socket_is_not_read_and_nothing_is_lost(broker: Broker) -> None:
    daemon = Daemon(broker)
    daemon.room = threading.Semaphore(3)
    with daemon:
        send(broker, *(str(number) for number in range(10)))
        until(lambda: daemon.fact("unacknowledged") == 4)
        assert len(daemon.arrivals) == 3
        daemon.room.release(100)
        until(lambda: len(daemon.arrivals) == 10)


def test_a_reading_that_was_not_taken_stays_at_the_broker(broker: Broker) -> None:
    daemon = Daemon(broker)
    daemon.put_wait = lambda arrival: False  # type: ignore[method-assign]
    with daemon:
        send(broker, "1")
        until(lambda: broker and daemon.fact("unacknowledged") == 0)
    with Daemon(broker) as second:
        until(lambda: second.payloads == [b"1"])


def test_no_acknowledgement_of_an_old_connection_reaches_a_new_session(broker: Broker) -> None:
    with Daemon(broker) as daemon:
        send(broker, "old")
        until(lambda: daemon.arrivals)
        old = daemon.arrivals[0].receipt
        broker.restart()  # the session is gone, packet ids begin anew
        until(lambda: daemon.fact("opened") == 2 and daemon.source.subscribed)
        send(broker, "new")
        until(lambda: len(daemon.arrivals) == 2)
        assert daemon.arrivals[1].receipt & 0xFFFF == old & 0xFFFF
        daemon.source.committed([old])
        cut(daemon)
        until(lambda: daemon.fact("redelivered") == 1)
        assert daemon.payloads == [b"old", b"new"]


@pytest.mark.parametrize(
    "payload",
    [b"", b"\xff\xfe", b"[" * 10_000, b"x" * 200_000, b'{"t": NaN}', b"9" * 5000],
    ids=lambda payload: str(len(payload)),
)
def test_hostile_payloads_pass_through_bounded(broker: Broker, payload: bytes) -> None:
    with Daemon(broker) as daemon:
        publish(broker, "koji/bed", payload)
        send(broker, "31.4")
        until(lambda: len(daemon.arrivals) == 2)
        assert all(isinstance(one, bytes) and len(one) <= 65_536 for one in daemon.payloads)
        assert daemon.fact("callback_errors") == 0


def test_a_source_that_was_stopped_can_be_started_again(broker: Broker) -> None:
    daemon = Daemon(broker)
    for number in range(2):
        with daemon:
            send(broker, str(number))
            until(lambda: len(daemon.arrivals) == number + 1)  # noqa: B023
            daemon.commit()
    assert daemon.payloads == [b"0", b"1"]


def test_receipts_tell_source_topic_payload_and_packet_apart() -> None:
    base = ("broker", 7, "koji/bed", b"31.4")
    others = [("other", *base[1:]), ("broker", 8, *base[2:]), (*base[:2], "koji/air", b"31.4"), (*base[:3], b"31.5")]
    receipts = {receipt_of(*one) for one in [base, *others]}  # type: ignore[arg-type]
    assert len(receipts) == 5
    assert all(0 < receipt < 2**63 for receipt in receipts)
    assert receipt_of(*base) & 0xFFFF == 7
