"""Readings from sensor files of the kernel, polled."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

from kojimon.clock import Clock, real_s
from kojimon.contract.health import KernelHealth
from kojimon.errors import LinkError
from kojimon.links.kernel_files import SeveralError, counted, read, resolve
from kojimon.model import Arrival
from kojimon.probes.sources.worker import SourceWorker
from kojimon.settings.spec import KernelSource


class KernelFiles(SourceWorker):
    """Reads each file once every `poll_every_s` and hands over its number, or an empty payload where the sensor had
    none. A file that is not there is looked for again at each round; its probe stays silent meanwhile. A name that has
    fitted two sensors is not read again, even if one of them goes: the other may be the wrong one.

    Args:
        settings: root folder and pace.
        topics: files of the probes, as `kernel_files.resolve` understands them.
        clock: world time, for stamping.
    """

    kind = "kernel"

    def __init__(self, settings: KernelSource, topics: Sequence[str], clock: Clock) -> None:
        super().__init__(settings.name, clock)
        self._root, self._every_s = Path(settings.root), settings.poll_every_s
        self._missing: dict[str, str] = dict.fromkeys(topics, "not read yet")
        self._topics, self._counts = tuple(topics), counted(topics)
        self._several: dict[str, str] = {}
        self._no_reading = self._rounds = 0

    def facts(self) -> KernelHealth:
        """See SourceLink."""
        missing = {topic: why for topic, why in self._missing.items() if why}
        own = vars(super().facts())
        return KernelHealth(**own, rounds=self._rounds, no_reading=self._no_reading, missing=missing)

    def _session(self, stop: threading.Event) -> None:
        due_s = real_s()
        while not stop.is_set():
            self._round(stop)
            due_s = max(due_s + self._every_s, real_s())
            self._pause(due_s - real_s(), stop)

    def _round(self, stop: threading.Event) -> None:
        for topic in self._topics:
            if stop.is_set():
                return
            self._beat()
            self._read(topic)
        self._rounds += 1
        missing = [why for why in self._missing.values() if why]
        if missing:
            self._down("; ".join(missing[:3]))
        elif self._trouble:
            self._up()

    def _read(self, topic: str) -> None:
        try:
            if topic in self._several:
                raise LinkError(self._several[topic])
            value = read(resolve(self._root, topic, self._counts))
        except SeveralError as error:
            self._missing[topic] = self._several[topic] = str(error)
            return
        except LinkError as error:
            self._missing[topic] = str(error)
            return
        self._missing[topic] = ""
        if value is None:
            self._no_reading += 1
        self._hand(Arrival(self.name, self._clock.boot_ms(), topic, b"" if value is None else value))
