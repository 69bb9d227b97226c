"""What the forecast's process is told of a batch, from the engine's state and the journal. Pure but for reading it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Final
from zlib import crc32

from msgspec import Struct

from kojimon.contract.events import ProbeMoved, Setpoint
from kojimon.engine.compiled import compiled_for
from kojimon.engine.moments import HOUR_ZERO, holds_in, known_of
from kojimon.engine.setup import EngineSetup
from kojimon.engine.state import BatchState, Mark, State, elapsed_ms
from kojimon.forecast.answers import ForecastSetup, MixAim
from kojimon.forecast.protocol import Reading, Work
from kojimon.model import Event, Quality, standing_readings
from kojimon.review.measure.minutes import Minute
from kojimon.schedule.spec import After, Band, FirstOf, LastOf, Moment, Schedule, Step

WORKS: Final = frozenset({"mix", "spread", "furrow", "wrap", "unwrap", "swap"})
"""What steps do to the koji that the forecast knows of (`schedule.spec.Step.work`)."""
TELLING: Final = (("bed", "temperature"), ("air", "temperature"))
"""Probes that something can be forecast from."""
UNTOLD: Final = ("probe-moved", "setpoint", "reading", "reading-undone")
"""Events besides steps that change the koji or its box, and what was read of it by hand."""
BESIDE: Final = (("air", "temperature"), ("room", "temperature"), ("air", "humidity"))
MINUTE_MS: Final = 60_000
NO_DOUBTS: Final[Mapping[int, float]] = {}
LATE_S: Final = 300.0
"""Work told later than this is put where it belongs by telling the batch anew: a block of the forecast."""
MIX_FROM_C: Final = (30.0, 42.0)
"""A condition on the koji for mixing outside this is none the forecast can aim at; chosen."""


class Subject(Struct, frozen=True):
    """The batch a forecast is about: what changes of it make it another one for the process.

    Attributes:
        incubator, batch, hour0_ms: which, and its hour 0 in engine time.
        anchors: corrections of engine time.
        probes: (number, place, quantity) of the incubator's probes.
        kind, cover: of the box and of the rice in it.
        late_h: by how much the koji warmed itself later than it should have, so its harvest is later by as much.
    """

    incubator: str
    batch: str
    hour0_ms: int
    anchors: tuple[tuple[int, int], ...]
    probes: tuple[tuple[int, str, str], ...]
    kind: str = "unknown"
    cover: str = "unknown"
    late_h: float = 0.0

    def since_s(self, t_ms: int) -> float:
        """Seconds since inoculation of an engine time."""
        if t_ms < self.hour0_ms:
            return (t_ms - self.hour0_ms) / 1000
        return elapsed_ms(self.anchors, self.hour0_ms, t_ms) / 1000

    @property
    def seed(self) -> int:
        """The same for the same batch, so that a restart tells the same."""
        return crc32(self.batch.encode())


def subject_of(state: State, incubator: str) -> Subject | None:
    """The open batch of an incubator, once inoculated and where a probe sits in the koji or its air; else None."""
    batch = state.batches.get(incubator)
    hour0_ms = hour0_of(batch.marks) if batch else None
    probes = probes_of(state.setup, incubator)
    if batch is None or hour0_ms is None or not any(one[1:] in TELLING for one in probes):
        return None
    box = next(one for one in state.setup.incubators if one.name == incubator)
    known = known_of(compiled_for(state.setup, state.setup_hash), incubator, batch, state.anchors, state.last_t)
    late_h = known.late_ms() / 3_600_000 if known else 0.0
    return Subject(incubator, batch.id, hour0_ms, state.anchors, probes, box.kind, box.cover, late_h)


def probes_of(setup: EngineSetup, incubator: str) -> tuple[tuple[int, str, str], ...]:
    """Number, place and quantity of an incubator's probes."""
    return tuple((probe.no, probe.place, probe.quantity) for probe in setup.probes if probe.incubator == incubator)


def hour0_of(marks: Sequence[Mark]) -> int | None:
    """When the spores went on."""
    return min((mark.at_ms for mark in marks if mark.step == HOUR_ZERO and not mark.undone), default=None)


def works_of(subject: Subject, schedule: Schedule, batch: BatchState) -> tuple[Work, ...]:
    """Work on the koji since hour 0 as it stands now, in order of time."""
    work = {step.name: step.work for step in schedule.steps}
    found = [
        (subject.since_s(mark.at_ms), work[mark.step])
        for mark in batch.marks
        if not mark.undone and work.get(mark.step, "") in WORKS and mark.at_ms >= subject.hour0_ms
    ]
    return tuple(sorted(found))


def besides(told: Iterable[Event], subject: Subject, guesses: Collection[int]) -> tuple[Work, ...]:
    """What changed koji or box besides steps, in order of time: the box set anew, a probe moved, a mixing seen; and the
    koji read by hand.

    Args:
        told: the batch's events of the kinds `UNTOLD`.
        guesses: when mixings were seen that wait for an answer (one that was answered is a step, or was none).
    """
    told = list(told)
    found = [(subject.since_s(at_ms), "mix") for at_ms in guesses]
    for hand in standing_readings(told):
        if (hand.place, hand.quantity, hand.quality) == ("bed", "temperature", Quality.GOOD):
            found.append((subject.since_s(hand.at_ms), f"read {hand.value:g}"))
    for event in told:
        at_s = subject.since_s(event.t_ms)
        if isinstance(event.what, Setpoint):
            found.append((at_s, "set" if event.what.to_c is None else f"set {event.what.to_c:g}"))
        elif isinstance(event.what, ProbeMoved) and not event.what.ended:
            found.append((at_s, "moved"))
    return tuple(sorted(one for one in found if one[0] >= 0))


