"""The only place that reads a clock.

Two clocks: *boot time* (CLOCK_BOOTTIME, milliseconds, monotonic) carries every duration; *wall time* (UTC as the
machine believes it) is for records and people and may jump. `Timeline` turns boot time into engine time, the one
axis of the journal, over restarts and power cuts.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Protocol

BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")
SYNC_MARKS = (Path("/run/systemd/timesync/synchronized"), Path("/run/chrony/chronyd.pid"))


class Clock(Protocol):
    """World time. Everything the engine decides hangs on it; a rehearsal or a simulator may drive it."""

    def boot_ms(self) -> int:
        """Milliseconds since boot, monotonic, counting through suspend."""

    def wall_ms(self) -> int:
        """UTC as believed now, milliseconds since 1970."""

    def boot_id(self) -> str:
        """The same text as long as boot_ms counts from the same zero."""

    def trusted(self) -> bool:
        """Whether wall_ms is known to be synchronised."""


def real_s() -> float:
    """Real seconds for keepalives, socket timeouts, kill limits and retries of I/O; never for the engine."""
    return time.monotonic()


def wait_s(seconds: float) -> None:
    """Lets real time pass (worker loops only)."""
    time.sleep(seconds)


class Backoff:
    """When to try again: each time later, soon again after it has worked for a while. In real seconds.

    Args:
        first_s, most_s: the first delay, doubled up to the last.
        steady_s: what has worked so long begins with the first again; 0: as soon as it works.
    """

    def __init__(self, first_s: float, most_s: float, steady_s: float = 0.0) -> None:
        self._first_s, self._most_s, self._steady_s = first_s, most_s, steady_s
        self._next_s = first_s
        self.due_s, self._since_s = float("-inf"), float("inf")

    def due(self, now_s: float | None = None) -> bool:
        """Whether it is time to try."""
        return (real_s() if now_s is None else now_s) >= self.due_s

    def worked(self, now_s: float | None = None) -> None:
        """It works, and has since it first did after the last failure."""
        self._since_s = min(self._since_s, real_s() if now_s is None else now_s)
        self.at_once()

    def failed(self, now_s: float | None = None) -> float:
        """It does not work. Returns the delay until it is tried again."""
        now_s = real_s() if now_s is None else now_s
        delay_s = self._first_s if now_s - self._since_s >= self._steady_s else self._next_s
        self._since_s, self.due_s = float("inf"), now_s + delay_s
        self._next_s = min(self._most_s, delay_s * 2)
        return delay_s

    def at_once(self) -> None:
        """The next try need not wait, the ones after it go on as they were."""
        self.due_s = float("-inf")


class SystemClock:
    """The machine's own clocks.

    Args:
        assume_trusted: take the wall clock for right even where no synchronisation mark is found
            (a settings choice for machines with a battery clock and no time service).
    """

    def __init__(self, assume_trusted: bool = False, sync_marks: tuple[Path, ...] = SYNC_MARKS) -> None:
        self._assume_trusted = assume_trusted
        self._sync_marks = sync_marks
        try:
            self._boot_id = BOOT_ID_FILE.read_text(encoding="ascii").strip()
        except OSError:
            self._boot_id = "unknown-boot"

    def boot_ms(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def boot_id(self) -> str:
        return self._boot_id

    def trusted(self) -> bool:
        return self._assume_trusted or any(mark.exists() for mark in self._sync_marks)


class ManualClock:
    """A clock that stands still until told otherwise; drives tests, rehearsals and simulated incubators.

    Thread-safe: a driver moves it while the daemon's threads read it.
    """

    def __init__(self, wall_ms: int, boot_ms: int = 0, boot_id: str = "manual", trusted: bool = True) -> None:
        self._lock = threading.Lock()
        self._boot_ms = boot_ms
        self._offset_ms = wall_ms - boot_ms
        self._boot_id = boot_id
        self._trusted = trusted

    def boot_ms(self) -> int:
        with self._lock:
            return self._boot_ms

    def wall_ms(self) -> int:
        with self._lock:
            return self._boot_ms + self._offset_ms

    def boot_id(self) -> str:
        return self._boot_id

    def trusted(self) -> bool:
        return self._trusted

    def advance(self, delta_ms: int) -> None:
        """Moves boot time forward by delta_ms."""
        with self._lock:
            self._boot_ms += max(0, delta_ms)

    def advance_to_wall(self, wall_ms: int) -> None:
        """Moves time forward until the wall clock shows wall_ms."""
        with self._lock:
            self._boot_ms = max(self._boot_ms, wall_ms - self._offset_ms)


class Timeline:
    """Engine time of one boot: t_ms = t0_ms + (boot_ms - boot0_ms), never backwards.

    Args:
        t0_ms: engine time at which this boot's count begins (the last horizon plus the gap).
        boot0_ms: boot time that belongs to t0_ms.
    """

    def __init__(self, t0_ms: int, boot0_ms: int) -> None:
        self._offset_ms = t0_ms - boot0_ms
        self._last_ms = t0_ms

    def t_ms(self, boot_ms: int) -> int:
        """Engine time of an arrival, not before any time given out already."""
        self._last_ms = max(self._last_ms, boot_ms + self._offset_ms)
        return self._last_ms

    def boot_ms(self, t_ms: int) -> int:
        """Boot time that belongs to an engine time of this boot."""
        return t_ms - self._offset_ms
