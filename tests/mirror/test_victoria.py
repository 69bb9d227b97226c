"""The mirror against a real time-series server that speaks the InfluxDB v2 write protocol (VictoriaMetrics).

It answers 204 to anything, so everything is read back and compared point by point. It keeps milliseconds.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.clock import SystemClock
from kojimon.mirror.feed import Feed
from kojimon.mirror.sender import Mirror
from tests.mirror.kitchen import Kitchen
from tests.parts.wait import until

BINARY = shutil.which("victoria-metrics") or shutil.which("victoria-metrics-prod")
pytestmark = pytest.mark.skipif(BINARY is None, reason="no victoria-metrics on this machine (Debian: victoria-metrics)")
DAY = 86_400_000
Found = Counter[tuple[frozenset[tuple[str, str]], int, float]]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Victoria:
    """A server on a free loopback port with its data in a folder of its own; can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        assert BINARY is not None
        self._process = subprocess.Popen(
            [
                BINARY, f"-storageDataPath={self._folder}", f"-httpListenAddr=127.0.0.1:{self.port}",
                "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR",
            ],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until(self._answers, what="the server is up", within_s=30)

    def _answers(self) -> bool:
        try:
            return self.ask("/health") == b"OK"
        except (urllib.error.URLError, ConnectionError):
            return False

    def ask(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=10) as answer:
            return bytes(answer.read())

    def points(self) -> Found:
        """Every stored point: labels, UTC in ms, value."""
        self.ask("/internal/force_flush")
        match = urllib.parse.quote('{__name__=~"kojimon_.*"}')
        found: Found = Counter()
        for line in self.ask(f"/api/v1/export?match[]={match}").splitlines():
            series = json.loads(line)
            labels = frozenset(pair for pair in series["metric"].items() if pair[0] != "db")
            found.update((labels, at, value) for at, value in zip(series["timestamps"], series["values"], strict=True))
        return found

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path / "victoria")
    made.start()
    yield made
    made.stop()


def wanted(kitchen: Kitchen) -> Found:
    """What the journal says must be there."""
    found: Found = Counter()
    with closing(kitchen.reader()) as reader:
        for point in Feed(reader, "cellar").next(0, 10**6).points:
            for name, value in point.fields.items():
                labels = {"__name__": f"kojimon_{name}", **point.tags}
                found[frozenset(labels.items()), point.time_ns // 10**6, float(value)] += 1
    return found


def caught_up(kitchen: Kitchen, mirror: Mirror) -> Callable[[], Any]:
    return lambda: mirror.facts()["cursor"] == kitchen.seq


def test_point_by_point(kitchen: Kitchen, victoria: Victoria, make_mirror: Callable[..., Mirror]) -> None:
    """A batch with odd names, spikes and a restart of the mirror: the server holds exactly the journal's points."""
    kitchen.clock(SystemClock().wall_ms() - 3 * DAY)
    kitchen.read(400)
    kitchen.batch("batch-start", "März, 1st=best")
    kitchen.read(400)
    kitchen.read(5, quality=6)
    first = make_mirror(victoria.url)
    until(caught_up(kitchen, first), what="the first part")
    first.stop(5)
    kitchen.read(200)
    until(caught_up(kitchen, make_mirror(victoria.url)), what="the rest")
    there = victoria.points()
    assert there == wanted(kitchen)
    assert sum(there.values()) == 3 * 1000 + 3 * 5 * 2


def test_an_outage_of_the_server(kitchen: Kitchen, victoria: Victoria, make_mirror: Callable[..., Mirror]) -> None:
    """The server goes away in mid-backlog and comes back; some points are sent again; each is there once."""
    kitchen.clock(SystemClock().wall_ms() - 3 * DAY)
    kitchen.read(200)
    mirror = make_mirror(victoria.url)
    until(caught_up(kitchen, mirror), what="before the outage")
    victoria.stop()
    kitchen.read(300)
    until(lambda: mirror.facts()["trouble"], what="it noticed")
    assert "does not answer" in mirror.facts()["trouble"]
    victoria.start()
    until(caught_up(kitchen, mirror), what="after the outage")
    mirror.stop(5)
    kitchen.writer.run(lambda db: db.execute("UPDATE sink SET seq = 50 WHERE name = 'mirror'").rowcount)
    until(caught_up(kitchen, make_mirror(victoria.url)), what="all sent again from an old cursor")
    assert victoria.points() == wanted(kitchen)
