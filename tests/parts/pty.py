"""A scripted serial device on a pseudo-terminal, behind a stable name that can be pulled and plugged again."""

import contextlib
import os
import threading
import tty
from pathlib import Path
from types import TracebackType


class Device:
    """The device's end. `path` is a symbolic link, as udev makes them; the number behind it may change."""

    def __init__(self, folder: Path, name: str = "probe") -> None:
        self.path = folder / name
        self._master = self._slave = -1
        self._open = threading.Lock()  # held while an end is used: its number may be another's as soon as it is closed
        self.plug()

    @property
    def number(self) -> str:
        """The device's present name below /dev."""
        return os.ttyname(self._slave)

    def plug(self) -> None:
        """Appears, under whatever number the kernel gives."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        spare = self.path.with_name(self.path.name + ".new")
        spare.symlink_to(self.number)
        spare.replace(self.path)

    def unplug(self) -> None:
        """Vanishes: readers get end of file or an error, and the name is gone."""
        with self._open:
            for end in {self._slave, self._master} - {-1}:
                os.close(end)
            self._master = self._slave = -1
        self.path.unlink(missing_ok=True)

    def send(self, data: bytes) -> None:
        """Sends bytes; drops what does not fit, as a wire does."""
        with self._open, contextlib.suppress(BlockingIOError):
            if self._master != -1:
                os.write(self._master, data)

    def received(self) -> bytes:
        """What the other end wrote, without waiting; nothing once it is unplugged."""
        with self._open, contextlib.suppress(BlockingIOError):
            return os.read(self._master, 4096) if self._master != -1 else b""
        return b""

    def __enter__(self) -> "Device":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()
