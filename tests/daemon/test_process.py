"""The daemon as a process: kills, a second one, signals, clock steps, bad settings, the service manager."""

import http.client
import random
import signal
import socket
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from kojimon import engine
from kojimon.core.advance import advance, row_t_ms
from kojimon.journal.reading.reader import Reader
from kojimon.model import InputRow, typed_event
from kojimon.sockets import name_of
from kojimon.web.http.door import socket_path
from tests.daemon.process import Process
from tests.parts.broker import Broker
from tests.parts.inputs import says
from tests.parts.wait import until
from tests.parts.wallstep import WallStep


@contextmanager
def publisher(broker: Broker) -> Iterator[Any]:
    """A client that publishes at QoS 1 in the background."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def values(reader: Reader) -> list[float]:
    return [row[3] for row in reader.rows_after(0) if not isinstance(row, InputRow) and row[3] is not None]


@pytest.mark.slow(10)
def test_kill_at_any_time_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """Every message is acknowledged to us only after its commit, so a kill makes the broker send it again."""
    rng = random.Random(20260131)
    with (
        Broker(tmp_path / "b", more=("max_queued_messages 20000",)) as broker,
        Process(tmp_path, broker.port) as one,
        publisher(broker) as sender,
    ):
        one.start()
        until(lambda: one.client.get("/v1/health")["sources"]["house"]["subscribed"])
        sent, reader = 0, one.reader()
        for _ in range(6):
            for _ in range(400):
                sender.publish("k/bed", f"{20 + sent / 1000:.3f}", 1)
                sent += 1
            until(lambda: reader.last_seq() > 0)
            pass_s(rng.uniform(0.0, 0.25))
            one.kill()
            one.start()
        until(lambda: len(set(values(reader))) == sent, what="every message stored")
        assert one.stop() == 0
        counted = Counter(values(reader))
        assert set(counted.values()) == {1}
        assert len(counted) == sent
        assert _replayed(one.reader()) == [event.no for event in one.reader().events(limit=100_000)]


def test_readings_of_a_new_session_are_not_taken_for_those_of_the_lost_one(tmp_path: Path) -> None:
    """The broker forgets everything and begins its packet ids anew; the same values come; then the daemon is killed."""

    def held() -> int:
        return int(one.client.get("/v1/health")["sources"]["house"]["unacknowledged"])

    with Broker(tmp_path / "b") as broker, Process(tmp_path, broker.port) as one:
        one.start()
        until(lambda: one.client.get("/v1/health")["sources"]["house"]["subscribed"])
        with publisher(broker) as sender:
            for number in range(12):
                sender.publish("k/bed", f"{30 + number / 10}", 1).wait_for_publish(60)
        one.client.act({"kind": "alarm.test", "data": {}})  # an event is committed at once, and all before it
        reader = one.reader()
        until(lambda: len(values(reader)) == 12 and held() == 0, what="stored and acknowledged")
        broker.restart()
        until(lambda: one.client.get("/v1/health")["sources"]["house"]["opened"] == 2)
        until(lambda: one.client.get("/v1/health")["sources"]["house"]["subscribed"])
        with publisher(broker) as sender:
            for number in range(12):
                sender.publish("k/bed", f"{30 + number / 10}", 1).wait_for_publish(60)
            until(lambda: held() == 12, what="they wait for their commit")
            one.kill()
            one.start()
            until(lambda: len(values(reader)) == 24, what="the twelve of the new session")
        assert set(Counter(values(reader)).values()) == {2}


def pass_s(seconds: float) -> None:
    """Lets a child process run for so long before it is killed."""
    end_s = time.monotonic() + seconds
    until(lambda: time.monotonic() >= end_s)


def _replayed(past: Reader) -> list[int]:
    state = engine.initial_state()
    numbers: list[int] = []
    for page in past.pages_after(0):
        state, outcome = advance(state, page, row_t_ms(page[-1]))
        numbers += [event.no for event in outcome.events]
    state, outcome = advance(state, [], past.horizon_ms())
    return numbers + [event.no for event in outcome.events]


def test_a_batch_goes_on_after_a_kill_and_nothing_is_said_twice(tmp_path: Path) -> None:
    with Broker(tmp_path / "b") as broker, Process(tmp_path, broker.port) as one:
        one.start()
        one.client.act({"kind": "batch.start", "data": {"name": "first"}, "idempotency": "a"})
        one.client.act({"kind": "step.done", "data": {"step": "inoculate", "override": "no probe yet"}})
        before = one.client.get("/v1/events")["events"]
        one.kill()
        one.start()
        state = one.client.get("/v1/state")
        assert state["incubators"][0]["batch"]["name"] == "first"
        assert one.client.act({"kind": "batch.start", "data": {"name": "first"}, "idempotency": "a"})["repeated"]
        after = one.client.get("/v1/events")["events"]
        assert after[: len(before)] == before
        again = Counter(event["kind"] for event in after[len(before) :])
        assert again["start"] == 1 and not {"batch-start", "step-done", "stage"} & set(again)
        (start,) = [says(typed_event(event)) for event in after[len(before) :] if event["kind"] == "start"]
        assert start["clean"] is False and start["gap_source"] == "boot"
        assert 0 <= start["gap_ms"] < 600_000


def test_a_second_daemon_on_the_same_journal_is_refused(tmp_path: Path) -> None:
    with Process(tmp_path) as one, Process(tmp_path) as other:
        one.start()
        other.start(wait=False)
        assert other.wait() == 1
        assert f"in use by process {one.pid}" in one.log
        assert one.client.get("/v1/health")["ok"] is True
        assert one.stop() == 0


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_stops_it_in_seconds_with_clients_connected(tmp_path: Path, number: signal.Signals) -> None:
    idle, half = (http.client.HTTPConnection("localhost", timeout=60) for _ in range(2))
    with Process(tmp_path) as one, closing(idle), closing(half):
        one.start()
        for link in (idle, half):
            link.sock = socket.socket(socket.AF_UNIX)
            with name_of(socket_path(one.journal, tmp_path / "run")) as name:
                link.sock.connect(name)
        idle.request("GET", "/v1/state")
        idle.getresponse().read()
        half.putrequest("POST", "/v1/acts")
        half.putheader("Content-Length", "1000")
        half.endheaders()
        half.send(b'{"kind": ')
        one.signal(number)
        assert one.wait(30) == 0, "long before the body's own 60 s are over"
        events = one.reader().events(limit=1000)
        assert events[-1].kind == "stop" and says(events[-1])["reason"] == number.name
        assert not socket_path(one.journal, tmp_path / "run").exists()


def test_a_step_of_the_wall_clock_moves_nothing(tmp_path: Path) -> None:
    wall = WallStep(tmp_path)
    with Process(tmp_path, environment=wall.environment) as one:
        one.start()
        one.client.act({"kind": "batch.start", "data": {"name": "first"}})
        one.client.act({"kind": "step.done", "data": {"step": "inoculate", "override": "no probe yet"}})
        asked_s, first, began_s = time.monotonic(), one.client.get("/v1/state"), time.monotonic()
        for count, offset_s in enumerate((3600, -3600, 0), 1):
            wall.offset(offset_s)
            until(partial(_stepped, one, count))
        least_ms = (time.monotonic() - began_s) * 1000
        last = one.client.get("/v1/state")
        most_ms = (time.monotonic() - asked_s) * 1000
        assert least_ms - 1500 <= last["t_ms"] - first["t_ms"] <= most_ms + 1500
        for step, before in zip(last["incubators"][0]["steps"], first["incubators"][0]["steps"], strict=True):
            assert step["due_t_ms"] == before["due_t_ms"]
        steps = [event["data"]["step_ms"] for event in one.client.get("/v1/events", kinds="clock-step")["events"]]
        assert [round(step / 3_600_000) for step in steps] == [1, -2, 1]
        assert one.stop() == 0


def _stepped(one: Process, count: int) -> bool:
    return len(one.client.get("/v1/events", kinds="clock-step")["events"]) == count


def test_bad_settings_refuse_the_start_unless_a_batch_is_open(tmp_path: Path) -> None:
    with Process(tmp_path) as one:
        good = one.config.read_text()
        one.start()
        assert one.stop() == 0
        one.config.write_text(good.replace("place: air", "place: attic"))
        one.start(wait=False)
        assert one.wait() == 2
        line = next(number for number, text in enumerate(good.splitlines(), 1) if "place: air" in text)
        assert f"{one.config}:{line}: probes.air.place" in one.log
        one.config.write_text(good)
        one.start()
        one.client.act({"kind": "batch.start", "data": {"name": "first"}})
        one.kill()
        one.config.write_text(good.replace("place: air", "place: attic"))
        one.start()
        alarms = {alarm["key"]: alarm for alarm in one.client.get("/v1/alarms")["alarms"]}
        assert alarms["health/settings"]["active"] is True
        assert "attic" in one.client.get("/v1/health")["settings"]
        assert one.client.get("/v1/state")["incubators"][0]["batch"]["name"] == "first"
        assert one.stop() == 0
        one.config.write_text(good)
        one.start()
        until(lambda: not _active(one, "health/settings"))
        assert one.stop() == 0


def _active(one: Process, key: str) -> bool:
    return any(alarm["key"] == key and alarm["active"] for alarm in one.client.get("/v1/alarms")["alarms"])


def test_a_file_that_is_gone_counts_as_bad_settings(tmp_path: Path) -> None:
    with Process(tmp_path) as one:
        one.start()
        one.client.act({"kind": "batch.start", "data": {"name": "first"}})
        assert one.stop() == 0
        one.config.unlink()
        one.start()
        assert _active(one, "health/settings")
        assert one.stop() == 0


def test_the_service_manager_hears_of_it(tmp_path: Path) -> None:
    ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    name = f"kojimon-{uuid4().hex}"  # abstract, without a path: it fits wherever the tests' folders lie
    ear.bind(f"\0{name}")
    ear.settimeout(60)
    manager = {"NOTIFY_SOCKET": f"@{name}", "WATCHDOG_USEC": "1000000"}
    with ear, Process(tmp_path, environment=manager) as one:
        one.start()
        heard: list[str] = []
        while heard.count("WATCHDOG=1") < 2:
            heard.append(ear.recv(4096).decode())
        assert "READY=1" in heard
        assert any(text.startswith("STATUS=no batch") for text in heard)
        one.signal(signal.SIGTERM)
        while "STOPPING=1" not in heard:
            heard.append(ear.recv(4096).decode())
        assert one.wait() == 0


def test_everything_it_opened_is_closed_again(tmp_path: Path) -> None:
    """No descriptor leaks over requests."""
    with Process(tmp_path) as one:
        one.start()
        for _ in range(5):
            one.client.get("/v1/state")
        before = len(list(Path(f"/proc/{one.pid}/fd").iterdir()))
        for _ in range(60):
            one.client.get("/v1/state")
            one.client.get("/v1/events")
        until(lambda: len(list(Path(f"/proc/{one.pid}/fd").iterdir())) <= before + 2)
        assert one.stop() == 0
