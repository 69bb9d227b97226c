"""A wall clock that a test steps under a running process; needs a C compiler."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

from tests.parts.need import need

SOURCE = Path(__file__).with_name("wallstep.c")


class WallStep:
    """The shim, built in `folder`, and the offset it adds."""

    def __init__(self, folder: Path) -> None:
        need("/usr/include/stdio.h")
        self._library, self._file = folder / "wallstep.so", folder / "offset"
        subprocess.run([need("cc"), "-shared", "-fPIC", "-o", str(self._library), str(SOURCE), "-ldl"], check=True)
        self._file.write_bytes(struct.pack("l", 0))

    @property
    def environment(self) -> dict[str, str]:
        """Variables for the process whose clock is stepped."""
        return {"LD_PRELOAD": str(self._library), "WALL_FILE": str(self._file)}

    def offset(self, seconds: int) -> None:
        """Sets how far the wall clock is off from now on. Written in place: the process has it mapped."""
        with self._file.open("r+b") as stream:
            stream.write(struct.pack("l", seconds))
