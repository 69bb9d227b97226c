"""How koji would go without growth, as the state keeps it; worked out by `engine.own_heat`."""

from __future__ import annotations

from msgspec import Struct


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
        wet: whether it has stood far under what is around it, as rice that dries does; dried: by the quick courses.
        block_ms: when the half hour that runs began; totals, count: its sums so far. blocks: half hours, oldest first.
        low_k, most_k: least and greatest mean distance of a half hour from the second course, since hour 7: the least
            of those that may be the lowest, the greatest since the koji last fell at once.
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
    wet: bool = False
    dried: bool = False
    low_k: float | None = None
    most_k: float | None = None
    left_k: float = 0.0
    left_ms: int = -1
    cools: bool = False
