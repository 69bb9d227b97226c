"""How much is tried: a small share, the same each time, in the ordinary run; all of it under `--long`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import TypeVar

Found = TypeVar("Found")
FEW = 20

_LONG = [False]


def take_long(long: bool) -> None:
    """Says once, before the tests are read, which kind of run this is."""
    _LONG[0] = long


def size(small: int, whole: int) -> int:
    """The one number or, under `--long`, the other. What is asserted of them is the same."""
    return whole if _LONG[0] else small


def each(work: Callable[[int], Found], seeds: Sequence[int]) -> list[Found]:
    """What `work` finds for each seed: in this process where they are few, else in two of their own."""
    if len(seeds) <= FEW:
        return [work(seed) for seed in seeds]
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        return list(pool.map(work, seeds, chunksize=5))
