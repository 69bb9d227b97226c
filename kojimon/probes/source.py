"""What every source of readings offers, and the worker thread most of them are built on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Final, Protocol

from kojimon.clock import Clock, real_s
from kojimon.links.errors import LinkError
from kojimon.logs import get
from kojimon.model import Arrival

Put = Callable[[Arrival], bool]
"""Takes an arrival; False when it could not be kept (or, for the waiting kind, when the daemon is stopping)."""

FIRST_DELAY_S: Final = 0.5
LONGEST_DELAY_S: Final = 30.0
"""Wait before a link is tried again: doubled from the first to the longest, begun anew once it brought something."""
JOIN_S: Final = 2.0


class SourceLink(Protocol):
    """A source of readings. It only reads and hands over; it never decodes, judges or waits for the core."""

    name: str

    def start(self, put: Put, put_wait: Put) -> None:
        """Begins to read. `put` never blocks; `put_wait` blocks until there is room (for what must not be lost)."""

    def stop(self) -> None:
        """Ends reading within 2 s; a thread that hangs in a driver is abandoned."""

    def heartbeat_s(self) -> float:
        """Real time of the last sign of life of the worker itself (not of the device)."""

    def committed(self, receipts: list[int]) -> None:
        """These receipts' readings are on the disk. Unknown receipts are other sources' and are passed over."""

    def facts(self) -> dict[str, Any]:
        """For status: at least `kind`, `ok`, `trouble` (words, "" when ok), `arrived`, `opened`."""


class Worker:
    """A thread that keeps one link open: opens, reads, and after trouble tries again with growing delay.

    A subclass gives `_session`, which returns or raises LinkError when the link is lost, calls `_beat` at least once
    a second and `_up` when the link works. Any other exception is caught too, told in the log, and tried again.

    Args:
        name: the source's name in the settings.
        clock: world time, for stamping arrivals.
    """

    kind = ""

    def __init__(self, name: str, clock: Clock) -> None:
        self.name = name
        self._clock = clock
        self._log = get(f"probes.{self.kind}.{name}")
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._heartbeat_s = real_s()
        self._trouble = "not started"
        self._opened = self._arrived = self._dropped = 0
        self._delay_s = FIRST_DELAY_S

    def start(self, put: Put, put_wait: Put) -> None:
        """See SourceLink."""
        self.stop()
        self._stop = threading.Event()
        self._beat()
        self._thread = threading.Thread(
            target=self._work, args=(put, put_wait, self._stop), name=f"src-{self.name}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """See SourceLink."""
        self._stop.set()
        self._wake()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(JOIN_S)
        self._thread = None

    def heartbeat_s(self) -> float:
        """See SourceLink."""
        return self._heartbeat_s

    def committed(self, receipts: list[int]) -> None:
        """Nothing to do: most links want no receipt."""

    def facts(self) -> dict[str, Any]:
        """See SourceLink."""
        return {
            "kind": self.kind,
            "ok": not self._trouble,
            "trouble": self._trouble,
            "arrived": self._arrived,
            "opened": self._opened,
            "dropped": self._dropped,
        }

    def _session(self, put: Put, put_wait: Put, stop: threading.Event) -> None:
        raise NotImplementedError

    def _wake(self) -> None:
        """Ends what `_session` waits for, where it can."""

    def _beat(self) -> None:
        self._heartbeat_s = real_s()

    def _up(self) -> None:
        self._opened += 1
        if self._trouble not in ("", "not started"):
            self._log.info("works again")
        self._trouble = ""

    def _down(self, trouble: str) -> None:
        if trouble != self._trouble:
            self._log.warning("%s", trouble)
        self._trouble = trouble

    def _hand(self, put: Put, arrival: Arrival) -> None:
        self._arrived += 1
        self._delay_s = FIRST_DELAY_S
        if not put(arrival):
            self._dropped += 1

    def _work(self, put: Put, put_wait: Put, stop: threading.Event) -> None:
        self._delay_s = FIRST_DELAY_S
        while not stop.is_set():
            try:
                self._session(put, put_wait, stop)
            except LinkError as error:
                self._down(str(error))
            except Exception as error:
                self._log.exception("unexpected")
                self._down(f"unexpected: {type(error).__name__}: {error}")
            self._pause(self._delay_s, stop)
            self._delay_s = min(2 * self._delay_s, LONGEST_DELAY_S)

    def _pause(self, seconds: float, stop: threading.Event) -> None:
        """Waits, showing life."""
        until_s = real_s() + seconds
        while (left_s := until_s - real_s()) > 0 and not stop.is_set():
            self._beat()
            stop.wait(min(1.0, left_s))
        self._beat()
