"""Whole batches without probes, run once a test session and looked at by several tests."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise

from kojisim.scenarios import SCENARIOS
from kojisim.world import World
from tests.parts.size import size

SEEDS = range(size(12, 36))


@dataclass
class Course:
    """What a batch did; hours since inoculation, °C of the warmest tray's mean unless said otherwise.

    `scale`: stage, hour, weight on the dry rice and true water, share of the weight, at each work and at the end.
    """

    seeded_at_h: float = 0.0
    onset_h: float | None = None
    peak_c: float = 0.0
    peak_h: float = 0.0
    coldest_c: float = 99.0
    passed_43_h: float | None = None
    mixes: list[tuple[float, float]] = field(default_factory=list)
    harvest_h: float | None = None
    weight: float = 0.0
    grown: float = 0.0
    humidity_pct: list[float] = field(default_factory=list)
    temps: list[tuple[float, float]] = field(default_factory=list)
    scale: list[tuple[str, float, float, float]] = field(default_factory=list)

    @property
    def gaps_h(self) -> list[float]:
        """Hours between mixes."""
        return [later[0] - earlier[0] for earlier, later in pairwise(self.mixes)]


@cache
def course(name: str, seed: int, hours: float = 50.5) -> Course:
    """Run a scenario and write down its course."""
    world = World(replace(SCENARIOS[name](seed), probes=()), seed)
    out, held, mean, marks = Course(), 0, 0.0, 0
    while world.harvested_s is None and (world.hour or 0.0) < hours:
        world.advance(world.time_s + 60.0)
        acts, marks = world.done[marks:], len(world.done)
        hour = world.hour
        if hour is None:
            continue
        trays, box = world.incubator.trays, world.incubator.box
        if any(act == "mix" for _, act, _ in acts):
            out.mixes.append((hour, mean))
            out.scale.append(("work", hour, *_weighed(world)))
        mean = max(tray.mean_c for tray in trays)
        warmest = max(max(tray.temp) for tray in trays)
        out.temps.append((hour, mean))
        if hour > 6.0 and out.onset_h is None:
            held = held + 1 if mean >= 34.0 or mean - box.air_c >= 3.0 else 0
            out.onset_h = hour if held >= 10 else None
        if 2.0 < hour < 24.0:
            out.coldest_c = min(out.coldest_c, *(min(tray.temp) for tray in trays))
            out.humidity_pct.append(box.humidity_pct)
        if hour > 2.0 and warmest > out.peak_c:
            out.peak_c, out.peak_h = warmest, hour
        if hour > 2.0 and warmest >= 43.0 and out.passed_43_h is None:
            out.passed_43_h = hour
    out.seeded_at_h = (world.inoculated_s or 0.0) / 3600.0
    if world.harvested_s is not None and world.inoculated_s is not None:
        out.harvest_h = (world.harvested_s - world.inoculated_s) / 3600.0
        out.scale.append(("harvest", out.harvest_h, *_weighed(world)))
    out.weight = _weighed(world)[0]
    out.grown = world.truth()["biomass"]
    return out


def _weighed(world: World) -> tuple[float, float]:
    """Weight of all trays on their dry rice, and the water in it, share of the weight."""
    trays = world.incubator.trays
    weight = sum(tray.weight_kg for tray in trays)
    return weight / sum(tray.p.white_rice_kg for tray in trays), sum(sum(tray.water) for tray in trays) / weight
