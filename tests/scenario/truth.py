"""Nights with their truth: what each koji probe truly felt, and whether every call had a cause and every cause a call.

A real excursion is a true value (with the probe's lag and bias, without its noise) of a probe in the koji at or beyond
limit + deadband + 3 sigma for on-delay + 2 samples. What a probe feels that lies elsewhere - on the rim, on the tray's
metal, under a wet towel - is no excursion, and a call for it has no cause unless the koji of its tray has one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import hypot
from random import Random
from typing import Any, NamedTuple

from kojimon.model import Event, Priority
from kojimon.schedule.spec import Limit, Schedule, Stage
from kojisim import scenarios
from kojisim.cook import Cook
from kojisim.world import Scenario
from tests.parts.inputs import says
from tests.scenario.night import STEP_S, T0_MS, Night

SAMPLE_S = 20.0
"""A reading every 20 s: half as many as the draw gives, for the sake of a thousand nights."""
NUISANCES = (
    scenarios.radio_gaps, scenarios.short_gaps, scenarios.lid_openings, scenarios.probe_spikes,
    scenarios.probe_sentinel, scenarios.humidity_pinned, scenarios.probe_left_out, scenarios.towel_on_probe,
    scenarios.serial_unplugged, scenarios.one_probe_silent, scenarios.probe_stuck, scenarios.probe_on_metal,
)  # fmt: skip
"""What must wake nobody. A probe that drifts upwards alone in its tray is not among them: it looks like a hot tray."""
MISPLACED = (scenarios.probe_left_out, scenarios.towel_on_probe, scenarios.probe_on_metal)
BASES = (*(scenarios.healthy,) * 8, scenarios.hot_tray, scenarios.hot_tray, scenarios.box_timer)
RARE = 0.02
"""A fault that spoils so small a share of the readings leaves the probe believed."""
LEVELS = {"high": (("high", 1), ("high_high", 1)), "low": (("low", -1), ("low_low", -1))}


def drawn(seed: int, alone: bool = False) -> tuple[Scenario, Cook]:
    """A night and its person: two or three nuisances, in one of three something truly wrong, marks forgotten by some.

    One in four is out of the house for hours in which the koji wants mixing: it overheats without a fault anywhere.

    Args:
        alone: there is one probe in the koji, and it comes to lie elsewhere once in every night.
    """
    rng = Random(f"{seed}/{'alone' if alone else 'drawn'}")
    nuisances = rng.sample(NUISANCES, rng.choice((2, 3)))
    if alone:
        nuisances = [rng.choice(MISPLACED), *(make for make in nuisances if make not in MISPLACED)]
    script = [item for make in nuisances for item in make(seed).script]
    base = rng.choice(BASES)(seed)
    if rng.random() < 1 / 3:
        base = rng.choice(scenarios.EXCURSIONS)(seed)
    away = rng.uniform(26.0, 34.0)
    absent = ((away, away + rng.uniform(5.0, 12.0)),) if rng.random() < 1 / 4 else ()
    cook = Cook(
        seed, incubator="box", react_min=(2.0, 12.0), forgets=rng.choice((0.0, 0.0, 0.3)),
        leaves_out=rng.choice((0.0, 0.0, 0.2)), absent_h=absent,
    )  # fmt: skip
    kept = [spec for spec in base.probes if not alone or spec.place != "bed" or spec.name == cook.probe]
    probes = tuple(replace(spec, interval_s=SAMPLE_S) for spec in kept)
    return replace(base, script=(*base.script, *script), probes=probes), cook


class Moment(NamedTuple):
    """One step of the truth.

    Attributes:
        at_s: seconds since the beginning.
        stage: its name.
        working: whether hands are in the koji.
        felt: by probe what it truly feels; None where it is not in the koji or what it sends is not what it feels.
        bare: by probe that is not in the koji, lowest and highest temperature of the koji in its tray.
        box: the air and what the box is at.
    """

    at_s: float
    stage: str
    working: bool
    felt: dict[str, float | None]
    bare: dict[str, tuple[float, float]]
    box: dict[str, Any]


class Miss(NamedTuple):
    """A cause without a call."""

    key: str
    at_s: float
    text: str


@dataclass
class TrueNight(Night):
    """A night that remembers the truth of each step, and holds each alarm against it."""

    moments: list[Moment] = field(default_factory=list)
    misses: list[Miss] = field(default_factory=list)
    excursions: int = 0
    _runs: dict[tuple[str, str], float] = field(default_factory=dict)
    _counted: set[tuple[str, str]] = field(default_factory=set)

    def __post_init__(self) -> None:
        super().__post_init__()
        beds = [spec for spec in self.scenario.probes if spec.place == "bed"]
        self.sigma = {spec.name: hypot(spec.noise, spec.wander, spec.resolution / 12**0.5) for spec in beds}
        self.bias = {spec.name: spec.bias for spec in beds}

    def step(self, to_s: float) -> bool:
        happened = super().step(to_s)
        batch = self.state.batches.get("box")
        heard = {name: self.world.plugged and not self._faulty(name, to_s) for name in self.sigma}
        levels = {name: self.world.probes._states[name].level + self.bias[name] for name in self.sigma}
        box = self.incubator_box()
        bare = {name: self._koji(name) for name in self.sigma if self.world.probes.spot(name).kind != "tray"}
        felt = {name: levels[name] if heard[name] and name not in bare else None for name in self.sigma}
        moment = Moment(to_s, batch.stage if batch else "", "box" in self.state.work, felt, bare, box)
        self.moments.append(moment)
        stage = self.schedule.stage(moment.stage)
        if stage is None:
            self._runs.clear()
        else:
            self._hold(moment, stage)
        return happened

    def incubator_box(self) -> dict[str, Any]:
        box = self.world.incubator.box
        return {"air_c": box.air_c, "mains": box.mains, "stuck_on": box.stuck_on, "lid": box.lid_open}

    def _koji(self, name: str) -> tuple[float, float]:
        """Lowest and highest temperature of the koji in the tray a probe belongs to."""
        own = next(spec for spec in self.scenario.probes if spec.name == name)
        tray = self.world.incubator.trays[own.spot.tray]
        return min(tray.temp), max(tray.temp)

    def _faulty(self, name: str, at_s: float) -> bool:
        """Whether what the probe sends is not what it feels; a rare spike is no lie."""
        lies = [fault for fault in self.world.probes.faults if fault.share > RARE]
        return name in self.world.probes.swapped or any(fault.active(name, at_s) for fault in lies)

    # -- every cause has a call ----------------------------------------------------------------------------------

    def _hold(self, moment: Moment, stage: Stage) -> None:
        for band in stage.bands:
            if (band.place, band.quantity) != ("bed", "temperature"):
                continue
            for side, levels in LEVELS.items():
                for level, sign in levels:
                    limit: Limit | None = getattr(band, level)
                    if limit is not None and limit.priority is Priority.WAKE:
                        self._limit(moment, f"limit/bed/temperature/{side}", level, sign, limit)
        self._sight(moment, stage)

    def _limit(self, moment: Moment, key: str, level: str, sign: int, limit: Limit) -> None:
        for name, value in moment.felt.items():
            edge = limit.limit + sign * (limit.deadband + 3 * self.sigma[name])
            run = (f"{level}/{moment.stage}", name)
            beyond = value is not None and sign * (value - edge) >= 0
            # Work suppresses all but the outermost limits by design; the wait begins anew when it ends.
            if not beyond or (moment.working and level in ("high", "low")):
                self._runs.pop(run, None)
                self._counted.discard(run)
                continue
            since_s = self._runs.setdefault(run, moment.at_s)
            if moment.at_s - since_s >= limit.on_delay_s + 2 * SAMPLE_S:
                self._expect(run, key, moment, f"{name} {value:.2f} beyond {limit.limit} since {since_s / 3600:.2f} h")

    def _sight(self, moment: Moment, stage: Stage) -> None:
        gone = all(self._silent(name, moment.at_s) for name in moment.felt)
        run = ("sight", "")
        if not gone or stage.blind_s <= 0:
            self._runs.pop(run, None)
            self._counted.discard(run)
            return
        since_s = self._runs.setdefault(run, moment.at_s)
        if moment.at_s - since_s >= max(stage.blind_s, 90.0) + 2 * SAMPLE_S:
            self._expect(run, "blind/bed", moment, "no koji probe is heard")

    def _silent(self, name: str, at_s: float) -> bool:
        """Whether nothing comes from it. Of two faults the first one acts: a stuck probe does not fall silent."""
        kinds = [fault.kind for fault in self.world.probes.faults if fault.active(name, at_s)]
        first = next((kind for kind in kinds if kind in ("silent", "stuck", "pinned")), "")
        return not self.world.plugged or first == "silent"

    def _expect(self, run: tuple[str, str], key: str, moment: Moment, text: str) -> None:
        if run in self._counted:
            return
        self._counted.add(run)
        self.excursions += 1
        alarm = self.state.alarms.get(f"box/{key}")
        if alarm is None or not alarm.active or alarm.calls == 0 or alarm.priority is not Priority.WAKE:
            self.misses.append(Miss(key, moment.at_s, text))

    # -- every call has a cause -------------------------------------------------------------------------------------

    def without_cause(self) -> list[Event]:
        """Wakings for which nothing was truly wrong."""
        return [event for event in self.wakings if not self._cause(event)]

    def _cause(self, event: Event) -> bool:
        at_s = (event.t_ms - T0_MS) / 1000
        near = [moment for moment in self.moments if at_s - 900 <= moment.at_s <= at_s + STEP_S]
        if event.key.startswith("limit/bed/temperature"):
            return self._felt(event, near)
        if event.key == "blind/bed":
            since_s = (says(event)["since_ms"] - T0_MS) / 1000
            gone = [moment for moment in self.moments if since_s + STEP_S < moment.at_s <= at_s - STEP_S]
            return bool(gone) and all(value is None for moment in gone for value in moment.felt.values())
        if event.key == "box/off":
            return any(not m.box["mains"] or m.box["air_c"] <= says(event)["limit"] - 3 for m in near[-2:])
        if event.key == "box/hot":
            return any(m.box["stuck_on"] or m.box["air_c"] >= says(event)["limit"] for m in near)
        return False

    def _felt(self, event: Event, near: list[Moment]) -> bool:
        sign = 1 if says(event)["side"] == "high" else -1
        limit = says(event)["limit"]
        felt = any(
            value is not None and sign * (value - limit) >= -3 * self.sigma[name]
            for moment in near
            for name, value in moment.felt.items()
        )
        koji = [pair[sign > 0] for moment in near for pair in moment.bare.values()]
        return felt or any(sign * (value - limit) >= 0 for value in koji)


class Verdict(NamedTuple):
    """One night in figures, small enough to travel between processes."""

    seed: int
    name: str
    excursions: int
    wakings: list[str]
    missed: list[str]
    without_cause: list[str]


def judged(seed: int, schedule: Schedule, alone: bool = False) -> Verdict:
    """Runs a drawn night to its end, through the probes' pipeline and the engine, and judges it."""
    scenario, cook = drawn(seed, alone)
    night = TrueNight(scenario, seed, schedule, cook)
    night.run()

    def told(event: Event) -> str:
        return f"{event.key} at {night.hour(event):.2f} h ({says(event).get('value')})"

    return Verdict(
        seed, scenario.name, night.excursions, [told(event) for event in night.wakings],
        [f"{miss.key} at {miss.at_s / 3600:.2f} h: {miss.text}" for miss in night.misses],
        [told(event) for event in night.without_cause()],
    )  # fmt: skip
