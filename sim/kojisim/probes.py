"""Probes: where they sit, how they smooth and blur, and what can go wrong with them.

A probe follows the quantity at its spot with a first-order lag, adds bias, white noise and slowly wandering
noise, and rounds to its resolution. Faults act on single probes between two times. Every probe has its own
random stream, so a fault on one leaves the others' readings as they were.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import exp, inf, sqrt
from random import Random
from typing import Literal, NamedTuple

from kojisim.physics.air import saturation_pa, wet_bulb_c
from kojisim.physics.incubator import Incubator

Quantity = Literal["temperature", "humidity"]
FaultKind = Literal["silent", "stuck", "spike", "drift", "sentinel", "pinned", "offset"]
#: Where a probe can be. `tray`: in the koji; `rim`: pulled half out; `towel`: under a wet towel; `heater`:
#: touching it; `metal`: touching the tray's metal; `hot_rice`: in freshly steamed rice outside the box; `wrap`: on
#: the koji under its cover.
SpotKind = Literal["tray", "rim", "air", "room", "wet_bulb", "towel", "heater", "metal", "hot_rice", "wrap"]


class Sample(NamedTuple):
    """One reading of one probe, as it leaves the probe."""

    name: str
    place: str
    quantity: str
    at_s: float
    value: float
    unit: str


@dataclass(frozen=True)
class Spot:
    """A position: kind, the tray's number from 0 and the depth as a share of the bed (0 top, 1 bottom)."""

    kind: SpotKind
    tray: int = 0
    depth: float = 0.5


@dataclass(frozen=True)
class ProbeSpec:
    """One probe as bought and placed.

    lag_s 30-60 for a steel tip in rice and 8 for the humidity element (63 %, SHT3x datasheet) in still air
    several times that: judgement. noise and wander are standard deviations; wander_s the time constant of
    the slow noise.
    """

    name: str
    place: str
    quantity: Quantity
    spot: Spot
    interval_s: float = 10.0
    lag_s: float = 40.0
    noise: float = 0.03
    wander: float = 0.03
    wander_s: float = 600.0
    resolution: float = 0.0625
    bias: float = 0.0
    #: Board it is soldered to: probes of one board travel in one message. Empty: a board of its own.
    board: str = ""

    @property
    def unit(self) -> str:
        """`C` or `%`."""
        return "C" if self.quantity == "temperature" else "%"


@dataclass(frozen=True)
class Fault:
    """A fault of one probe ("*": all) from from_s until to_s (seconds since the world's start).

    size: spike height, sentinel value, drift per hour, offset, or pinned value; share: part of the samples
    that a spike or sentinel hits.
    """

    kind: FaultKind
    probe: str
    from_s: float
    to_s: float = float("inf")
    size: float = 0.0
    share: float = 1.0

    def active(self, probe: str, at_s: float) -> bool:
        """Whether it acts on this probe at this time."""
        return (self.probe in ("*", probe)) and self.from_s <= at_s < self.to_s


@dataclass
class _State:
    spec: ProbeSpec
    spot: Spot
    rng: Random
    due_s: float
    level: float
    before: float
    slow: float = 0.0
    last: float | None = None
    held: dict[int, float] = field(default_factory=dict)
    hot_since_s: float = 0.0
    #: Share of the slow noise kept from sample to sample, its fresh part, and the lag's part a physics step.
    keep: float = 0.0
    fresh: float = 0.0
    gain: float = 1.0


