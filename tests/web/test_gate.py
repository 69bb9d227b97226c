"""Connections that say nothing, or say it slowly, keep nobody out; and what happens when nothing more can be opened."""

from __future__ import annotations

import contextlib
import resource
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.web.client.local import Client
from kojimon.web.http import gate
from kojimon.web.http.door import address_of
from kojimon.web.http.gate import MOST, MOST_EACH
from tests.daemon.process import Process
from tests.parts.broker import free_port
from tests.parts.wait import until
from tests.web.pages import Door, page
from tests.web.raw import Raw, head, local


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with page(tmp_path) as one:
        yield one


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HEAD_S", "BODY_S", "WRITE_S"):
        monkeypatch.setattr(gate, name, 0.6)


def test_idle_connections_of_one_address_keep_nobody_out(door: Door) -> None:
    idle = [Raw(door.port) for _ in range(3 * MOST)]
    assert door.get("/").status == 200
    assert door.live.client.get("/v1/health")["doors"]["page"]["open"] <= MOST_EACH
    for one in idle:
        one.close()


def test_idle_connections_of_many_addresses_keep_nobody_out(door: Door) -> None:
    idle = [Raw(door.port, f"127.0.0.{2 + number // 20}") for number in range(200)]
    half = [Raw(door.port, f"127.0.1.{number}").say("GET / HT") for number in range(1, 60)]
    assert door.get("/").status == 200
    doors = door.live.client.get("/v1/health")["doors"]
    assert doors["page"]["open"] <= MOST and doors["page"]["replaced"] >= 100
    for one in (*idle, *half):
        one.close()


def test_a_request_under_way_is_never_pushed_out(door: Door) -> None:
    with Raw(door.port) as viewer:
        viewer.say(head(door, "GET /live"))
        assert viewer.status() == 200
        idle = [Raw(door.port) for _ in range(3 * MOST)]
        assert door.get("/").status == 200
        door.live.put("k/bed", 33.25)
        door.live.tick(61)
        seen = b""
        while b"33." not in seen:
            part = viewer.link.recv(65_536)
            assert part, "the stream was cut"
            seen += part
        for one in idle:
            one.close()


@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize(
    "begun",
    ["", "GET / HTTP/1.1\r\nHost: x\r\n", "POST /enter HTTP/1.1\r\nHost: {host}\r\nContent-Length: 60000\r\n\r\n"],
)
@pytest.mark.parametrize("where", ["page", "local"])
def test_a_byte_now_and_then_holds_no_connection(door: Door, begun: str, where: str) -> None:
    with Raw(door.port if where == "page" else local(door)) as raw:
        raw.say(begun.format(host=door.host))
        ended = threading.Event()

        def trickle() -> None:
            while not ended.wait(0.05):
                raw.say("x")

        thread = threading.Thread(target=trickle, daemon=True)
        thread.start()
        try:
            raw.rest()  # times out, and so fails, where it is never closed
        finally:
            ended.set()
            thread.join(60)


@pytest.mark.usefixtures("hurried")
def test_after_an_answer_bytes_hold_no_connection_either(door: Door) -> None:
    with Raw(door.port) as raw:
        raw.say(head(door, "GET /v1/state", "Content-Length: 60000"))
        assert raw.status() == 200
        ended = threading.Event()

        def trickle() -> None:
            while not ended.wait(0.05):
                raw.say("x")

        thread = threading.Thread(target=trickle, daemon=True)
        thread.start()
        try:
            raw.rest()
        finally:
            ended.set()
            thread.join(60)


@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize("then", ["keep-alive", "close"])
def test_who_reads_nothing_of_an_answer_is_let_go(door: Door, then: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where the server has said all and waits for nothing but the other side's reading."""
    made = gate.Guarded.connection_made

    def narrow(self: gate.Guarded, transport: Any) -> None:
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 2_048)
        made(self, transport)

    monkeypatch.setattr(gate.Guarded, "connection_made", narrow)
    with Raw(door.port, room=2_048) as raw:
        raw.say(head(door, "GET /v1/openapi.json", f"Connection: {then}"))
        until(lambda: door.live.client.get("/v1/health")["doors"]["page"]["slow"] == 1)


def test_questions_before_the_answer_keep_nobody_out(door: Door) -> None:
    """More than places, none of it read, from many addresses: none of them has two answers under way."""
    asked = head(door, "GET /") * 300
    crowd = [eager(door.port, asked, f"127.0.0.{2 + number}") for number in range(2 * MOST)]
    for _ in range(5):
        assert door.get("/").status == 200
    assert door.live.client.get("/v1/health")["doors"]["page"]["refused"] == 0
    for one in crowd:
        one.link.settimeout(60)
        assert one.rest().count(b"HTTP/1.1 ") <= 1
        one.close()


