"""A bare connection to a door: what a test says, byte by byte, and what comes back."""

from __future__ import annotations

import contextlib
import socket
from pathlib import Path
from types import TracebackType

from kojimon.sockets import name_of
from tests.web.pages import Door


class Raw:
    """One connection.

    Args:
        to: a port of the loopback interface, or the path of a Unix socket.
        from_: the loopback address it comes from.
        room: bytes that may wait here unread; 0: what the kernel gives.
    """

    def __init__(self, to: int | Path, from_: str = "127.0.0.1", room: int = 0) -> None:
        if isinstance(to, int):
            self.link = socket.socket()
            self.link.settimeout(60)
            if room:
                self.link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, room)
            self.link.bind((from_, 0))
            self.link.connect(("127.0.0.1", to))
        else:
            self.link = socket.socket(socket.AF_UNIX)
            self.link.settimeout(60)
            with name_of(to) as name:
                self.link.connect(name)

    def say(self, text: str | bytes) -> Raw:
        """Sends; what the other side has closed already takes nothing more."""
        with contextlib.suppress(ConnectionError):
            self.link.sendall(text.encode("latin-1") if isinstance(text, str) else text)
        return self

    def status(self) -> int:
        """Of the next answer; 0 where the connection was closed without one."""
        line = b""
        with contextlib.suppress(ConnectionError):
            while not line.endswith(b"\n") and (byte := self.link.recv(1)):
                line += byte
        return int(line.split()[1]) if line else 0

    def rest(self) -> bytes:
        """Everything until the other side closes."""
        parts = []
        with contextlib.suppress(ConnectionError):
            while part := self.link.recv(65_536):
                parts.append(part)
        return b"".join(parts)

    def closed(self) -> bool:
        """Whether the other side has closed, within the connection's deadline."""
        try:
            return self.link.recv(1) == b""
        except ConnectionError:
            return True

    def close(self) -> None:
        self.link.close()

    def __enter__(self) -> Raw:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def local(door: Door) -> Path:
    """The path of the daemon's local socket."""
    return door.live.client._path


def head(door: Door, line: str, *more: str) -> str:
    """A request's first lines, with our own Host and Origin, up to the blank line."""
    return "\r\n".join([f"{line} HTTP/1.1", f"Host: {door.host}", f"Origin: {door.origin}", *more, "", ""])
