"""A whole daemon in the test's own process, its clock driven by the test."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from kojimon.clock import Clock, ManualClock
from kojimon.daemon.run import Daemon
from kojimon.model import Arrival
from kojimon.settings.spec import MqttSource, Settings
from kojimon.web.client.local import Client
from tests.daemon.sites import probes_of, site
from tests.parts.wait import DEADLINE_S

WALL_MS = 1_790_000_000_000


class Running:
    """A started daemon and a client of its API."""

    def __init__(self, daemon: Daemon, thread: threading.Thread, codes: list[int]) -> None:
        self.daemon, self._thread, self._codes = daemon, thread, codes
        settings = daemon.settings
        self.client = Client.for_journal(settings.journal.path, settings.run_folder)

    def put(self, topic: str, value: float, source: str = "mqtt") -> None:
        """An arrival as a source would hand it over."""
        self.daemon.house.intake.put(Arrival(source, self.daemon.clock.boot_ms(), topic, f"{value}".encode()))

    def advance(self, seconds: float) -> None:
        """Moves the driven clock; the engine follows when it gets to it."""
        assert isinstance(self.daemon.clock, ManualClock)
        self.daemon.clock.advance(round(seconds * 1000))

    def tick(self, seconds: float = 0.0) -> None:
        """Moves the driven clock and runs the engine to it."""
        self.advance(seconds)
        self.daemon.house.core.run_to_present(DEADLINE_S)

    def act(self, kind: str, **data: Any) -> Any:
        return self.client.act({"kind": kind, "who": "me", "data": data})

    def commit(self) -> None:
        if not self.daemon.house.writer.flush(DEADLINE_S):
            raise TimeoutError

    def end(self, within_s: float = DEADLINE_S) -> int:
        """Ends it in order. Returns its exit code."""
        self.daemon.end("test")
        self._thread.join(within_s)
        assert not self._thread.is_alive(), "the daemon did not end in time"
        return self._codes[0]


@contextmanager
def running(settings: Settings, clock: Clock | None = None, **more: Any) -> Iterator[Running]:
    """Runs a daemon while the block lasts; its sources' brokers may be absent."""
    daemon = Daemon(settings, clock or ManualClock(WALL_MS), **more)
    ready = threading.Event()
    codes: list[int] = []
    failures: list[BaseException] = []

    def work() -> None:
        try:
            codes.append(daemon.run(lambda _: ready.set()))
        except BaseException as error:
            failures.append(error)
            ready.set()

    thread = threading.Thread(target=work, name="daemon-under-test", daemon=True)
    thread.start()
    if not ready.wait(DEADLINE_S):
        raise TimeoutError("the daemon did not start in time")
    if failures:
        thread.join(60)
        raise failures[0]
    one = Running(daemon, thread, codes)
    try:
        yield one
    finally:
        one.end()


def broker_site(folder: Path, port: int = 1, **more: Any) -> Settings:
    """Probes on a broker; with port 1 there is none, and tests put arrivals themselves."""
    return site(folder, (MqttSource("mqtt", "127.0.0.1", port),), probes_of("mqtt", prefix="k/"), **more)
