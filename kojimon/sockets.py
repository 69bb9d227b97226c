"""A Unix socket wherever its folder lies."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LONGEST_NAME = 107
"""Bytes that `bind` and `connect` take, without the closing NUL (unix(7), sun_path[108])."""


@contextmanager
def name_of(path: Path) -> Iterator[str]:
    """A name for `bind` and `connect`, good within the block.

    It is the path itself or, where that is too long, the same file below its folder's descriptor (proc(5)): how deep a
    folder lies is nothing that anybody must know of.

    Raises OSError where the folder is not there.
    """
    if len(os.fsencode(path)) <= LONGEST_NAME:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