def test_questions_before_the_answer_keep_no_command_out(door: Door) -> None:
    asked = head(door, "GET /") * 300
    crowd = [eager(local(door), asked) for _ in range(2 * MOST)]
    for _ in range(5):
        assert door.live.client.get("/v1/health")["doors"]["local"]["refused"] == 0
    for one in crowd:
        one.close()


def test_only_the_first_of_many_questions_at_a_stroke_is_answered(door: Door) -> None:
    with Raw(door.port) as raw:
        raw.say(head(door, "GET /static/page.js") * 40)
        assert raw.rest().count(b"HTTP/1.1 200") == 1


def eager(to: int | Path, asked: str, from_: str = "127.0.0.1") -> Raw:
    """A connection that says as much as is taken from it, and reads nothing."""
    one = Raw(to, from_)
    one.link.setblocking(False)
    with contextlib.suppress(OSError):
        one.link.send(asked.encode())
    return one


def test_a_quick_viewer_keeps_its_connection_for_many_questions(door: Door) -> None:
    with Raw(door.port) as raw:
        for _ in range(50):
            raw.say(head(door, "GET /static/page.js", "Connection: keep-alive") + "")
            assert raw.status() == 200
            seen = b""
            while b"\r\n\r\n" not in seen:
                seen += raw.link.recv(1)
            length = next(int(x.split(b":")[1]) for x in seen.lower().splitlines() if x.startswith(b"content-length"))
            while length:
                length -= len(raw.link.recv(length))


def test_what_counts_as_one_address() -> None:
    assert address_of(("2001:db8:1:2:3::1", 1, 0, 0)) == address_of(("2001:db8:1:2:ffff::9%eth0", 2, 0, 2))
    assert address_of(("2001:db8:1:3::1", 1, 0, 0)) != address_of(("2001:db8:1:2::1", 1, 0, 0))
    assert address_of(("::ffff:192.0.2.7", 1, 0, 0)) == address_of(("192.0.2.7", 9)) == "192.0.2.7"
    assert address_of("") == address_of(None) == ""


# Descriptors.


@pytest.fixture
def process(tmp_path: Path) -> Iterator[tuple[Process, int]]:
    port = free_port()
    with Process(tmp_path) as one:
        with one.config.open("a") as file:
            file.write(f"web: {{port: {port}}}\n")
        yield one.start(), port


def open_files(process: Process) -> int:
    return len(list(Path(f"/proc/{process.pid}/fd").iterdir()))


def test_a_thousand_connections_leave_room_and_the_local_socket(process: tuple[Process, int]) -> None:
    daemon, port = process
    before = open_files(daemon)
    crowd = [Raw(port, f"127.0.0.{2 + number % 200}") for number in range(1_100)]
    until(lambda: open_files(daemon) <= before + MOST + 2)
    assert daemon.client.get("/v1/state")["incubators"]
    assert len(daemon.log) < 2_000, daemon.log[:2_000]
    for one in crowd:
        one.close()


def test_no_descriptor_left_is_an_alarm_and_no_storm_in_the_log(process: tuple[Process, int]) -> None:
    daemon, port = process
    had = resource.prlimit(daemon.pid, resource.RLIMIT_NOFILE)
    written = len(daemon.log)
    open_link = Client.for_journal(daemon.journal, daemon.folder / "run")
    resource.prlimit(daemon.pid, resource.RLIMIT_NOFILE, (3, had[1]))  # nothing more can be opened from now on
    waiting = [Raw(port) for _ in range(20)]
    until(lambda: "nothing more can be opened" in daemon.log)
    # It is told in the journal, which is open already; from outside nobody can ask now.
    until(lambda: any(row.key == "health/descriptors" for row in daemon.reader().events(0, kinds=("alarm",))))
    assert len(daemon.log) - written < 20_000, daemon.log[-2_000:]
    resource.prlimit(daemon.pid, resource.RLIMIT_NOFILE, had)
    until(lambda: _well(open_link))
    for one in waiting:
        one.close()


def _well(client: Client) -> bool:
    found = {alarm["key"]: alarm["state"] for alarm in client.get("/v1/alarms")["alarms"]}
    return found.get("health/descriptors", "NORM") in ("RTNUN", "NORM")
