"""How this batch's own forecasts have fared, and what that makes of the next one: its spread and its middle."""

from __future__ import annotations

from collections import deque
from typing import Final, NamedTuple

import numpy as np

from kojimon.forecast.growth import Array

TRUST: Final = 4.0
"""How many forecasts that missed by what is assumed the record starts with; chosen on tuning seeds."""
SCALE_START, SCALE_WORKED = 0.65, 0.72
"""Root mean square miss assumed before there are any: at first, and after work, which is known worst; chosen on tuning
seeds and the first 84 of haze's."""
SCALE_RATIO: Final = 1.4
SCALE_RATIO_PER_H: Final = 0.04
"""The spread ahead is scaled by the root mean square of the misses two hours ahead, times this. It rises with the hour
ahead, for errors grow faster than the members part; chosen likewise."""
SCALE_LEAST, SCALE_MOST = 0.5, 3.0
LEAN, LEAN_OF, LEAN_MOST = 0.5, 4, 3.0
"""The middle ahead is moved by this share of the mean of so many last misses, each in spreads and cut there: an error
of the members lasts longer than they learn to correct it; chosen likewise."""
READ_K: Final = 0.15
"""Error of a reading against which a promise is held, °C; chosen."""


class Promise(NamedTuple):
    """A forecast kept to be checked: for which block, what the members said, and how far their middle was moved."""

    block: int
    mean_c: float
    spread_k: float
    lean: float


class Record:
    """The misses of the members two hours ahead, in units of their spread. Work on the koji begins it anew.

    Attributes:
        misses: of the last six hours.
        last_k: the last reading less what was forecast for it.
        worked: the koji has been worked on.
    """

    def __init__(self) -> None:
        self.misses: deque[float] = deque(maxlen=12)
        self.last_k: float | None = None
        self.worked = False
        self._promises: deque[Promise] = deque()

    def promise(self, block: int, seen_c: Array) -> None:
        """Keeps what the members say of the reading in that block."""
        spread_k = float(np.hypot(seen_c.std(), READ_K))
        self._promises.append(Promise(block, float(seen_c.mean()), spread_k, self.lean()))

    def check(self, block: int, bed_c: float) -> None:
        """Holds the promise for a block, where there is one, against its reading."""
        while self._promises and self._promises[0].block <= block:
            promise = self._promises.popleft()
            if promise.block == block:
                miss = (bed_c - promise.mean_c) / promise.spread_k
                self.last_k = (miss - promise.lean) * promise.spread_k
                self.misses.append(miss)

    def work(self) -> None:
        """The koji lies otherwise than before: how forecasts fared until now says little about it."""
        self.worked = True
        self.misses.clear()
        self._promises.clear()

    def scale(self, in_h: Array) -> Array:
        """Factor on the spread of the bed's paths, so many hours ahead: misses against what was promised.

        The members' spread is a guess about models; how far the last forecasts fell from their middle, in units of
        that spread, is evidence. Shrunk towards what is assumed while the misses are few.
        """
        squares = TRUST * (SCALE_WORKED if self.worked else SCALE_START) ** 2 + float(np.sum(np.square(self.misses)))
        missed = float(np.sqrt(squares / (TRUST + len(self.misses))))
        scale: Array = np.clip((SCALE_RATIO + SCALE_RATIO_PER_H * in_h) * missed, SCALE_LEAST, SCALE_MOST)
        return scale

    def lean(self) -> float:
        """By how many of their spreads the paths are moved, for the side on which the last forecasts missed."""
        last = list(self.misses)[-LEAN_OF:]
        return LEAN * sum(min(max(miss, -LEAN_MOST), LEAN_MOST) for miss in last) / (1 + len(last))

    def contradicted(self) -> bool:
        """The last forecasts missed by far more than they promised."""
        recent = list(self.misses)[-4:]
        return len(recent) >= 3 and (float(np.mean(np.square(recent))) > 6.0 or min(abs(m) for m in recent[-2:]) > 3.5)
