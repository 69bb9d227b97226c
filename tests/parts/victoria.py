"""A real time-series server that speaks the InfluxDB v2 write protocol (VictoriaMetrics), and what must be in it.

It answers 204 to anything, so tests read everything back. It keeps milliseconds, and 0 for a text.
"""

from __future__ import annotations

import json
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from kojimon.journal.reading.reader import Reader
from kojimon.mirror.feed import Feed
from kojimon.model import Event
from tests.parts.broker import free_port
from tests.parts.need import need
from tests.parts.wait import until

Found = Counter[tuple[frozenset[tuple[str, str]], int, float]]


class Victoria:
    """A server on a free loopback port with its data in a folder of its own; can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        self._process = subprocess.Popen(
            [
                need("victoria-metrics"), f"-storageDataPath={self._folder}", f"-httpListenAddr=127.0.0.1:{self.port}",
                "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR",
            ],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until(self._answers, what="the server is up")

    def _answers(self) -> bool:
        try:
            return self.ask("/health") == b"OK"
        except (urllib.error.URLError, ConnectionError):
            return False

    def ask(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=60) as answer:
            return bytes(answer.read())

    def points(self) -> Found:
        """Every stored point up to now: labels, UTC in ms, value."""
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
            self._process.wait(60)
            self._process = None


def journalled(
    reader: Reader, site: str, say: Callable[[Sequence[Event]], list[str]] | None = None, until_event: int = 10**9
) -> Found:
    """Every point a journal calls for, as this server shows it."""
    found: Found = Counter()
    feed = Feed(reader, site, say)
    events = [point for point in feed.events(0, 10**6).points if point.no <= until_event]
    for point in (*feed.next(0, 10**6).points, *events):
        for name, value in point.fields.items():
            labels = {"__name__": f"{point.measurement}_{name}", **point.tags}
            shown = 0.0 if isinstance(value, str) else float(value)
            found[frozenset(labels.items()), point.time_ns // 10**6, shown] += 1
    return found
