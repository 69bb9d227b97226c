"""Modbus devices on a pseudo-terminal: pymodbus's own server behind a pair of them, and a scripted one."""

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from tests.parts.need import need
from tests.parts.pty import Device
from tests.parts.wait import until


class Line:
    """Two pseudo-terminals joined by socat, as an RS-485 line: `ours` for the master, `theirs` for the devices."""

    def __init__(self, folder: Path) -> None:
        self.ours, self.theirs = folder / "ours", folder / "theirs"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "Line":
        ends = [f"pty,raw,echo=0,link={end}" for end in (self.ours, self.theirs)]
        self._process = subprocess.Popen([need("socat"), *ends], stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until(lambda: self.ours.exists() and self.theirs.exists(), what="socat")
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(60)


class Server:
    """pymodbus's own serial server on one end of a line.

    Args:
        devices: unit -> (holding registers, input registers), each address -> 16-bit value.
    """

    def __init__(self, port: Path, devices: dict[int, tuple[dict[int, int], dict[int, int]]]) -> None:
        script = Path(__file__).with_name("modbus_server.py")
        self._command = [sys.executable, str(script), str(port), json.dumps(devices)]
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "Server":
        self._process = subprocess.Popen(self._command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL)
        assert self._process.stdout is not None
        if self._process.stdout.readline() != b"ready\n":
            self.__exit__()
            raise AssertionError("pymodbus's server did not start")
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()


class Scripted:
    """A device that answers each request with what `answer` returns: the bytes of one or several writes."""

    def __init__(self, folder: Path, answer: Callable[[bytes], list[bytes]]) -> None:
        self.device = Device(folder, "bus")
        self.requests: list[bytes] = []
        self._answer = answer
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        while not self._stop.wait(0.005):
            if request := self.device.received():
                self.requests.append(request)
                for part in self._answer(request):
                    self.device.send(part)

    def pull(self) -> None:
        """Vanishes from the bus."""
        self._stop.set()
        self._thread.join(60)
        self.device.unplug()

    def plug(self) -> None:
        """Comes back."""
        self._stop.clear()
        self.device.plug()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def __enter__(self) -> "Scripted":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.pull()
