"""The driver's side of a driven clock: whoever simulates owns time, the daemon follows.

`begin T` moves the clock to T, so that everything that arrives bears T; `end T` waits until the announced counts have
arrived and runs the engine up to T. The same two steps serve the simulated incubator in the daemon and, as JSON lines
over a Unix socket, one in another process.
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from kojimon import logs
from kojimon.clock import ManualClock
from kojimon.errors import KojimonError
from kojimon.sockets import name_of

COUNTS_S = 2.0
"""How long announced data may take to arrive, real seconds."""
ENGINE_S = 30.0
LONGEST_LINE = 65_536
ACCEPT_S = 0.5
_LOG = logs.get("driver")


class Driver:
    """Moves the clock and lets the core follow. Used by one driver at a time.

    Args:
        wait_arrived: waits for counts by source; answers what is missing (`Intake.wait_arrived`).
        run: runs the engine up to the clock; answers how many events came (`Core.run_to_present`).
    """

    def __init__(
        self,
        clock: ManualClock,
        wait_arrived: Callable[[Mapping[str, int], float], dict[str, int]],
        run: Callable[[float], int],
    ) -> None:
        self.clock, self._wait_arrived, self._run = clock, wait_arrived, run

    def begin(self, wall_ms: int) -> None:
        """The clock shows wall_ms (UTC) from now on. Raises KojimonError when that lies in the past."""
        now_ms = self.clock.wall_ms()
        if wall_ms < now_ms:
            raise KojimonError(f"begin {wall_ms}: the clock is at {now_ms} already; time runs forward only")
        self.clock.advance_to_wall(wall_ms)

    def end(self, wall_ms: int, counts: Mapping[str, int]) -> int:
        """All data of this instant are on their way. Returns how many events came of them.

        Raises KojimonError when wall_ms is not the instant begun, or announced data do not arrive.
        """
        now_ms = self.clock.wall_ms()
        if wall_ms != now_ms:
            raise KojimonError(f"end {wall_ms}: the instant that was begun is {now_ms}")
        missing = self._wait_arrived(counts, COUNTS_S)
        if missing:
            lacking = ", ".join(f"{name} {count}" for name, count in sorted(missing.items()))
            raise KojimonError(f"end {wall_ms}: not arrived within {COUNTS_S:g} s: {lacking}")
        return self._run(ENGINE_S)


class DriverDoor:
    """Serves the driver over a Unix socket, one connection at a time.

    Args:
        path: the socket; a stale one is taken away.
    """

    def __init__(self, path: Path, driver: Driver) -> None:
        self._path, self._driver = path, driver
        self._stopping = threading.Event()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._thread = threading.Thread(target=self._run, name="driver", daemon=True)

    def start(self) -> None:
        """Opens the socket. Raises KojimonError when it cannot be made."""
        try:
            self._path.unlink(missing_ok=True)
            with name_of(self._path) as name:
                self._socket.bind(name)
            self._path.chmod(0o600)
            self._socket.listen(1)
        except OSError as error:
            raise KojimonError(f"{self._path}: the driver's socket cannot be made: {error}") from error
        self._socket.settimeout(ACCEPT_S)
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """Closes the socket."""
        self._stopping.set()
        try:
            self._socket.shutdown(socket.SHUT_RDWR)  # ends `accept`
        except OSError:
            pass
        self._thread.join(timeout_s)
        self._socket.close()
        self._path.unlink(missing_ok=True)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                link, _ = self._socket.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            with link:
                try:
                    self._serve(link)
                except OSError as error:
                    _LOG.info("the driver went away: %s", error)

    def _serve(self, link: socket.socket) -> None:
        link.settimeout(ACCEPT_S)
        _send(link, {"hello": {"wall_ms": self._driver.clock.wall_ms()}})
        rest = b""
        while not self._stopping.is_set():
            try:
                part = link.recv(LONGEST_LINE)
            except TimeoutError:
                continue
            if not part:
                return
            *lines, rest = (rest + part).split(b"\n")
            for line in lines:
                _send(link, self._answer(line))
            if len(rest) > LONGEST_LINE:
                _send(link, {"error": f"a line of {LONGEST_LINE} bytes at most is wanted"})
                return

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            message = json.loads(line)
            if "begin" in message:
                self._driver.begin(int(message["begin"]))
                return {"ok": True}
            counts = {str(name): int(count) for name, count in message.get("counts", {}).items()}
            events = self._driver.end(int(message["end"]), counts)
            return {"done": int(message["end"]), "events": events}
        except KojimonError as error:
            return {"error": str(error)}
        except (ValueError, TypeError, KeyError, AttributeError):
            return {"error": f"{line[:80]!r}: begin or end with a time in UTC ms is wanted"}


def _send(link: socket.socket, message: dict[str, Any]) -> None:
    link.sendall(json.dumps(message).encode() + b"\n")
