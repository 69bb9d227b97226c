"""Runs the forecast over whole families of batches and adds up the scores."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from tests.forecast import bedtruth, simtruth, skill

EVERY: dict[str, Any] = {**bedtruth.WORLDS, **bedtruth.KEPT_OUT}
FAULTY_IN = 2
"""Every second triple of seeds is read through poor probes (`bedtruth.with_faults`)."""
SIDE_BY_SIDE = 60
"""Batches simulated at once: memory against speed."""


def batches(world: str, seeds: Iterable[int]) -> Iterator[Any]:
    """Batches of one world; a seed's remainder by 3 says how often it is touched (not, mixed, mixed and spread)."""
    every = list(seeds)
    for start in range(0, len(every), SIDE_BY_SIDE):
        part = every[start : start + SIDE_BY_SIDE]
        for variant in range(3):
            own = [seed for seed in part if seed % 3 == variant]
            if world == "kojisim":
                made: Iterable[Any] = (simtruth.kojisim(seed, variant) for seed in own)
            else:
                made = EVERY[world](own, variant) if own else ()
            for batch in made:
                yield bedtruth.with_faults(batch) if (batch.seed // 3) % FAULTY_IN else batch


def score(world: str, seeds: Iterable[int]) -> skill.Score:
    """The scores of one world's batches."""
    total = skill.Score()
    for batch in batches(world, seeds):
        skill.run(batch, total)
    return total


def add(total: skill.Score, part: skill.Score) -> None:
    """Adds one score to another."""
    for name in ("errors", "inside80", "inside50", "bed80", "signed", "done"):
        for key, values in getattr(part, name).items():
            getattr(total, name)[key] += values
    total.nights += part.nights
    total.done80 += part.done80
    total.batches += part.batches
