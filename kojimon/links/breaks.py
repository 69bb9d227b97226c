"""Breaks of a connection: one now and then is an accident, several in a minute have one cause."""

from __future__ import annotations

from collections import deque
from typing import Final

from kojimon.clock import real_s

BREAKS_MOST: Final = 3
BREAKS_S: Final = 60.0
"""So many breaks in this time are no accident: until a good connection, that is the trouble, also while connected."""


class Breaks:
    """The latest breaks of one link."""

    def __init__(self) -> None:
        self._at_s: deque[float] = deque(maxlen=BREAKS_MOST)
        self.many = False
        """Whether there were too many; a connection between them takes none of them back."""

    def one_more(self) -> bool:
        """Counts a break. Whether there have been too many."""
        self._at_s.append(real_s())
        self.many = self.many or self._close()
        return self.many

    def over(self) -> bool:
        """A connection has lasted. Whether that ends a time of too many breaks."""
        ended = self.many and not self._close()
        self.many = self.many and not ended
        return ended

    def _close(self) -> bool:
        return len(self._at_s) == BREAKS_MOST and real_s() - self._at_s[0] < BREAKS_S
