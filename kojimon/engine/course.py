"""How koji would go without growth, as the state keeps it; worked out by `engine.own_heat`."""

from __future__ import annotations

from msgspec import Struct

FALL_FROM = 1
"""The course that a fall is counted from: air, as a thin tray follows it."""


class CourseBlock(Struct, frozen=True):
    """Half an hour of koji: when it ended, whether it may be the lowest, its mean distance from each course (K)."""

    t_ms: int
    base: bool
    means: tuple[float, ...]


class Course(Struct, frozen=True):
    """How one probe in the koji would go without growth (engine.own_heat).

    Attributes:
        zero_ms: the hour 0 it counts from; begun_ms: when it was first read after that; at_ms: last value.
        levels: the courses, °C; seen: whether anything around the koji is measured.
        dried: whether it has stood far under what is around it by the quick courses, as rice that dries does.
        block_ms: when the half hour that runs began; totals, count: its sums so far. blocks: half hours, oldest first.
        lows: least mean distances of a half hour that may be the lowest, from each course, since hour 7.
        most_k: the greatest from the second course since then, and since the koji last fell at once.
        left_k, left_ms: how far it was above the air, and when it lost that at once; -1: it did not, or is back.
        cools: whether it was told that it cools for hours.
    """

    zero_ms: int
    begun_ms: int
    at_ms: int
    levels: tuple[float, ...]
    seen: bool
    block_ms: int
    totals: tuple[float, ...] = ()
    count: int = 0
    blocks: tuple[CourseBlock, ...] = ()
    dried: bool = False
    lows: tuple[float, ...] = ()
    most_k: float | None = None
    left_k: float = 0.0
    left_ms: int = -1
    cools: bool = False

    @property
    def low_k(self) -> float | None:
        """The least by the course of a thin tray."""
        return self.lows[FALL_FROM] if self.lows else None
