"""The daemon as a process of its own, on a settings file, that a test may kill."""

from __future__ import annotations

import os
import selectors
import signal
import subprocess
import sys
from pathlib import Path
from types import TracebackType

from kojimon.journal.reading.reader import Reader
from kojimon.web.client.local import Client
from tests.parts.opened import reading
from tests.parts.wait import DEADLINE_S

CHILD = Path(__file__).with_name("child.py")
SETTINGS = """
site: home
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, low]}}
sources:
  house: {{kind: mqtt, host: 127.0.0.1, port: {port}}}
probes:
  bed: {{place: bed, tray: top, topic: k/bed}}
  bed-2: {{place: bed, tray: low, topic: k/bed-2}}
  air: {{place: air, topic: k/air}}
journal: {{file: {folder}/kojimon.journal, ballast: 0 MB}}
run_folder: {folder}/run
clock: {{trusted: true}}
"""


class Process:
    """One daemon over all its lives.

    Args:
        folder: for settings, journal, sockets, state.
        port: of the broker; 1 where there is none.
    """

    def __init__(self, folder: Path, port: int = 1, environment: dict[str, str] | None = None) -> None:
        self.folder, self.config = folder, folder / "kojimon.yaml"
        self.journal = folder / "kojimon.journal"
        self.config.write_text(SETTINGS.format(port=port, folder=folder))
        self.client = Client.for_journal(self.journal, folder / "run")
        self._environment = {**os.environ, **(environment or {})}
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, wait: bool = True) -> Process:
        """Starts it; by default waits until its API answers."""
        log = (self.folder / "log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [sys.executable, str(CHILD), str(self.config), str(self.folder / "state")],
                stdout=subprocess.PIPE, stderr=log, env=self._environment,
            )  # fmt: skip
        if wait:
            self.ready()
        return self

    def ready(self, within_s: float = DEADLINE_S) -> None:
        """Waits until it says that it is ready."""
        assert self._process is not None and self._process.stdout is not None
        with selectors.DefaultSelector() as waiting:
            waiting.register(self._process.stdout, selectors.EVENT_READ)
            assert waiting.select(within_s), f"not ready in time: {self.log}"
        assert self._process.stdout.readline() == b"ready\n", self.log

    @property
    def log(self) -> str:
        """What it has written to standard error over all its lives."""
        return (self.folder / "log").read_text(errors="replace")

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def wait(self, within_s: float = DEADLINE_S) -> int:
        """Its exit code, once it has ended."""
        assert self._process is not None
        code = self._process.wait(within_s)
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._process = None
        return code

    def stop(self) -> int:
        """An orderly end. Its exit code."""
        self.signal(signal.SIGTERM)
        return self.wait()

    def kill(self) -> None:
        """What a power cut does to a process."""
        self.signal(signal.SIGKILL)
        self.wait()

    def reader(self) -> Reader:
        return reading(self.journal)

    def __enter__(self) -> Process:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self.kill()
