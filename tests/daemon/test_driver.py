"""The driver door: the simulator owns time, over a socket, with data over a real broker or put by hand."""

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from kojimon.core import driver
from kojimon.model import InputRow
from kojimon.sockets import name_of
from tests.daemon.running import WALL_MS, Running, broker_site, running
from tests.parts.broker import Broker, publish
from tests.parts.driven import DriverDoor, drive
from tests.parts.opened import reading
from tests.parts.wait import until


class Line:
    """JSON lines to and from the door."""

    def __init__(self, door: DriverDoor) -> None:
        self.door = door
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(60)
        with name_of(door.path) as name:
            self._socket.connect(name)
        self._file = self._socket.makefile("r", encoding="utf-8")

    def ask(self, message: Any) -> Any:
        text = message if isinstance(message, str) else json.dumps(message)
        self._socket.sendall(text.encode() + b"\n")
        return self.hear()

    def hear(self) -> Any:
        return json.loads(self._file.readline())

    def close(self) -> None:
        self._file.close()
        self._socket.close()


@contextmanager
def driving(one: Running) -> Iterator[Line]:
    door = drive(one.daemon)
    line = Line(door)
    try:
        assert line.hear() == {"hello": {"wall_ms": WALL_MS}}
        yield line
    finally:
        line.close()
        door.stop()


def test_all_stamps_of_an_instant_are_exactly_its_time(tmp_path: Path) -> None:
    with Broker(tmp_path / "b") as broker, running(broker_site(tmp_path, broker.port)) as one, driving(one) as line:
        until(lambda: one.client.get("/v1/health")["sources"]["mqtt"]["subscribed"])
        for step in range(1, 6):
            t_ms = WALL_MS + step * 10_000
            assert line.ask({"begin": t_ms}) == {"ok": True}
            publish(broker, "k/bed", f"{30 + step}")
            publish(broker, "k/air", "28.5")
            answer = line.ask({"end": t_ms, "counts": {"mqtt": 2 * step}})
            assert answer["done"] == t_ms and answer["events"] >= 0
        one.commit()
        reader = reading(Path(one.daemon.settings.journal.path))
        stamps = reader.stamps()
        rows = [row for row in reader.rows_after(0) if not isinstance(row, InputRow)]
        assert [stamps.utc_ms(row[1])[0] for row in rows[::2]] == [WALL_MS + step * 10_000 for step in range(1, 6)]
        assert [row[3] for row in rows] == [31.0, 28.5, 32.0, 28.5, 33.0, 28.5, 34.0, 28.5, 35.0, 28.5]


def test_the_engine_has_run_when_the_answer_comes(tmp_path: Path) -> None:
    with running(broker_site(tmp_path)) as one, driving(one) as line:
        one.act("batch.start", name="first")
        line.ask({"begin": WALL_MS + 1000})
        one.put("k/bed", 31.0)
        line.ask({"end": WALL_MS + 1000, "counts": {"mqtt": 1}})
        assert one.client.get("/v1/state")["incubators"][0]["places"][0]["hottest"]["value"] == 31.0
        line.ask({"begin": WALL_MS + 600_000})
        answer = line.ask({"end": WALL_MS + 600_000})
        silent = until(lambda: one.client.get("/v1/events", kinds="alarm")["events"])  # once they are stored
        assert answer["events"] >= len(silent) > 0
        assert {event["key"] for event in silent} >= {"silent/bed"}


def test_what_does_not_arrive_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(driver, "COUNTS_S", 0.1)
    with running(broker_site(tmp_path)) as one, driving(one) as line:
        line.ask({"begin": WALL_MS + 1000})
        one.put("k/bed", 31.0)
        answer = line.ask({"end": WALL_MS + 1000, "counts": {"mqtt": 3, "port": 1}})
        assert "not arrived within 0.1 s: mqtt 2, port 1" in answer["error"]
        one.put("k/bed", 31.0)
        one.put("k/bed", 31.0)
        assert line.ask({"end": WALL_MS + 1000, "counts": {"mqtt": 3}})["done"] == WALL_MS + 1000


WRONG: tuple[tuple[Any, str], ...] = (
    ({"begin": WALL_MS - 1}, "time runs forward only"),
    ({"end": WALL_MS + 5, "counts": {}}, "the instant that was begun is"),
    ({}, "begin or end"),
    ({"begin": "soon"}, "begin or end"),
    ([1], "begin or end"),
    ("{", "begin or end"),
    ({"end": WALL_MS, "counts": {"mqtt": "many"}}, "begin or end"),
)


def test_a_wrong_step_is_refused_and_the_door_stays_open(tmp_path: Path) -> None:
    with running(broker_site(tmp_path)) as one, driving(one) as line:
        for message, words in WRONG:
            assert words in line.ask(message)["error"], message
        assert line.ask({"begin": WALL_MS + 10}) == {"ok": True}


def test_a_driver_that_went_away_may_come_back(tmp_path: Path) -> None:
    with running(broker_site(tmp_path)) as one, driving(one) as line:
        line.ask({"begin": WALL_MS + 1000})
        line.close()
        later = Line(line.door)
        assert later.hear() == {"hello": {"wall_ms": WALL_MS + 1000}}
        later.close()
