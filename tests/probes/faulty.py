"""Simulated batches through the real pipeline, with faults laid over the readings of single probes.

One simulated batch (`mixed`: somebody mixes and opens the lid as a person does) gives the sound readings; each fault
is laid over them afterwards, so that one run serves every kind.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from random import Random

from kojimon.model import Arrival, Quality
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Probe, SimulatedSource
from kojisim.probes import Sample
from kojisim.scenarios import SCENARIOS
from kojisim.world import World

HOUR_S = 3600.0
Spoil = Callable[[Sample, Random], float | None]
"""Gives the reading in place of a sample, None for silence."""


@dataclass(frozen=True)
class Batch:
    """A simulated batch: its readings in order and when it was inoculated."""

    seed: int
    samples: tuple[Sample, ...]
    inoculated_s: float
    end_s: float
    mixes_s: tuple[float, ...]


def batch(seed: int, hours: float = 46.0) -> Batch:
    """One batch of `mixed`, to a few hours before its harvest."""
    world = World(SCENARIOS["mixed"](seed), seed)
    while world.inoculated_s is None:
        world.advance(world.time_s + 600.0)
    end_s = world.inoculated_s + hours * HOUR_S
    while world.time_s < end_s and world.harvested_s is None:
        world.advance(world.time_s + 600.0)
    mixes = tuple(at_s for at_s, act, _ in world.done if act == "mix")
    last_s = world.harvested_s or world.time_s
    return Batch(seed, tuple(one for one in world.read() if one.at_s < last_s), world.inoculated_s, last_s, mixes)


@dataclass
class Tally:
    """What the pipeline said about one probe."""

    hours: float = 0.0
    flagged: dict[Quality, list[float]] = field(default_factory=dict)
    """Times, s, by verdict; GOOD is left out."""

    def first_s(self, kinds: Sequence[Quality], since_s: float) -> float | None:
        """Time of the first verdict of these kinds at or after a time."""
        times = [at_s for kind in kinds for at_s in self.flagged.get(kind, ()) if at_s >= since_s]
        return min(times, default=None)


def around(samples: Sequence[Sample], since_s: float) -> list[Sample]:
    """The readings from two hours before a time to twelve hours after it."""
    return [one for one in samples if since_s - 2 * HOUR_S <= one.at_s <= since_s + 12 * HOUR_S]


def probes_of(samples: Sequence[Sample], only: Sequence[str] = (), beside: dict[str, str] | None = None) -> list[Probe]:
    """Settings for the probes in a run."""
    found: dict[str, Probe] = {}
    for one in samples:
        if one.name in found or (only and one.name not in only):
            continue
        device = "ds18b20" if one.place == "bed" else ""
        unit = "%" if one.quantity == "humidity" else "C"
        near = (beside or {}).get(one.name, "")
        found[one.name] = Probe(
            one.name, "box", one.place, one.quantity, "sim", unit=unit, device=device, beside=near, tray=one.name
        )
    return list(found.values())


def run(
    samples: Sequence[Sample],
    probes: Sequence[Probe],
    spoil: dict[str, tuple[float, Spoil]] | None = None,
    seed: int = 0,
) -> dict[str, Tally]:
    """Sends readings through a pipeline.

    Args:
        spoil: by probe, from when on (s) and what its readings become.
    """
    pipeline = Pipeline(probes, {one.name: at for at, one in enumerate(probes)}, [SimulatedSource("sim")])
    tallies, rng = {one.name: Tally() for one in probes}, Random(f"{seed}/faults")
    first_s: dict[str, float] = {}
    for sample in samples:
        tally = tallies.get(sample.name)
        if tally is None:
            continue
        value: float | None = sample.value
        if spoil and sample.name in spoil and sample.at_s >= spoil[sample.name][0]:
            value = spoil[sample.name][1](sample, rng)
        if value is None:
            continue
        tally.hours = (sample.at_s - first_s.setdefault(sample.name, sample.at_s)) / HOUR_S
        for reading in pipeline.take(Arrival("sim", 0, sample.name, value), round(sample.at_s * 1000)):
            if reading.quality:
                tally.flagged.setdefault(Quality(reading.quality), []).append(sample.at_s)
    return tallies


# -- faults ---------------------------------------------------------------------------------------------------


class NowAndThen:
    """Spoils a share of the readings by a fixed step up or down, and remembers which."""

    def __init__(self, size: float, share: float = 0.005) -> None:
        self.size, self.share = size, share
        self.times_s: list[float] = []

    def __call__(self, sample: Sample, rng: Random) -> float:
        if rng.random() >= self.share:
            return sample.value
        self.times_s.append(sample.at_s)
        return sample.value + rng.choice((-self.size, self.size))


class Instead:
    """Puts a fixed value in place of a share of the readings."""

    def __init__(self, value: float, share: float = 1.0) -> None:
        self.value, self.share = value, share
        self.times_s: list[float] = []

    def __call__(self, sample: Sample, rng: Random) -> float:
        if self.share < 1 and rng.random() >= self.share:
            return sample.value
        self.times_s.append(sample.at_s)
        return self.value


class Held:
    """The last value for good."""

    def __init__(self) -> None:
        self.value: float | None = None

    def __call__(self, sample: Sample, rng: Random) -> float:
        self.value = sample.value if self.value is None else self.value
        return self.value


class Ramp:
    """Leaves the truth at a rate, for so long."""

    def __init__(self, since_s: float, per_s: float, for_s: float = float("inf"), step: float = 0.0625) -> None:
        self.since_s, self.per_s, self.for_s, self.step = since_s, per_s, for_s, step

    def __call__(self, sample: Sample, rng: Random) -> float:
        off = min(sample.at_s - self.since_s, self.for_s) * self.per_s
        return round((sample.value + off) / self.step) * self.step


def with_twin(one: Batch, name: str = "bed") -> tuple[Sample, ...]:
    """A second probe beside `name`: its own bias within 0.3 K and its own noise."""
    rng = Random(f"{one.seed}/twin")
    bias, out = rng.uniform(-0.3, 0.3), []
    for sample in one.samples:
        out.append(sample)
        if sample.name == name:
            value = round((sample.value + bias + rng.gauss(0.0, 0.05)) / 0.0625) * 0.0625
            out.append(sample._replace(name="twin", value=value))
    return tuple(out)


LONE = ("bed", "air", "air-humidity", "room")


@dataclass
class Found:
    """One fault in one batch: whether it was seen, after how many minutes, and the share of spoilt readings flagged."""

    caught: bool
    minutes: float | None = None


def fault_runs(one: Batch) -> dict[str, Found]:
    """Every fault kind once in a batch, at an hour drawn from its seed."""
    rng, start_s = Random(f"{one.seed}/hours"), one.inoculated_s

    def at(low: float, high: float) -> float:
        return start_s + rng.uniform(low, high) * HOUR_S

    def look(name: str, since_s: float, spoil: Spoil, kind: Quality, only: Sequence[str] = ()) -> Found:
        samples = around(one.samples, since_s)
        tally = run(samples, probes_of(samples, only), {name: (since_s, spoil)}, one.seed)[name]
        first_s = tally.first_s([kind], since_s)
        return Found(first_s is not None, None if first_s is None else (first_s - since_s) / 60)

    def each(name: str, since_s: float, spoil: NowAndThen | Instead, kind: Quality) -> Found:
        samples = around(one.samples, since_s)
        tally = run(samples, probes_of(samples, LONE), {name: (since_s, spoil)}, one.seed)[name]
        flagged = set(tally.flagged.get(kind, ()))
        return Found(bool(spoil.times_s) and set(spoil.times_s) <= flagged, 0.0)

    found = {
        "sentinel 85.0 in the koji, 1 in 50": each("bed", at(1, 30), Instead(85.0, 0.02), Quality.SENTINEL),
        "sentinel -127 in the air, 1 in 50": each("air", at(1, 30), Instead(-127.0, 0.02), Quality.SENTINEL),
        "range: 300 °C, 1 in 50": each("bed", at(1, 30), Instead(300.0, 0.02), Quality.RANGE),
        "spike of 6 K in the koji, 1 in 200": each("bed", at(1, 30), NowAndThen(6.0), Quality.SPIKE),
        "spike of 12 K in the koji, 1 in 200": each("bed", at(1, 30), NowAndThen(12.0), Quality.SPIKE),
        "spike of 10 K in the air, 1 in 200": each("air", at(1, 30), NowAndThen(10.0), Quality.SPIKE),
    }
    since_s = at(1, 30)
    found["rate: 12 K a minute for 3 minutes"] = look("bed", since_s, Ramp(since_s, 0.2, 180.0), Quality.RATE)
    found["stuck in the koji, other trays measured"] = look("bed", at(15, 30), Held(), Quality.STUCK)
    found["stuck in the koji, lone probe, from 26 h"] = look("bed", at(26, 34), Held(), Quality.STUCK, LONE)
    found["stuck in the air"] = look("air", at(1, 34), Held(), Quality.STUCK)
    found["stuck humidity"] = look("air-humidity", at(1, 34), Held(), Quality.STUCK)
    found["humidity pinned at 100"] = look("air-humidity", at(1, 34), Instead(100.0), Quality.PINNED)
    found["drift 0.3 K an hour beside another"] = drift_run(one, at(2, 10), rng.choice((-0.3, 0.3)))
    return found


def drift_run(one: Batch, since_s: float, per_h: float) -> Found:
    """Drift of a probe with another declared beside it."""
    samples = around(with_twin(one), since_s)
    spoil: dict[str, tuple[float, Spoil]] = {"bed": (since_s, Ramp(since_s, per_h / HOUR_S))}
    tally = run(samples, probes_of(samples, beside={"bed": "twin"}), spoil, one.seed)["bed"]
    first_s = tally.first_s([Quality.DRIFT], since_s)
    return Found(first_s is not None, None if first_s is None else (first_s - since_s) / 60)


def clean_flags(one: Batch) -> tuple[float, int]:
    """Probe-hours of a sound batch (a twin included) and readings flagged in it."""
    samples = with_twin(one)
    tallies = run(samples, probes_of(samples, beside={"bed": "twin"}))
    hours = sum(tally.hours for tally in tallies.values())
    return hours, sum(len(times) for tally in tallies.values() for times in tally.flagged.values())


# -- probes in the wrong place --------------------------------------------------------------------------------

MISPLACED = {
    "left on the rim": ("probe_left_out", Quality.OUT_OF_KOJI),
    "under the wet towel": ("towel_on_probe", Quality.OUT_OF_KOJI),
    "touching the heater": ("probe_on_heater", Quality.OUT_OF_KOJI),
    "touching the tray's metal": ("probe_on_metal", Quality.OUT_OF_KOJI),
    "borrowed for hot rice": ("probe_in_hot_rice", Quality.OUT_OF_KOJI),
    "exchanged with the air probe": ("probes_swapped", Quality.SWAPPED),
}
LOOK_H = 4.0
"""So long after it was misplaced a probe is looked at."""


@dataclass
class Misplaced:
    """A batch in which somebody puts a probe in the wrong place."""

    found: Found
    others: int
    """Readings of sound probes that were flagged."""
    before: int
    """Readings flagged before it was misplaced."""


def misplaced_run(scenario: str, kind: Quality, seed: int) -> Misplaced:
    """One batch of a scenario, mixed as it should be, until some hours after the probe was misplaced."""
    world = World(replace(SCENARIOS[scenario](seed), hands="bedside"), seed)
    since_s: float | None = None
    while since_s is None or world.time_s < since_s + LOOK_H * HOUR_S:
        world.advance(world.time_s + 600.0)
        moves = [at_s for at_s, act, _ in world.done if act in ("move_probe", "swap_probes")]
        since_s = moves[0] if moves else None
    samples = world.read()
    tallies = run(samples, probes_of(samples))
    first_s = tallies["bed"].first_s([kind], since_s)
    misled = {"bed", "air"} if kind is Quality.SWAPPED else {"bed"}
    others = sum(len(times) for name, one in tallies.items() if name not in misled for times in one.flagged.values())
    before = sum(at_s < since_s for one in tallies.values() for times in one.flagged.values() for at_s in times)
    minutes = None if first_s is None else (first_s - since_s) / 60
    return Misplaced(Found(first_s is not None, minutes), others, before)
