"""A serial port through pyserial, with every way it can fail turned into one error.

pyserial raises three unrelated families when a device is pulled out (OSError, termios.error, and ValueError or
TypeError when its descriptor is gone), and none at all when the port moved under another number. The port is opened
for this program alone and kept open: opening resets many boards.
"""

from __future__ import annotations

import errno
import fcntl
import os
import termios
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from kojimon.errors import LinkError

READ_S: Final = 1.0
"""Longest time a read blocks."""
CHUNK: Final = 4096
"""Most bytes of one read."""

PORT_ERRORS: Final = (OSError, termios.error, ValueError, TypeError)


class SerialPort:
    """One port, from open to close.

    Args:
        path: device path as configured; a stable name is a symbolic link and is resolved at each opening.
        baud: bits a second.
        parity: N, E or O.
        stop_bits: 1 or 2.
        read_s: longest time a read blocks.

    Raises:
        LinkError: it cannot be opened; the text says why and what to do.
    """

    def __init__(
        self, path: str, baud: int = 9600, parity: str = "N", stop_bits: int = 1, read_s: float = READ_S
    ) -> None:
        import serial

        self.path = path
        self._target = os.path.realpath(path)
        try:
            self._port: Any = serial.Serial(
                path, baud, parity=parity, stopbits=stop_bits, timeout=read_s, write_timeout=READ_S, exclusive=True
            )
        except PORT_ERRORS as error:
            raise LinkError(_why_not_open(path, error)) from error
        try:
            # exclusive=True is a lock among those who ask for it; this one keeps out the others too.
            fcntl.ioctl(self._port.fileno(), termios.TIOCEXCL)
        except PORT_ERRORS:
            pass

    def read(self) -> bytes:
        """What has arrived, at least a byte unless READ_S goes by. Raises LinkError when the device is gone."""
        try:
            first: bytes = self._port.read(1)
            if not first:
                return b""
            waiting = min(self._port.in_waiting, CHUNK - 1)
            rest: bytes = self._port.read(waiting) if waiting else b""
        except PORT_ERRORS as error:
            raise LinkError(f"{self.path}: the device is gone ({error}); plug it in again") from error
        return first + rest

    def write(self, data: bytes) -> None:
        """Sends bytes. Raises LinkError when the device is gone, or takes nothing for READ_S."""
        try:
            self._port.write(data)
        except PORT_ERRORS as error:
            raise LinkError(f"{self.path}: cannot be written to ({error})") from error

    def wake(self) -> None:
        """Ends a read that waits, from another thread."""
        try:
            self._port.cancel_read()
        except (AttributeError, *PORT_ERRORS):
            pass

    def moved(self) -> bool:
        """Whether the path leads to another device by now, or to none."""
        return os.path.realpath(self.path) != self._target or not Path(self._target).exists()

    def close(self) -> None:
        """Gives the descriptor back at once, so that a replugged device can have its number again."""
        try:
            fcntl.ioctl(self._port.fileno(), termios.TIOCNXCL)
        except PORT_ERRORS:
            pass
        try:
            self._port.close()
        except PORT_ERRORS:
            self._close_rest()

    def _close_rest(self) -> None:
        """The device's descriptor is gone although its close() failed, as for a pulled adapter. pyserial would keep its
        four pipes open, and later close the number again, which may be somebody else's by then."""
        with suppress(*PORT_ERRORS):
            self._port.fd = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
            self._port.close()


def _why_not_open(path: str, error: BaseException) -> str:
    number = getattr(error, "errno", None)
    if number == errno.ENOENT:
        return f"{path}: no such device; plug it in, or see /dev/serial/by-id for the name it has"
    if number in (errno.EACCES, errno.EPERM):
        return f"{path}: not allowed; add the user kojimon runs as to the group that owns the device (often dialout)"
    if number in (errno.EBUSY, errno.EAGAIN) or "lock" in str(error).lower():
        return f"{path}: another program has it open; stop that one"
    return f"{path}: cannot be opened ({error})"
