"""A person beside the box who mixes by the koji's true temperature: the cook's work done in time.

Used where no monitor runs: to write curves, and to check that a batch mixed in its windows goes as the
published schedules say.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kojisim.world import World


class Bedside:
    """First mix when the koji warms itself, then by temperature and hours; takes it out when grown.

    Windows: middle work 6-8 h after the first mix at 34-36 °C, final work 5-7 h later at 37-40 °C (Nada
    glossary); first mix at 18 h at the earliest and 24 h at the latest (home practice, no source).
    """

    def __init__(self, rng: Random) -> None:
        self._delay_s = rng.uniform(2.0, 20.0) * 60.0
        self._since_s: float | None = None
        self.mixed_h: list[float] = []

    def look(self, world: World) -> None:
        """One look, each minute."""
        hour = world.hour
        if hour is None or world.harvested_s is not None:
            return
        if self._finished(world, hour):
            world.act("harvest")
        elif self._wanted(world, hour):
            if self._since_s is None:
                self._since_s = world.time_s
            if world.time_s - self._since_s >= self._delay_s:
                self._since_s = None
                self._work(world, hour)
        else:
            self._since_s = None

    def _finished(self, world: World, hour: float) -> bool:
        grown = sum(tray.grown for tray in world.incubator.trays) / len(world.incubator.trays)
        return hour >= 50.0 or (hour >= 40.0 and grown >= 0.92)

    def _wanted(self, world: World, hour: float) -> bool:
        mean = max(tray.mean_c for tray in world.incubator.trays)
        if not self.mixed_h:
            warm = mean >= 34.0 or mean - world.incubator.box.air_c >= 3.0
            return hour >= 24.0 or (hour >= 18.0 and warm)
        since = hour - self.mixed_h[-1]
        if len(self.mixed_h) == 1:
            return since >= 8.0 or (since >= 6.0 and mean >= 35.0) or mean >= 38.0
        if len(self.mixed_h) == 2:
            return since >= 7.0 or (since >= 5.0 and mean >= 38.0) or mean >= 39.0
        return since >= 2.0 and mean >= 40.0

    def _work(self, world: World, hour: float) -> None:
        count = len(self.mixed_h)
        self.mixed_h.append(hour)
        world.act("mix")
        if count == 0:
            world.act("unwrap")
            world.act("spread", factor=1.2)
        elif count == 1:
            world.act("spread", factor=1.2)
        else:
            world.act("furrow")
            if count > 2:
                world.act("vent", level=1.0)
