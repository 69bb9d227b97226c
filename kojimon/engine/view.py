"""The state document (`contract.state`): what a page, a terminal or a topic shows. A pure function of the state."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec.structs import asdict, replace

from kojimon.alarms.states import AlarmState
from kojimon.contract import deadlines, keys
from kojimon.contract.state import (
    Alarm,
    Band,
    Box,
    ByHand,
    Document,
    EndedBatch,
    Extreme,
    Gate,
    Mark,
    Next,
    OpenBatch,
    Place,
    Probe,
    Stage,
    Step,
)  # fmt: skip
from kojimon.engine.box import off_untold
from kojimon.engine.conditions import fresh
from kojimon.engine.cooling import cool_at_c
from kojimon.engine.derived import derived
from kojimon.engine.forgotten import probable_end_ms
from kojimon.engine.gates import passed
from kojimon.engine.guess import shown as mixing_question
from kojimon.engine.hand import stands
from kojimon.engine.limits import bands_in_force, beside, pending
from kojimon.engine.moments import Known, known_of
from kojimon.engine.outlook import shown
from kojimon.engine.plan import CLOSED, DUE, OPEN, doubt_of, let_go, rank_of, round_of, too_hot, untold
from kojimon.engine.probe_back import shown as probe_question
from kojimon.engine.reopen import BACK_MS, can_be
from kojimon.engine.scale import kept_tares
from kojimon.engine.setup import IncubatorSetup
from kojimon.engine.state import AlarmRec, State, after_ms, elapsed_ms
from kojimon.engine.trend import rate_per_h
from kojimon.engine.turn import Turn
from kojimon.schedule import spec

STALE_MS = 14_400_000
STATUS = {0: "waiting", OPEN: "open", DUE: "due", CLOSED: "missed"}


def view(state: State, now_ms: int) -> Document:
    """The state document without wall times and without what only the door knows (zone, units); t_ms throughout."""
    turn = Turn(state)
    turn.t_ms = max(turn.t_ms, now_ms)
    return Document(
        t_ms=turn.t_ms,
        site=state.setup.site,
        pressure_hpa=round(state.setup.pressure_pa / 100, 1),
        incubators=tuple(_incubator(turn, box) for box in state.setup.incubators),
        alarms=_alarms(turn, ""),
    )


def _incubator(turn: Turn, box: IncubatorSetup) -> Box:
    batch = turn.batches.get(box.name)
    known = known_of(turn.compiled, box.name, batch, turn.anchors, turn.last_t) if batch else None
    steps = tuple(_step(turn, box.name, known, step) for step in known.schedule.steps) if known else ()
    return Box(
        name=box.name,
        label=box.label or box.name,
        schedule=box.schedule,
        trays=tuple(box.trays),
        batch=_batch(turn, box.name, known),
        ended=_ended(turn, box.name),
        stage=_stage(known),
        places=tuple(_places(turn, box.name)),
        probes=tuple(_probes(turn, box.name)),
        by_hand=tuple(_by_hand(turn, box.name)),
        derived=tuple(derived(turn, box.name)),
        bands=tuple(_band(band) for band in bands_in_force(turn, box.name)),
        pending=tuple(pending(turn, box.name)),
        steps=steps,
        next=_next(steps),
        question=mixing_question(turn, box.name) or probe_question(turn, box.name),
        forecast=shown(turn, box.name, known),
        cautions=tuple(known.schedule.cautions) if known else (),
        alarms=_alarms(turn, box.name),
        kind=box.kind,
        cover=box.cover,
        off_untold=off_untold(turn, box.name) if known else "",
        warmth_untold=untold(turn, box.name, known) if known else "",
        heat_off=batch is not None and turn.of_late(box.name).off_ms >= 0,
        tares=kept_tares(turn, box.name),
    )


def _batch(turn: Turn, incubator: str, known: Known | None) -> OpenBatch | None:
    if known is None:
        return None
    batch, hour0_ms = known.batch, known.hour0_ms()
    hour = None if hour0_ms is None else elapsed_ms(turn.anchors, hour0_ms, turn.t_ms) / 3_600_000
    return OpenBatch(
        id=batch.id,
        name=batch.name,
        schedule=batch.schedule,
        label=known.schedule.label,
        hour=None if hour is None else round(hour, 4),
        started_t_ms=batch.started_ms,
        hour0_t_ms=hour0_ms,
        forgotten_t_ms=probable_end_ms(turn, incubator, known) if turn.of_late(incubator).forgotten_ms >= 0 else None,
        weighed=batch.weighed[-1] if batch.weighed else None,
    )


def _ended(turn: Turn, incubator: str) -> EndedBatch | None:
    ended = can_be(turn, incubator)
    if ended is None:
        return None
    until_ms = after_ms(turn.anchors, ended.at_ms, BACK_MS)
    outcome = ended.kind.removeprefix("batch-")
    weighed = ended.batch.weighed[-1] if ended.batch.weighed else None
    cooling = outcome == "harvest" and ended.cooled_ms < 0
    return EndedBatch(
        ended.batch.id, ended.batch.name, outcome, ended.at_ms, until_ms, after=ended.after, weighed=weighed,
        cool_at_c=cool_at_c(turn, incubator) if cooling else None,
    )  # fmt: skip


def _stage(known: Known | None) -> Stage | None:
    stage = known.schedule.stage(known.batch.stage) if known else None
    return None if stage is None or known is None else Stage(stage.name, stage.label, known.batch.stage_since_ms)


def _probes(turn: Turn, incubator: str) -> Iterator[Probe]:
    for probe in turn.setup.probes:
        if probe.incubator == incubator:
            yield Probe(
                probe.name, probe.no, probe.place, probe.tray, probe.quantity, turn.last_v.get(probe.no),
                _age_s(turn, probe.no), _quality(turn, probe.no), rate_per_h(turn.trace.get(probe.no, ())),
                turn.silent(probe.no), probe.no in turn.doubts,
            )  # fmt: skip


def _by_hand(turn: Turn, incubator: str) -> Iterator[ByHand]:
    for hand in turn.compiled.hands:
        read = turn.read.get(hand.no)
        if hand.incubator == incubator and read is not None:
            fresh_now = turn.last_t.get(hand.no) == read.at_ms and bool(fresh(turn, (hand.no,)))
            age_s, unjudged = _since_s(turn, read.at_ms), not fresh_now and stands(turn, hand)
            yield ByHand(
                hand.place, hand.quantity, hand.tray, read.value, age_s, read.at_ms, fresh_now, unjudged,
                max(read.event, 0),
            )  # fmt: skip


def _quality(turn: Turn, no: int) -> int | None:
    """Of its latest reading; None before the first."""
    return turn.bad[no][2] if no in turn.bad else 0 if no in turn.last_t else None


def _age_s(turn: Turn, no: int) -> float | None:
    last_ms = turn.last_t.get(no)
    return None if last_ms is None else _since_s(turn, last_ms)


def _since_s(turn: Turn, t_ms: int) -> float:
    return round(elapsed_ms(turn.anchors, t_ms, turn.t_ms) / 1000, 1)


def _places(turn: Turn, incubator: str) -> Iterator[Place]:
    at, hands = turn.compiled.at, turn.compiled.hands_at
    read = {key: [no for no in numbers if stands(turn, turn.compiled.probes[no])] for key, numbers in hands.items()}
    for box, place, quantity in (*at, *(key for key in hands if key not in at and read[key])):
        if box != incubator:
            continue
        key = (box, place, quantity)
        row = Place(place, quantity, len(at.get(key, ())))
        seen = fresh(turn, at.get(key, ())) or read.get(key, [])
        if seen:
            ends = [_extreme(turn, no) for no in seen]
            hottest, coldest = (pick(ends, key=lambda one: one.value) for pick in (max, min))
            row = replace(row, hottest=hottest, coldest=coldest)
        yield row


def _extreme(turn: Turn, no: int) -> Extreme:
    probe = turn.compiled.probes[no]
    if probe.by_hand:
        read = turn.read[no]
        return Extreme(probe.name, probe.tray, read.value, _since_s(turn, read.at_ms), by_hand=True)
    rate = rate_per_h(turn.trace.get(no, ()))
    return Extreme(probe.name, probe.tray, turn.last_v[no], _age_s(turn, no), rate)


def _band(band: spec.Band) -> Band:
    limits = (band.low_low, band.low, band.high, band.high_high)
    return Band(band.place, band.quantity, *(limit.limit if limit else None for limit in limits))


def _step(turn: Turn, incubator: str, known: Known, step: spec.Step) -> Step:
    now_ms = turn.t_ms
    number = round_of(known, step)
    marks = [mark for mark in known.batch.marks if mark.step == step.name]
    gate = step.gate
    rank, gone = rank_of(known, step, now_ms), let_go(known, step, now_ms)
    doubt = doubt_of(turn, incubator, known, step) if number else ""
    opens_ms, due_ms, closes_ms = known.window(step) if number else (None, None, None)
    return Step(
        name=step.name,
        label=step.label,
        status=STATUS[CLOSED if gone else rank] if number else "done",
        trade=step.trade,
        work=step.work,
        round=number,
        repeats=step.repeats,
        optional=step.optional or gone,
        opens_t_ms=opens_ms,
        due_t_ms=due_ms,
        closes_t_ms=closes_ms,
        marks=tuple(Mark(mark.id, mark.at_ms, undone=mark.undone, event=mark.event) for mark in marks),
        gate=None if gate is None else Gate(gate.place, gate.at_least, gate.at_most, passed(turn, incubator, gate)),
        doubt=doubt,
        too_hot=too_hot(known, doubt),
        advice=tuple(_advice(turn, incubator, step)),
        cautions=tuple(step.cautions),
    )


def _advice(turn: Turn, incubator: str, step: spec.Step) -> Iterator[str]:
    """What to do, of the thermometer where there is no probe that could be put anywhere."""
    bare = not turn.compiled.probes_at(incubator, "bed", "temperature")
    heat_off = turn.of_late(incubator).off_ms >= 0
    for line in step.advice_for(turn.compiled.kind_of(incubator), turn.compiled.cover_of(incubator), heat_off):
        yield line.replace(" the probe ", " the thermometer ") if bare else line


_URGENCY: Final = {"missed": 0, "due": 1, "open": 2, "waiting": 3}


def _next(steps: Sequence[Step]) -> Next | None:
    """The one next step: what is missed, due or open first, else the earliest known opening."""
    # An optional step whose time has passed undone is let go, or it would stand before the one that matters.
    # Nor does what was missed stand before a harvest that may be taken: its time is over for good then.
    ripe = any(step.work == "harvest" and step.can for step in steps)
    over = [step for step in steps if step.status == "missed" and (step.optional or (ripe and step.work != "harvest"))]
    rows = [step for step in steps if step.status in _URGENCY and step not in over and step.work != "look"]
    known = [
        step for step in rows
        if step.status != "waiting" or step.opens_t_ms is not None or step.due_t_ms is not None
    ]  # fmt: skip
    first = min(known, key=_order, default=None)
    if first is None:
        return None
    at = first.opens_t_ms if first.status == "waiting" and first.opens_t_ms else first.due_t_ms
    return Next(first.name, first.status, at, closes_t_ms=first.closes_t_ms)


def _order(step: Step) -> tuple[int, bool, bool, float]:
    """Koji to be taken out is not to be mixed first, unless that is due and the harvest only may be done."""
    times = [at for at in (step.opens_t_ms, step.due_t_ms) if at is not None]
    ends = step.can and step.work == "harvest"
    return _URGENCY[step.status], step.optional, not ends, min(times, default=float("inf"))


def _alarms(turn: Turn, incubator: str) -> tuple[Alarm, ...]:
    rows = [alarm for alarm in turn.alarms.values() if alarm.incubator == incubator]
    shown = [alarm for alarm in rows if alarm.state is not AlarmState.NORM]
    return tuple(_alarm(turn, alarm) for alarm in sorted(shown, key=_gravity))


def _gravity(alarm: AlarmRec) -> tuple[bool, int, int]:
    return alarm.state is not AlarmState.UNACK, {"wake": 0, "tell": 1}.get(alarm.priority, 2), alarm.since_ms


def _stale(turn: Turn, alarm: AlarmRec) -> bool:
    """Whether it has been seen and has held for hours all the same: nobody looks at such an alarm any more."""
    held_ms = elapsed_ms(turn.anchors, alarm.since_ms, turn.t_ms)
    return alarm.active and alarm.state is AlarmState.ACKED and held_ms > STALE_MS


_OWN: Final = frozenset(Alarm.__struct_fields__)


def _alarm(turn: Turn, alarm: AlarmRec) -> Alarm:
    key = alarm.about
    silent = isinstance(key, keys.Silent)
    probe = turn.compiled.by_name.get(key.probe if isinstance(key, keys.Silent) else alarm.probe)
    facts = {**asdict(alarm.facts), **beside(turn, alarm.incubator, key)}
    return Alarm(**{
        **{name: value for name, value in facts.items() if name in _OWN and value is not None},
        "key": alarm.key, "state": str(alarm.state), "active": alarm.active, "level": alarm.level,
        "priority": str(alarm.priority), "occurrence": alarm.occurrence, "since_t_ms": alarm.since_ms,
        "calls": alarm.calls, "stale": _stale(turn, alarm), "value": alarm.value, "limit": alarm.limit,
        "probe": alarm.probe,
        "place": probe.place if probe else "", "tray": probe.tray if probe else "",
        "quality": turn.bad[probe.no][2] if probe and probe.no in turn.bad and silent else 0,
        "until_t_ms": _until_ms(turn, alarm),
        "silent_until_t_ms": alarm.silent_until_ms if alarm.silent_until_ms > turn.t_ms else None,
        "reason": alarm.reason if alarm.state is AlarmState.OOSRV else "",
        "ended": alarm.ended or ("doubt" if alarm.active and key == keys.HOT_KOJI and _fell(turn, alarm) else ""),
    })  # fmt: skip


def _fell(turn: Turn, alarm: AlarmRec) -> bool:
    """Whether a probe fell further than hot koji does: its value does not count, and its alarm stands."""
    numbers = turn.compiled.probes_at(alarm.incubator, "bed", "temperature")
    return any(no in turn.watch and turn.watch[no].fell_from is not None for no in numbers)


def _until_ms(turn: Turn, alarm: AlarmRec) -> int | None:
    """When an alarm that is set aside comes back by itself: the end of its pause, or the latest end of the work."""
    if alarm.state is AlarmState.DSUPR:
        return turn.due_ms(deadlines.Work(alarm.incubator))
    return alarm.shelved_until_ms if alarm.state is AlarmState.SHLVD else None
