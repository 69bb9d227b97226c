"""Keeps the daemon's parts alive: a silent or dead source is built anew, the service manager is told how it stands.

A source is replaced, never repaired: its object is abandoned (not joined: it may hang for ever in a driver) and cut
off, so that it cannot put a reading twice should it wake up. The watchdog is fed only while the parts that nobody can
replace are fresh; a hung driver must not cause restarts.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple, Protocol

from kojimon import logs
from kojimon.clock import Backoff, real_s
from kojimon.contract.health import SourceHealth
from kojimon.model import Arrival
from kojimon.probes.sources.worker import Put, SourceLink

SILENT_S = 30.0
"""A source without a sign of life for so long is built anew. Its blocking calls end within a second."""
ESSENTIAL_S = 20.0
BACKOFF_FIRST_S = 1.0
BACKOFF_MOST_S = 60.0
TROUBLE_S = 60.0
"""A device or broker that is away for less is not worth a person's attention."""
STEADY_S = 60.0
"""A source that has lived so long starts with the shortest delay again."""
CHECK_EVERY_S = 1.0
WAIT_STEP_S = 0.5
STATUS_EVERY_S = 60.0
_LOG = logs.get("supervise")

PutWait = Callable[[Arrival, float], bool]
Tell = Callable[[str, bool, str], None]


class Essential(NamedTuple):
    """A part that nobody can replace: its name, and whether it is fresh."""

    name: str
    fresh: Callable[[], bool]


class Notifier(Protocol):
    """The service manager (`sdnotify.SystemdNotifier`)."""

    def notify(self, state: str) -> None: ...


class _Gate:
    """The way into the intake for one life of a source; shut when the source is abandoned."""

    def __init__(self, put: Put, put_wait: PutWait) -> None:
        self._put, self._put_wait = put, put_wait
        self.open = True
        self.waiting = False

    def put(self, arrival: Arrival) -> bool:
        return self._put(arrival) if self.open else False

    def put_wait(self, arrival: Arrival) -> bool:
        """Waits for room in steps, so that the one who waits is let go when the gate is shut."""
        self.waiting = True
        try:
            while self.open:
                if self._put_wait(arrival, WAIT_STEP_S):
                    return True
            return False
        finally:
            self.waiting = False


class Slot:
    """One source over all its lives.

    Args:
        name: the source's name.
        build: makes a fresh object; may raise.
        put, put_wait: the intake.
        what: how the engine calls its health, `serial:NAME` or `broker:NAME`.
    """

    def __init__(self, name: str, build: Callable[[], SourceLink], put: Put, put_wait: PutWait, what: str) -> None:
        self.name, self.what = name, what
        self._build, self._put, self._put_wait = build, put, put_wait
        self._source: SourceLink | None = None
        self._gate: _Gate | None = None
        self._born_s = 0.0
        self._backoff = Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S, STEADY_S)
        self._well_s = 0.0
        self.lives = 0

    def committed(self, receipts: list[int]) -> None:
        """Passes on that readings are on the disk."""
        source = self._source
        if source is not None:
            source.committed(receipts)

    def facts(self) -> SourceHealth:
        """What the source says of itself, and how often it was built."""
        source = self._source
        if source is None:
            return SourceHealth(kind="", ok=False, trouble="not started", opened=0, lives=self.lives, running=False)
        return replace(source.facts(), lives=self.lives)

    def check(self, now_s: float, tell: Tell) -> None:
        """Builds the source where it is missing, gives it up where it is silent."""
        if self._source is None:
            if self._backoff.due(now_s):
                self._start(now_s, tell)
        elif self._silent_s(now_s) > SILENT_S:
            _LOG.warning("%s: no answer for %.0f s; built anew", self.name, SILENT_S)
            self.abandon()
            tell(self.what, False, f"{self.name} did not answer for {SILENT_S:.0f} s; its reader is started anew")
            self._start(now_s, tell)
        else:
            self._listen(self._source.facts(), now_s, tell)

    def _silent_s(self, now_s: float) -> float:
        """How long the source gave no sign of life. One that waits for room in the intake is not to blame."""
        if self._source is None or (self._gate is not None and self._gate.waiting):
            return 0.0
        return now_s - max(self._source.heartbeat_s(), self._born_s)

    def _listen(self, facts: SourceHealth, now_s: float, tell: Tell) -> None:
        """Passes on what the source says of its device or broker: well at once, trouble when it lasts."""
        if facts.ok:
            self._well_s = now_s
            tell(self.what, True, f"{self.name} works")
        elif now_s - self._well_s > TROUBLE_S:
            tell(self.what, False, facts.trouble or f"{self.name} does not work")

    def _start(self, now_s: float, tell: Tell) -> None:
        self._gate = _Gate(self._put, self._put_wait)
        try:
            source = self._build()
            source.start(self._gate.put, self._gate.put_wait)
        except Exception as error:
            self._gate.open = False
            self._backoff.failed(now_s)
            why = str(error) or type(error).__name__
            _LOG.warning("%s: cannot be started: %s", self.name, why)
            tell(self.what, False, f"{self.name} cannot be started: {why}")
            return
        self._source, self._born_s, self._well_s = source, now_s, now_s
        self._backoff.worked(now_s)
        self.lives += 1

    def shut(self) -> None:
        """Takes nothing more from the source; it still hears of commits, to acknowledge what it has handed over."""
        if self._gate is not None:
            self._gate.open = False

    def abandon(self) -> None:
        """Cuts the source off and tells it to stop, without waiting for it."""
        self.shut()
        source, self._source = self._source, None
        if source is not None:
            threading.Thread(target=_stop, args=(source,), name=f"end-{self.name}", daemon=True).start()

    def stop(self) -> None:
        """Stops the source and waits for it; call it from a thread that may hang."""
        source = self._source
        if source is not None:
            _stop(source)


