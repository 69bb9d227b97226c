"""Runs a world against real lines: advance, publish, let the monitor think, let the cook act."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from kojisim.cook import Cook
from kojisim.curve import CurveWriter
from kojisim.door import Api, Drive
from kojisim.lines import Publisher, SerialLine
from kojisim.probes import Sample
from kojisim.world import World


@dataclass
class Run:
    """One run.

    Args:
        world: the world, at its start.
        start_ms: UTC of the world's start, ms.
        tick_s: world seconds from one instant to the next.
        speed: world seconds a real second; 0: as fast as it goes.
        publishers: source name in the monitor's settings -> publisher.
        look_every_s: how often the cook looks at the monitor's state, world seconds.
        after_harvest_s: how long to go on after the harvest.
    """

    world: World
    start_ms: int
    tick_s: float = 10.0
    speed: float = 0.0
    publishers: dict[str, Publisher] = field(default_factory=dict)
    drive: Drive | None = None
    api: Api | None = None
    cook: Cook | None = None
    curve: CurveWriter | None = None
    look_every_s: float = 60.0
    after_harvest_s: float = 600.0
    events: int = 0
    samples: int = 0
    peak_c: float = 0.0
    #: Acts the monitor refused: (world time s, act, answer).
    refused: list[tuple[float, dict[str, Any], dict[str, Any]]] = field(default_factory=list)
    _told: int = 0
    _real_start: float = 0.0

    def go(self, hours: float, each_hour: Callable[[Run], None] | None = None, from_s: float = 0.0) -> None:
        """Run for `hours` of world time, or until after_harvest_s after the harvest; `from_s`: the world is there."""
        self._real_start = time.monotonic() - (from_s / self.speed if self.speed > 0.0 else 0.0)
        ticks, hour = round(hours * 3600.0 / self.tick_s), int(from_s / 3600.0)
        for tick in range(round(from_s / self.tick_s) + 1, ticks + 1):
            now = tick * self.tick_s
            self._pace(now)
            self._instant(now)
            harvested = self.world.harvested_s
            if harvested is not None and now >= harvested + self.after_harvest_s:
                break
            if each_hour is not None and now >= (hour + 1) * 3600.0:
                hour += 1
                each_hour(self)

    def t_ms(self, now_s: float) -> int:
        """World time as UTC ms."""
        return self.start_ms + round(now_s * 1000.0)

    def _pace(self, now_s: float) -> None:
        if self.speed > 0.0:
            wait = self._real_start + now_s / self.speed - time.monotonic()
            if wait > 0.0:
                time.sleep(wait)

    def _instant(self, now_s: float) -> None:
        world = self.world
        world.advance(now_s)
        samples = world.read()
        self.samples += len(samples)
        if world.inoculated_s is not None and world.harvested_s is None and now_s - world.inoculated_s > 3600.0:
            self.peak_c = max(self.peak_c, *(t for tray in world.incubator.trays for t in tray.temp))
        if self.drive is not None:
            self.drive.begin(self.t_ms(now_s))
        self._publish(samples)
        if self.drive is not None:
            counts = {name: line.sent for name, line in self.publishers.items()}
            self.events += self.drive.end(self.t_ms(now_s), counts)
        if self.cook is not None and self.api is not None and now_s % self.look_every_s < self.tick_s:
            self._look(now_s)
        if self.curve is not None:
            done = [name for _, name, _ in world.done[self._told :]]
            self._told = len(world.done)
            self.curve.row(now_s, samples, done)

    def _publish(self, samples: list[Sample]) -> None:
        for line in self.publishers.values():
            if isinstance(line, SerialLine) and line.plugged != self.world.plugged:
                if self.world.plugged:
                    line.plug()
                    if self.drive is not None:
                        line.wait_reader()
                else:
                    line.unplug()
            if samples:
                line.publish(samples)

    def _look(self, now_s: float) -> None:
        assert self.api is not None and self.cook is not None
        for deed in self.cook.decide(self.api.state(), now_s):
            for name, args in deed.hands:
                self.world.act(name, **args)
            if deed.act is not None:
                status, answer = self.api.act(deed.act)
                if status >= 300:
                    self.refused.append((now_s, deed.act, answer))
