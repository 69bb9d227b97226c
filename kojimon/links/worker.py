"""The thread that keeps one link open: opens it, lives with it, and after trouble tries again with growing delay."""

from __future__ import annotations

import threading
from typing import Final

from kojimon.clock import real_s
from kojimon.contract.health import LinkHealth
from kojimon.errors import LinkError
from kojimon.logs import get

FIRST_DELAY_S: Final = 0.5
LONGEST_DELAY_S: Final = 30.0
"""Wait before a link is tried again: doubled from the first to the longest, begun anew once it proved itself."""
JOIN_S: Final = 2.0


class Worker:
    """A link with a thread of its own.

    A subclass gives `_session`, which lives until `stop` is set or the link is lost (it returns or raises LinkError),
    calls `_beat` at least once a second, `_up` when the link works and `_proved` when it brought something. Any other
    exception is caught too, told in the log, and tried again: one bad message must not end a night's watch.

    Args:
        name: the link's name in the settings.
    """

    kind = ""

    def __init__(self, name: str) -> None:
        self.name = name
        self._log = get(f"{self.kind}.{name}")
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._heartbeat_s = real_s()
        self._trouble = "not started"
        self._opened = 0
        self._delay_s = FIRST_DELAY_S

    def run(self) -> None:
        """Starts the thread; one that runs already is stopped first, or abandoned where it hangs."""
        self.stop()
        self._stop = threading.Event()
        self._beat()
        self._thread = threading.Thread(target=self._work, args=(self._stop,), name=f"src-{self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread within 2 s; one that hangs in a driver is abandoned."""
        self._stop.set()
        self._wake()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(JOIN_S)
        self._thread = None

    def heartbeat_s(self) -> float:
        """Real time of the thread's last sign of life (not the device's)."""
        return self._heartbeat_s

    def facts(self) -> LinkHealth:
        """For status."""
        return LinkHealth(kind=self.kind, ok=not self._trouble, trouble=self._trouble, opened=self._opened)

    def _session(self, stop: threading.Event) -> None:
        raise NotImplementedError

    def _wake(self) -> None:
        """Ends what `_session` waits for, where it can."""

    def _beat(self) -> None:
        self._heartbeat_s = real_s()

    def _up(self) -> None:
        self._opened += 1
        self._well()

    def _well(self) -> None:
        """Nothing is wrong any more."""
        if self._trouble not in ("", "not started"):
            self._log.info("works again")
        self._trouble = ""

    def _proved(self) -> None:
        self._delay_s = FIRST_DELAY_S

    def _down(self, trouble: str) -> None:
        if trouble != self._trouble:
            self._log.warning("%s", trouble)
        self._trouble = trouble

    def _work(self, stop: threading.Event) -> None:
        self._delay_s = FIRST_DELAY_S
        while not stop.is_set():
            try:
                self._session(stop)
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