def _stop(source: SourceLink) -> None:
    try:
        source.stop()
    except Exception as error:
        _LOG.warning("%s: while stopping: %s", source.name, error)


class Supervisor:
    """Runs in the main thread.

    Args:
        slots: the sources.
        essentials: what the watchdog hangs on.
        tell: takes a health change (`core.health`).
        status: one line for a person.
        notifier: the service manager, None where there is none.
        watchdog_s: how often it wants to hear from us; 0 never.
    """

    def __init__(
        self,
        slots: Sequence[Slot],
        essentials: Sequence[Essential],
        tell: Tell,
        status: Callable[[], str] = lambda: "",
        notifier: Notifier | None = None,
        watchdog_s: float = 0.0,
    ) -> None:
        self._slots, self._essentials, self._tell = slots, essentials, tell
        self._status, self._notifier, self._watchdog_s = status, notifier, watchdog_s
        self._fed_s = self._status_s = float("-inf")
        self.stale: tuple[str, ...] = ()

    def check(self, now_s: float) -> None:
        """One look at everything. `now_s` is real time."""
        for slot in self._slots:
            try:
                slot.check(now_s, self._tell)
            except Exception:
                _LOG.exception("%s: could not be looked after", slot.name)
        stale = tuple(part.name for part in self._essentials if not part.fresh())
        if stale and stale != self.stale:
            _LOG.error("no answer from: %s", ", ".join(stale))
        self.stale = stale
        self._feed(now_s)

    def _feed(self, now_s: float) -> None:
        if self._notifier is None:
            return
        if self._watchdog_s and not self.stale and now_s - self._fed_s >= self._watchdog_s / 2 - CHECK_EVERY_S / 2:
            self._fed_s = now_s
            self._notifier.notify("WATCHDOG=1")
        if now_s - self._status_s >= STATUS_EVERY_S:
            self._status_s = now_s
            self._notifier.notify(f"STATUS={self._status()}")

    def run(self, stop: threading.Event) -> None:
        """Checks every second until `stop` is set."""
        while not stop.is_set():
            self.check(real_s())
            stop.wait(CHECK_EVERY_S)

    def stop_sources(self, timeout_s: float) -> bool:
        """Stops all sources at the same time; those that do not end in time are left behind. Whether all ended."""
        threads = [threading.Thread(target=slot.stop, name=f"end-{slot.name}", daemon=True) for slot in self._slots]
        until = real_s() + timeout_s
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(max(0.0, until - real_s()))
        for slot in self._slots:
            slot.abandon()
        return not any(thread.is_alive() for thread in threads)
