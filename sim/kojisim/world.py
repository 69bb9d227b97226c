"""One incubator with its probes, its script of happenings and the acts of a person.

Acts (`World.act(name, **args)`), all at the world's present time:

`inoculate()` sprinkle the spores, fill the trays, wrap them and put them into the box: hour 0.
`rice(temp_c=None)` trays of fresh rice outside the box, spread out at this (as hot as at the world's start).
`steam(temp_c)` the rice, till then as warm as its room, comes out of the steamer and is spread out at this.
`mix(tray=None, minutes=8)` break up and mix one tray (number from 0) or all; the lid is open meanwhile; the
    bed becomes uniform, cools 1-2 °C and exchanges more for a while.
`spread(tray=None, factor=1.2)` thinner, over more area. `furrow(tray=None)` furrows until the next mix.
`wrap(tray=None)`, `unwrap(tray=None, bare=False)` cover on or off (`bare`: also where it is kept on).
    `swap_trays()` top goes to the bottom, others move up.
`open_lid(minutes=None)`, `close_lid()`, `vent(level)` propped open from 0 to 1.
`box_off()`, `box_on()` mains; `runaway(on=True)` heater stuck on; `boost(factor=2)` a stronger
    lamp, or a mat with nothing between; `set_box(temp_c)` thermostat;
    `towel(there)` wet towel or water pan in the box; `room_drop(by_c)` heating of the room fails, `warm_room()`
    it works again.
`move_probe(probe, kind, tray=0, depth=0.5)` see `kojisim.probes.Spot`; `restore_probe(probe)` back to its place;
    `swap_probes(a, b)` mixed up (again: put right).
`mend_probes()` every probe back to its place, every fault ended; `unplug()`, `plug()` the serial device.
`fault(kind, probe, minutes=None, size=0, share=1)` see `kojisim.probes.Fault`; `gap(minutes, probe="*")` radio gap.
`harvest()` take the koji out of the box and spread it to cool.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any, Literal

from kojisim.physics.incubator import Incubator
from kojisim.physics.params import IncubatorParams
from kojisim.physics.tray import Tray
from kojisim.probes import Fault, Probes, ProbeSpec, Sample, Spot

Hands = Literal["none", "bedside"]


@dataclass(frozen=True)
class Happening:
    """An act at `at_h` hours since inoculation (or since the world's start)."""

    at_h: float
    act: str
    args: dict[str, Any] = field(default_factory=dict)
    since: Literal["inoculate", "start"] = "inoculate"


@dataclass(frozen=True)
class Scenario:
    """All that is fixed before a world starts."""

    name: str
    params: IncubatorParams
    probes: tuple[ProbeSpec, ...]
    script: tuple[Happening, ...] = ()
    #: Rice temperature at world start, °C: spread out and cooling in the room.
    start_bed_c: float = 45.0
    #: The world inoculates by itself when the warmest tray has cooled to this, °C; None: waits for the act.
    inoculate_c: float | None = 32.0
    #: Rice that waits for its spores lies in a cloth and stays as warm as this, °C; None: it cools to the room.
    waits_c: float | None = None
    #: `bedside`: a person mixes by the koji's true temperature (see `kojisim.hands`); `none`: nobody.
    hands: Hands = "none"
    #: The cover goes on again after each mixing, where elsewhere it is left off from the first one on.
    keeps_cover: bool = False
    #: World hours (from, to) during which a cook of this scenario does nothing.
    absent_h: tuple[tuple[float, float], ...] = ()


class World:
    """A scenario running. Time in seconds since the start; nothing here reads a clock."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.seed = seed
        self.time_s = 0.0
        self.inoculated_s: float | None = None
        self.harvested_s: float | None = None
        #: Whether the serial device is plugged in; publishers look at it.
        self.plugged = True
        #: What was done, in order: (time s, act, arguments).
        self.done: list[tuple[float, str, dict[str, Any]]] = []
        self.incubator = Incubator(scenario.params, Random(f"{seed}/room"), scenario.start_bed_c)
        self.probes = Probes(scenario.probes, seed, self.incubator)
        self._samples: list[Sample] = []
        self._agenda: list[tuple[float, int, str, dict[str, Any]]] = []
        self._count = 0
        self._arrived_s = -1.0
        self._hands = self._person()
        self._plan(since="start", zero_s=0.0)

    def _person(self) -> Callable[[World], None] | None:
        if self.scenario.hands == "none":
            return None
        from kojisim.hands import Bedside

        return Bedside(Random(f"{self.seed}/hands")).look

    # -- time ------------------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Advance to to_s (s); happenings and samples on the way take place in order.

        Raises ValueError when to_s lies in the past.
        """
        if to_s < self.time_s - 1e-9:
            raise ValueError(f"advance to {to_s} s: the world is already at {self.time_s} s")
        inc = self.incubator
        while inc.time_s < to_s - 1e-9:
            self._arrive(inc.time_s)
            inc.step()
            self.probes.follow()
        if to_s >= inc.time_s - 1e-9:
            self._arrive(inc.time_s)
        self._pass_to(to_s)

    def _arrive(self, step_s: float) -> None:
        """Reach the end of a physics step; once a step, however the time is cut."""
        if step_s <= self._arrived_s:
            return
        self._arrived_s = step_s
        self._pass_to(step_s)
        if round(step_s) % 60 < self.incubator.p.step_s:
            self._each_minute()

    def _pass_to(self, now_s: float) -> None:
        """Samples and happenings up to now_s, in order."""
        while self._agenda and self._agenda[0][0] <= now_s + 1e-9:
            at_s, _, name, args = heapq.heappop(self._agenda)
            self.time_s = max(at_s, self.time_s)
            self._samples += self.probes.sample(self.time_s)
            self.act(name, **args)
        self.time_s = now_s
        self._samples += self.probes.sample(now_s)

    def _each_minute(self) -> None:
        limit = self.scenario.inoculate_c
        if self.inoculated_s is None and limit is not None and self._warmest() <= limit:
            self.act("inoculate")
        waits_c = self.scenario.waits_c
        waiting = self.inoculated_s is None and self.harvested_s is None
        if waits_c is not None and waiting and self._warmest() < waits_c:
            self._do_rice(waits_c)  # nor does it dry
        if self._hands is not None:
            self._hands(self)

    def _warmest(self) -> float:
        return max(tray.mean_c for tray in self.incubator.trays)

    def later(self, at_s: float, name: str, **args: Any) -> None:
        """Put an act on the agenda for at_s (s since the start)."""
        self._count += 1
        heapq.heappush(self._agenda, (at_s, self._count, name, args))

    def _plan(self, since: str, zero_s: float) -> None:
        for item in self.scenario.script:
            if item.since == since:
                self.later(zero_s + item.at_h * 3600.0, item.act, **item.args)

    # -- looking ---------------------------------------------------------------------------------------

    def read(self) -> list[Sample]:
        """Every sample that fell due since the last call, in order of time."""
        samples, self._samples = self._samples, []
        return samples

    @property
    def hour(self) -> float | None:
        """Hours since inoculation; None before it."""
        return None if self.inoculated_s is None else (self.time_s - self.inoculated_s) / 3600.0

    def truth(self) -> dict[str, Any]:
        """The true state: trays with mean_c, max_c, min_c, biomass and weight; air, room; whole bed."""
        inc, box = self.incubator, self.incubator.box
        trays = [_tray_truth(tray) for tray in inc.trays]
        return {
            "time_s": self.time_s,
            "hour": self.hour,
            "trays": trays,
            "bed_mean_c": sum(t["mean_c"] for t in trays) / len(trays),
            "bed_max_c": max(t["max_c"] for t in trays),
            "biomass": sum(t["biomass"] for t in trays) / len(trays),
            "air_c": box.air_c,
            "air_humidity_pct": box.humidity_pct,
            "room_c": inc.room.temp_c,
            "room_humidity_pct": self.scenario.params.room.humidity_pct,
            "heating": box.heating or (box.stuck_on and box.mains),
            "mains": box.mains,
            "lid_open": box.lid_open,
            "harvested": self.harvested_s is not None,
        }

    # -- acting ----------------------------------------------------------------------------------------

    def act(self, name: str, **args: Any) -> None:
        """Do one act now. Raises ValueError for an act that does not exist."""
        method = getattr(self, f"_do_{name}", None)
        if method is None:
            known = sorted(n[4:] for n in dir(self) if n.startswith("_do_"))
            raise ValueError(f"act {name!r} does not exist; known: {', '.join(known)}")
        self.done.append((self.time_s, name, args))
        method(**args)

    def _trays(self, tray: int | None) -> list[Tray]:
        return self.incubator.trays if tray is None else [self.incubator.trays[tray]]

    def _do_inoculate(self) -> None:
        if self.inoculated_s is not None:
            raise ValueError("inoculate: the rice is inoculated already")
        self.inoculated_s = self.time_s
        self.incubator.outside = False
        for tray in self.incubator.trays:
            tray.inoculate()
        self._do_wrap()
        self._plan(since="inoculate", zero_s=self.time_s)

    def _do_rice(self, temp_c: float | None = None) -> None:
        inc = self.incubator
        bed_c = self.scenario.start_bed_c if temp_c is None else temp_c
        inc.trays = [Tray(tray, inc.p.growth, bed_c) for tray in inc.p.trays]
        inc.places = list(range(len(inc.trays)))
        inc.outside = True
        inc.box.vent, inc.box.lid_open = 0.0, False
        self.inoculated_s = self.harvested_s = None

    def _do_steam(self, temp_c: float) -> None:
        for tray in self.incubator.trays:
            tray.temp = [temp_c] * len(tray.temp)

    def _do_mix(self, tray: int | None = None, minutes: float = 8.0) -> None:
        inc = self.incubator
        for one in self._trays(tray):
            inc.box.ledger.handling_j += one.mix(inc.room.temp_c, inc.p.mix_cooling, inc.p.mix_most_k)
        self._do_open_lid(minutes)

    def _do_spread(self, tray: int | None = None, factor: float = 1.2) -> None:
        for one in self._trays(tray):
            one.spread(factor)

    def _do_furrow(self, tray: int | None = None) -> None:
        for one in self._trays(tray):
            one.furrowed = True
            one.set_exchange()

    def _do_wrap(self, tray: int | None = None, on: bool = True) -> None:
        for one in self._trays(tray):
            one.wrapped = on
            one.set_exchange()

    def _do_unwrap(self, tray: int | None = None, bare: bool = False) -> None:
        if bare or not self.scenario.keeps_cover:
            self._do_wrap(tray, on=False)

    def _do_swap_trays(self) -> None:
        places = self.incubator.places
        places.append(places.pop(0))

    def _do_open_lid(self, minutes: float | None = None) -> None:
        self.incubator.box.lid_open = True
        if minutes is not None:
            self.later(self.time_s + minutes * 60.0, "close_lid")

    def _do_close_lid(self) -> None:
        self.incubator.box.lid_open = False

    def _do_vent(self, level: float = 1.0) -> None:
        self.incubator.box.vent = min(max(level, 0.0), 1.0)

    def _do_box_off(self) -> None:
        self.incubator.box.mains = False

    def _do_box_on(self) -> None:
        self.incubator.box.mains = True

    def _do_runaway(self, on: bool = True) -> None:
        self.incubator.box.stuck_on = on

    def _do_boost(self, factor: float = 2.0) -> None:
        self.incubator.box.boost = factor

    def _do_set_box(self, temp_c: float) -> None:
        self.incubator.box.setpoint_c = temp_c

    def _do_towel(self, there: bool = True) -> None:
        self.incubator.box.towel = there

    def _do_room_drop(self, by_c: float) -> None:
        self.incubator.room.drop(by_c)

    def _do_warm_room(self) -> None:
        self.incubator.room.warm()

    def _do_move_probe(self, probe: str, kind: str, tray: int = 0, depth: float = 0.5) -> None:
        self.probes.move(probe, Spot(kind, tray, depth))  # type: ignore[arg-type]

    def _do_restore_probe(self, probe: str) -> None:
        self.probes.move(probe, self.probes.specs[probe].spot)

    def _do_mend_probes(self) -> None:
        self.probes.faults.clear()
        self.probes.swapped.clear()
        for name, spec in self.probes.specs.items():
            if self.probes.spot(name) != spec.spot:
                self.probes.move(name, spec.spot)

    def _do_unplug(self) -> None:
        self.plugged = False

    def _do_plug(self) -> None:
        self.plugged = True

    def _do_swap_probes(self, a: str, b: str) -> None:
        if self.probes.swapped.pop(a, None) == b:
            self.probes.swapped.pop(b, None)
        else:
            self.probes.swapped.update({a: b, b: a})

    def _do_fault(
        self, kind: str, probe: str, minutes: float | None = None, size: float = 0.0, share: float = 1.0
    ) -> None:
        until = float("inf") if minutes is None else self.time_s + minutes * 60.0
        self.probes.faults.append(Fault(kind, probe, self.time_s, until, size, share))  # type: ignore[arg-type]

    def _do_gap(self, minutes: float, probe: str = "*") -> None:
        self._do_fault("silent", probe, minutes)

    def _do_harvest(self) -> None:
        self.harvested_s = self.time_s
        self._do_unwrap(bare=True)
        self.incubator.outside = True


def _tray_truth(tray: Tray) -> dict[str, Any]:
    return {
        "name": tray.p.name,
        "mean_c": tray.mean_c,
        "max_c": max(tray.temp),
        "min_c": min(tray.temp),
        "biomass": tray.grown,
        "weight_kg": tray.weight_kg,
        "heat_w": tray.growth_w,
    }
