"""A daemon whose time somebody else drives: `python -m tests.parts.driven SETTINGS STATE_FOLDER START_UTC_MS`.

In its run folder a Unix stream socket `drive` speaks JSON lines, as `kojisim run --drive` does. The daemon says first
`{"hello": {"wall_ms": W}}`. The driver says `{"begin": T}`, sends its data over the real lines, then `{"end": T,
"counts": {"SOURCE": N}}` (cumulative messages or lines by source). The daemon waits until so many have arrived (a
minute, then failure), runs the engine to T, answers `{"done": T, "events": N}` or `{"error": "..."}`. T is UTC in ms;
all stamps of that instant are exactly T.
"""

from __future__ import annotations

import json
import os
import secrets
import socket
import sys
import threading
from pathlib import Path
from typing import Any

from kojimon import logs
from kojimon.clock import ManualClock, real_s
from kojimon.core.driver import Driver
from kojimon.daemon import Daemon, run_daemon, settings_for_run
from kojimon.daemon.simulation import last_utc_ms
from kojimon.errors import KojimonError
from kojimon.sockets import name_of

ROOT = Path(__file__).resolve().parents[2]
"""Where `-m tests.parts.driven` is to be run."""
LONGEST_LINE = 65_536
ACCEPT_S = 0.5
_LOG = logs.get("driver")


class DriverDoor:
    """Serves the driver over a Unix socket, one connection at a time.

    Args:
        path: the socket; a stale one is taken away.
    """

    def __init__(self, path: Path, driver: Driver) -> None:
        self.path, self._driver = path, driver
        self._stopping = threading.Event()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._thread = threading.Thread(target=self._run, name="driver", daemon=True)

    def start(self) -> None:
        """Opens the socket. Raises KojimonError when it cannot be made."""
        try:
            self.path.unlink(missing_ok=True)
            with name_of(self.path) as name:
                self._socket.bind(name)
            self.path.chmod(0o600)
            self._socket.listen(1)
        except OSError as error:
            raise KojimonError(f"{self.path}: the driver's socket cannot be made: {error}") from error
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
        self.path.unlink(missing_ok=True)

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


def drive(daemon: Daemon) -> DriverDoor:
    """The open door of a daemon on a driven clock."""
    door = DriverDoor(Path(daemon.settings.run_folder) / "drive", daemon.driver)
    door.start()
    return door


def command(config: Path, state_folder: Path, start_ms: int) -> list[str]:
    """What begins such a daemon in a process of its own, in ROOT; it prints `ready`. It goes on after what the journal
    holds, and begins at start_ms (UTC) where that is empty."""
    return [sys.executable, "-m", "tests.parts.driven", str(config), str(state_folder), str(start_ms)]


def main(config: str, state_folder: str, start_ms: str) -> int:
    logs.configure(real_s)
    settings, trouble = settings_for_run(Path(config), Path(state_folder))
    begins_ms = max(int(start_ms), last_utc_ms(Path(settings.journal.path)))

    def ready(daemon: Daemon) -> None:
        drive(daemon)
        print("ready", flush=True)

    clock = ManualClock(begins_ms, boot_id=f"driven-{secrets.token_hex(4)}")
    return run_daemon(settings, clock, ready=ready, trouble=trouble)


if __name__ == "__main__":
    code = main(*sys.argv[1:])
    sys.stdout.flush()
    os._exit(code)
