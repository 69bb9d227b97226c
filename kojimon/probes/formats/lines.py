"""Whole lines out of a stream of bytes that may break off, be noise, or never end a line."""

from __future__ import annotations

from typing import Final

LINE_LIMIT: Final = 512
"""Longest line kept, in bytes."""

_CONTROL = bytes(range(9)) + bytes(range(10, 32)) + b"\x7f"


class LineBuffer:
    """Cuts lines at LF, CR or CRLF and hands out only whole, readable ones.

    What comes before the first line end is kept aside: nobody saw where it began, and the tail of `T=131.4` is a
    plausible number. It can be looked at in `first`.

    Attributes:
        counts: lines seen (`lines`, blank ones excepted) and those refused by kind: `lines_first`, `lines_over_long`,
            `lines_binary` (not UTF-8, or with control characters).
        first: the first line after the start, once it ended; None before.
    """

    def __init__(self, limit: int = LINE_LIMIT) -> None:
        self._limit = limit
        self._rest = b""
        self._over = False
        self._begun = False
        self.first: bytes | None = None
        self.counts = dict.fromkeys(("lines", "lines_first", "lines_over_long", "lines_binary"), 0)

    def restart(self) -> None:
        """Forgets what was begun: the stream was interrupted, and the next line is a first one again."""
        self._rest, self._over, self._begun, self.first = b"", False, False, None

    def feed(self, chunk: bytes) -> list[bytes]:
        """Takes what arrived; returns the lines that it completed, without their ends."""
        parts = (self._rest + chunk).replace(b"\r", b"\n").split(b"\n")
        self._rest = parts.pop()
        lines = []
        for part in parts:
            line = self._whole(part)
            if line is not None:
                lines.append(line)
        if len(self._rest) > self._limit:
            self._rest, self._over = b"", True
        return lines

    def _whole(self, line: bytes) -> bytes | None:
        counts, over = self.counts, self._over or len(line) > self._limit
        self._over = False
        begun, self._begun = self._begun, True
        if not line and not over:
            return None
        counts["lines"] += 1
        if not begun:
            self.first = None if over else line
            counts["lines_first"] += 1
            return None
        if over:
            counts["lines_over_long"] += 1
            return None
        if not readable(line):
            counts["lines_binary"] += 1
            return None
        return line


def readable(line: bytes) -> bool:
    """Whether a line is UTF-8 text without control characters."""
    if line.translate(None, _CONTROL) != line:
        return False
    if line.isascii():
        return True
    try:
        line.decode()
    except UnicodeDecodeError:
        return False
    return True