class Probes:
    """All probes of one incubator."""

    def __init__(self, specs: tuple[ProbeSpec, ...], seed: int, incubator: Incubator) -> None:
        self._states: dict[str, _State] = {}
        self._inc = incubator
        self.faults: list[Fault] = []
        #: name -> name whose readings it shows (two probes swapped by mistake).
        self.swapped: dict[str, str] = {}
        for spec in specs:
            rng = Random(f"{seed}/probe/{spec.name}")
            level = self._truth(spec.quantity, spec.spot, 0.0)
            state = _State(spec, spec.spot, rng, rng.uniform(0.0, spec.interval_s), level, level)
            state.slow = rng.gauss(0.0, spec.wander)
            state.keep = exp(-spec.interval_s / spec.wander_s)
            state.fresh = spec.wander * sqrt(1.0 - state.keep * state.keep)
            state.gain = 1.0 - exp(-incubator.p.step_s / spec.lag_s)
            self._states[spec.name] = state
        #: When the next sample of any of them is due.
        self._due_s = 0.0

    @property
    def specs(self) -> Mapping[str, ProbeSpec]:
        """Specifications by name."""
        return {name: state.spec for name, state in self._states.items()}

    def spot(self, name: str) -> Spot:
        """Where a probe is now."""
        return self._states[name].spot

    def move(self, name: str, spot: Spot) -> None:
        """Put a probe somewhere else; it follows with its lag."""
        state = self._states[name]
        state.spot = spot
        state.hot_since_s = self._inc.time_s

    # -- following ------------------------------------------------------------------------------------

    def follow(self) -> None:
        """Advance every probe's lag by one physics step just made."""
        now = self._inc.time_s
        for state in self._states.values():
            state.before = state.level
            truth = self._truth(state.spec.quantity, state.spot, now - state.hot_since_s)
            state.level += (truth - state.level) * state.gain

    def true_value(self, name: str) -> float:
        """What this probe would show now without lag, noise, bias or rounding."""
        state = self._states[name]
        return self._truth(state.spec.quantity, state.spot, self._inc.time_s - state.hot_since_s)

    def _truth(self, quantity: Quantity, spot: Spot, moved_ago_s: float) -> float:
        if quantity == "humidity":
            return self._humidity(spot)
        return self._temperature(spot, moved_ago_s)

    def _humidity(self, spot: Spot) -> float:
        inc, kind = self._inc, spot.kind
        if kind == "room":
            return min(100.0 * inc.room.vapour_pa / saturation_pa(inc.room.temp_c), 100.0)
        if kind == "wrap":
            tray = inc.trays[spot.tray]
            return min(100.0 * tray.top_vapour_pa() / saturation_pa(tray.temp[0]), 100.0)
        if kind in ("towel", "tray"):
            return 100.0
        return min(inc.box.humidity_pct, 100.0)

    def _temperature(self, spot: Spot, moved_ago_s: float) -> float:
        inc, box = self._inc, self._inc.box
        match spot.kind:
            case "tray":
                value = inc.trays[spot.tray].at_depth(spot.depth)
            case "wrap":
                value = 0.5 * inc.trays[spot.tray].temp[0] + 0.5 * box.air_c
            case "rim":
                value = 0.8 * box.air_c + 0.2 * inc.trays[spot.tray].temp[0]
            case "room":
                value = inc.room.temp_c
            case "wet_bulb" | "towel":
                value = wet_bulb_c(box.air_c, box.vapour_pa)
            case "heater":
                value = 0.6 * box.heater_c + 0.4 * box.air_c
            case "metal":
                value = 0.5 * box.air_c + 0.5 * inc.trays[spot.tray].temp[-1]
            case "hot_rice":
                value = inc.room.temp_c + (88.0 - inc.room.temp_c) * exp(-moved_ago_s / 1500.0)
            case "air":
                value = box.air_c
        return value

    # -- sampling -------------------------------------------------------------------------------------

    def sample(self, to_s: float) -> list[Sample]:
        """Every sample due up to to_s, in order of time; the physics must have reached to_s."""
        out: list[Sample] = []
        if self._due_s > to_s + 1e-9:
            return out
        for state in self._states.values():
            while state.due_s <= to_s + 1e-9:
                sample = self._one(state, state.due_s)
                state.due_s += state.spec.interval_s
                if sample is not None:
                    out.append(sample)
        self._due_s = min((state.due_s for state in self._states.values()), default=inf)
        if self.swapped:
            out = self._swap(out)
        out.sort(key=lambda s: (s.at_s, s.name))
        return out

    def _one(self, state: _State, at_s: float) -> Sample | None:
        spec, rng = state.spec, state.rng
        back = min(max((self._inc.time_s - at_s) / self._inc.p.step_s, 0.0), 1.0)
        level = state.level + (state.before - state.level) * back
        state.slow = state.keep * state.slow + state.fresh * rng.gauss(0.0, 1.0)
        value = level + spec.bias + state.slow + rng.gauss(0.0, spec.noise)
        chance = rng.random()
        if self.faults:
            spoilt = self._spoil(state, at_s, value, chance)
            if spoilt is None:
                return None
            value = spoilt
        shown = round(round(value / spec.resolution) * spec.resolution, 4)
        if spec.quantity == "humidity":
            shown = min(max(shown, 0.0), 100.0)
        state.last = shown
        return Sample(spec.name, spec.place, spec.quantity, at_s, shown, spec.unit)

    def _spoil(self, state: _State, at_s: float, value: float, chance: float) -> float | None:
        for index, fault in enumerate(self.faults):
            if not fault.active(state.spec.name, at_s):
                continue
            kind = fault.kind
            if kind == "silent":
                return None
            if kind == "stuck":
                return state.held.setdefault(index, value if state.last is None else state.last)
            if kind in ("spike", "sentinel") and chance >= fault.share:
                continue
            if kind in ("sentinel", "pinned"):
                return fault.size
            if kind == "drift":
                value += fault.size * (at_s - fault.from_s) / 3600.0
            else:
                value += fault.size
        return value

    def _swap(self, samples: list[Sample]) -> list[Sample]:
        specs = self.specs
        out = []
        for sample in samples:
            other = self.swapped.get(sample.name)
            if other is None:
                out.append(sample)
                continue
            spec = specs[other]
            out.append(sample._replace(name=spec.name, place=spec.place))
        return out
