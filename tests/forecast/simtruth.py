"""Batches from the simulator, in the same records as `bedtruth`."""

from __future__ import annotations

from typing import Any

import numpy as np

from kojisim import scenarios
from kojisim.world import World
from tests.forecast.bedtruth import Batch

HOURS = 52.0


def kojisim(seed: int, variant: int, scenario: str = "healthy") -> Batch:
    """One simulated batch; variant 0 untouched, 1 mixed once, 2 mixed and spread (as in `bedtruth`)."""
    rng = np.random.default_rng([505, seed])
    mix, spread = rng.uniform(17, 22), rng.uniform(5, 8)
    steps = [("mix", mix), ("spread", mix + spread)][:variant]
    world = World(scenarios.SCENARIOS[scenario](seed), seed)
    while world.inoculated_s is None:
        world.advance(world.time_s + 60)
    zero = world.inoculated_s
    tray = int(rng.integers(len(world.incubator.trays)))
    bed = "bed" if tray == 0 else f"bed-{tray + 1}"
    wanted = {bed: "bed", "air": "air", "room": "room", "air-humidity": "rh"}
    for kind, hour in steps:
        if kind == "mix":
            world.later(zero + hour * 3600, "mix")
            world.later(zero + hour * 3600 + 1, "unwrap")
        else:
            world.later(zero + hour * 3600, "mix")
            world.later(zero + hour * 3600 + 1, "spread", factor=1.3)
    minutes = int(HOURS * 60)
    rows: dict[str, Any] = {k: np.full(minutes, np.nan) for k in ("bed", "air", "room", "rh", "true", "grown")}
    world.read()
    depth = world.probes.spot(bed).depth
    for i in range(minutes):
        world.advance(max(zero + i * 60.0, world.time_s))
        for sample in world.read():
            if sample.name in wanted:
                rows[wanted[sample.name]][i] = sample.value
        # What a perfect probe of this bias would show: limits are about what the person sees.
        one = world.incubator.trays[tray]
        rows["true"][i] = one.at_depth(depth) + world.probes.specs[bed].bias
        rows["grown"][i] = one.grown
    done = tuple((hour * 3600, kind) for kind, hour in steps)
    return Batch("kojisim", seed, np.arange(minutes) * 60.0, rows["bed"], rows["air"], rows["room"], rows["rh"],
                 rows["true"], rows["grown"], done)
