"""Families of worlds: one to tune on, one to choose by, one to judge by once.

* `tuning`: `bedtruth`'s worlds, a seventh of the seeds each. Constants are chosen on them.
* `choosing`: the simulator's kitchens, of every kind, cover and case. Parts are kept or dropped by them.
* `haze`: whose physics shares nothing with the forecast; it judged once, and is there to learn from since.
* `judging`: `grains`, whose physics shares nothing with any other; opened once, when all else is settled.

A third of each is never touched, a third is mixed, a third mixed and spread; steps are told, mishaps are not. Of
`grains` a quarter is never touched, the others are worked as people would, and an eighth of that is not told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from random import Random
from typing import Any, Final

from kojisim.kitchens import COVERS, KINDS, USUAL
from tests.forecast import bedtruth, simtruth
from tests.forecast.gather import EVERY
from tests.forecast.grains import grains
from tests.forecast.haze import haze

FAMILIES: Final = ("tuning", "choosing", "haze", "judging")
CASES: Final = ("healthy",) * 12 + ("box-off", "box-off", "overcooled", "slow", "slow", "dead")
SPELT: Final = {"plastic": "cloth-and-plastic"}


def batches(family: str, seeds: Iterable[int]) -> Iterator[Any]:
    """Batches of a family, a third of each variant."""
    every = list(seeds)
    if family == "choosing":
        for seed in every:
            yield kitchen(seed)
        return
    if family in ("haze", "judging"):
        yield from (grains if family == "judging" else haze)(every)
        return
    worlds = list(EVERY.values())
    for place, world in enumerate(worlds):
        for variant in range(3):
            own = [seed for seed in every if seed % len(worlds) == place and seed // len(worlds) % 3 == variant]
            if own:
                yield from (bedtruth.with_faults(one) if one.seed % 5 == 0 else one for one in world(own, variant))


def kitchen(seed: int) -> Any:
    """One of the simulator's kitchens; kind, cover and case go round with the seed."""
    kind = list(KINDS)[seed % 4]
    cover = COVERS[seed // 4 % 3]
    case = Random(f"{seed}/case").choice(CASES)
    name = f"{kind}-{case}" if case != "healthy" else kind if cover == USUAL[kind] else f"{kind}-{cover}"
    worn = cover if case == "healthy" else USUAL[kind]
    batch = simtruth.kojisim(seed, seed // 3 % 3, name)
    batch.box = kind, SPELT.get(worn, worn)
    return batch