def readings_of(
    subject: Subject, minutes: Mapping[int, Sequence[Minute]], doubts: Mapping[int, float] = NO_DOUBTS
) -> tuple[Reading, ...]:
    """One set of readings a minute, in order of time.

    Of several probes in the koji the hottest counts, for it is the one that reaches a limit; of others the mean. Of one
    that is perhaps out of it nothing counts that is colder than `doubts` says (`engine.doubts`).
    """
    table: dict[int, dict[tuple[str, str], list[float]]] = {}
    for no, place, quantity in subject.probes:
        for one in minutes.get(no, ()):
            if one.first_ms >= subject.hour0_ms and one.high >= doubts.get(no, one.high):
                row = table.setdefault(one.first_ms // MINUTE_MS, {})
                row.setdefault((place, quantity), []).append((one.low + one.high) / 2)
    found = []
    for minute in sorted(table):
        row = table[minute]
        t_s = subject.since_s(max(subject.hour0_ms, minute * MINUTE_MS + MINUTE_MS // 2))
        bed = row.get(("bed", "temperature"))
        air_c, room_c, rh_pct = (_mean(row.get(place)) for place in BESIDE)
        found.append((t_s, max(bed) if bed else None, air_c, room_c, rh_pct))
    return tuple(found)


def _mean(values: list[float] | None) -> float | None:
    return round(sum(values) / len(values), 3) if values else None


def limits_of(schedule: Schedule, stage: str, bands: Sequence[Band]) -> tuple[tuple[float, ...], float | None]:
    """Upper limits of the koji, mildest first, and the lower one.

    The upper ones are those of the stage the koji will be in when it gets so warm: a stage that begins by the koji's
    warmth has begun before a limit above that warmth is reached.

    Args:
        stage: the present stage; bands: those in force.
    """
    now = _of_bed(bands)
    ahead = _of_bed(_stage_when_hot(schedule, stage, bands))
    upper = tuple(one.limit for one in (ahead.high, ahead.high_high) if one is not None) if ahead else ()
    return upper, now.low.limit if now is not None and now.low is not None else None


def _of_bed(bands: Sequence[Band]) -> Band | None:
    return next((one for one in bands if (one.place, one.quantity) == ("bed", "temperature")), None)


def _stage_when_hot(schedule: Schedule, stage: str, bands: Sequence[Band]) -> Sequence[Band]:
    names = [one.name for one in schedule.stages]
    for later in schedule.stages[names.index(stage) + 1 :] if stage in names else ():
        band = _of_bed(bands)
        begins = [schedule.conditions[hold.condition] for hold in holds_in(later.begins)]
        warm_c = [one.at_least for one in begins if one.place == "bed" and not one.above and one.at_least is not None]
        if band is None or band.high is None or not any(value < band.high.limit for value in warm_c):
            break
        bands = later.bands
    return bands


def setup_of(schedule: Schedule, kind: str = "unknown", cover: str = "unknown", late_h: float = 0.0) -> ForecastSetup:
    """What schedule and settings say that the forecast can use for the whole batch: harvest hours (`late_h` later),
    what mixing spares, the box and how the rice in it is covered."""
    harvest = next((step for step in schedule.steps if step.work == "harvest"), None)
    usual = ForecastSetup().mix
    highs = [
        band.high.limit for stage in schedule.stages for band in stage.bands
        if (band.place, band.quantity) == ("bed", "temperature") and band.high is not None
    ]  # fmt: skip
    ceiling_c = min([usual.ceiling_c, *highs])
    return ForecastSetup(
        mix=MixAim(min(usual.from_c, ceiling_c - 2.0), ceiling_c),
        harvest_from_h=_hours(harvest.window.opens, late_h) if harvest else None,
        harvest_until_h=_hours(harvest.window.closes, late_h) if harvest else None,
        kind=kind,
        cover=cover,
    )


def low_of(schedule: Schedule) -> float | None:
    """The koji's lower limit in the schedule's first stage, °C."""
    band = _of_bed(schedule.stages[0].bands) if schedule.stages else None
    return band.low.limit if band is not None and band.low is not None else None


def mix_of(schedule: Schedule, done: Collection[str]) -> MixAim | None:
    """The next mixing that the koji's warmth asks for; None where the schedule mixes by the clock alone.

    `done`: names of the steps done so far.
    """
    for step in schedule.steps:
        if step.work == "mix" and (step.repeats or step.name not in done):
            warm_c = _warm_c(schedule, step)
            if warm_c:
                return MixAim(min(warm_c), max(*warm_c, min(warm_c) + 2.0))
    return None


def _warm_c(schedule: Schedule, step: Step) -> list[float]:
    """Temperatures of the koji at which a step is open or due."""
    names = {hold.condition for moment in (step.window.opens, step.window.due) for hold in holds_in(moment)}
    found = [schedule.conditions[name] for name in names if name in schedule.conditions]
    own = [one.at_least for one in found if one.place == "bed" and one.quantity == "temperature" and not one.above]
    return [value for value in own if value is not None and MIX_FROM_C[0] <= value <= MIX_FROM_C[1]]


def _hours(moment: Moment | None, late_h: float) -> float | None:
    """A moment in hours since inoculation, so much later, where it hangs on nothing else."""
    if isinstance(moment, After):
        return moment.wait_s / 3600 + late_h if moment.step == HOUR_ZERO else None
    if isinstance(moment, (FirstOf, LastOf)):
        parts = [hours for part in moment.moments if (hours := _hours(part, late_h)) is not None]
        return (min if isinstance(moment, FirstOf) else max)(parts, default=None)
    return None
