"""Templates compiled once, kept where Python keeps compiled modules.

Compiling takes a megabyte that the main process does not give back. deploy/install.sh has it done beforehand; jinja2
itself sees by a sum of the source whether what lies there is still of this template.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path

from jinja2 import BytecodeCache
from jinja2.bccache import Bucket


class Beside(BytecodeCache):
    """Beside the templates, or where PYTHONPYCACHEPREFIX says; nothing is written where modules are not.

    Args:
        folder: of the templates.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def load_bytecode(self, bucket: Bucket) -> None:
        """Takes what lies there; jinja2 leaves what is not of this template."""
        with suppress(OSError), self._path(bucket).open("rb") as file:
            bucket.load_bytecode(file)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keeps it, whole or not at all."""
        path = self._path(bucket)
        new = path.with_suffix(f".{os.getpid()}")
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                path.parent.mkdir(parents=True, exist_ok=True)
                with new.open("wb") as file:
                    bucket.write_bytecode(file)
                new.replace(path)

    def _path(self, bucket: Bucket) -> Path:
        return Path(cache_from_source(str(self._folder / f"{bucket.key}.py")))
