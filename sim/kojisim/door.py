"""The monitor's two doors as a simulator sees them: the clock driver and the HTTP API, both on Unix sockets."""

from __future__ import annotations

import http.client
import json
import os
import socket
import time
from pathlib import Path
from typing import Any


class DriveError(RuntimeError):
    """The monitor refused a step or went away."""


class Drive:
    """Drives the monitor's clock: hello, then begin and end for each instant; times in UTC ms."""

    def __init__(self, path: str, timeout_s: float = 30.0) -> None:
        self._socket = _connect(path, timeout_s)
        self._file = self._socket.makefile("r", encoding="utf-8")
        hello = self._receive()
        if "hello" not in hello:
            raise DriveError(f"expected hello, got {hello}")
        self.hello: dict[str, Any] = hello["hello"]

    @property
    def wall_ms(self) -> int:
        """The monitor's wall clock when we connected, UTC ms."""
        return int(self.hello["wall_ms"])

    def begin(self, t_ms: int) -> None:
        """Set the monitor's clock to t_ms. Raises DriveError when refused."""
        answer = self._ask({"begin": t_ms})
        if not answer.get("ok"):
            raise DriveError(f"begin {t_ms}: {answer.get('error', answer)}")

    def end(self, t_ms: int, counts: dict[str, int]) -> int:
        """All data of t_ms are sent, counts in all since the start; the number of events. Raises DriveError."""
        answer = self._ask({"end": t_ms, "counts": counts})
        if answer.get("done") != t_ms:
            raise DriveError(f"end {t_ms}: {answer.get('error', answer)}")
        return int(answer.get("events", 0))

    def _ask(self, message: dict[str, Any]) -> dict[str, Any]:
        self._socket.sendall(json.dumps(message).encode() + b"\n")
        return self._receive()

    def _receive(self) -> dict[str, Any]:
        line = self._file.readline()
        if not line:
            raise DriveError("the monitor closed the driver door")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def close(self) -> None:
        """Let go of the clock."""
        self._file.close()
        self._socket.close()


class Api:
    """The monitor's HTTP API: the state document and acts."""

    def __init__(self, path: str, timeout_s: float = 10.0) -> None:
        self._path, self._timeout_s = path, timeout_s
        self._connection: http.client.HTTPConnection | None = None

    def state(self) -> dict[str, Any]:
        """The state document (GET /v1/state)."""
        status, answer = self._request("GET", "/v1/state", None, {})
        if status != 200:
            raise DriveError(f"GET /v1/state: {status} {answer}")
        return answer

    def act(self, act: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        """Send one act (POST /v1/acts) with its idempotency key; HTTP status and answer."""
        headers = {"Content-Type": "application/json", "Idempotency-Key": act["idempotency"]}
        return self._request("POST", "/v1/acts", json.dumps(act), headers)

    def _request(
        self, method: str, path: str, body: str | None, headers: dict[str, str]
    ) -> tuple[int, dict[str, Any]]:
        for attempt in (1, 2):
            connection = self._connection or self._open()
            try:
                connection.request(method, path, body, headers)
                response = connection.getresponse()
                text = response.read()
            except (http.client.HTTPException, OSError):
                # A kept connection may have been closed by the other side: once more on a fresh one.
                self.close()
                if attempt == 2:
                    raise
                continue
            return response.status, json.loads(text) if text else {}
        raise AssertionError("unreachable")

    def _open(self) -> http.client.HTTPConnection:
        self._connection = http.client.HTTPConnection("localhost", timeout=self._timeout_s)
        self._connection.sock = _connect(self._path, self._timeout_s)
        return self._connection

    def close(self) -> None:
        """Close the kept connection."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def _connect(path: str, timeout_s: float) -> socket.socket:
    """Connect to a Unix socket, waiting for it to appear for timeout_s."""
    deadline = time.monotonic() + timeout_s
    while True:
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            link.settimeout(timeout_s)
            _reach(link, Path(path))
        except (FileNotFoundError, ConnectionRefusedError):
            link.close()
            if time.monotonic() > deadline:
                raise
            time.sleep(0.02)
        else:
            return link


def _reach(link: socket.socket, path: Path) -> None:
    """Connects by the folder's descriptor: however long the path is, the name fits (unix(7), sun_path[108])."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        link.connect(f"/proc/self/fd/{folder}/{path.name}")
    finally:
        os.close(folder)
