"""Stage, windows and expectations of an open batch, derived anew whenever something they hang on has changed."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from kojimon.alarms.states import Signal
from kojimon.contract import deadlines, events, keys
from kojimon.engine import forgotten
from kojimon.engine.conditions import fresh, rewatched, warmth_untold
from kojimon.engine.guide import warming
from kojimon.engine.limits import ramp_next_ms, rejudge_all
from kojimon.engine.moments import HOUR_ZERO, Known, known_of
from kojimon.engine.quiet import refresh
from kojimon.engine.silence import watch_bed
from kojimon.engine.state import Phase, after_ms
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import Priority
from kojimon.schedule.spec import After, Expectation, FirstOf, Holds, Moment, Step

OPEN, DUE, CLOSED = 1, 2, 3
ON_GROWN = COOLING_WORK | {"unwrap", "harvest"}
"""Work that koji which has grown by then is meant for."""
ANNOUNCED: dict[int, type[events.Window]] = {
    OPEN: events.StepOpen, DUE: events.StepDue, CLOSED: events.StepMissed
}  # fmt: skip
GRACE_MS = 900_000
"""An expectation past already at a start in mid-batch is judged so long after it: first the probes must speak."""


def reconsider(turn: Turn, incubator: str) -> None:
    """Derives stage, windows and expectations of now, states what has changed, and sets the next deadline."""
    batch = turn.batches.get(incubator)
    if batch is None:
        turn.set_due(deadlines.Plan(incubator), None)
        return
    turn.put_batch(incubator, rewatched(turn, incubator, batch))
    known = known_of(turn.compiled, incubator, turn.batches[incubator], turn.anchors, turn.last_t)
    if known is None:
        return
    moved = _stage(turn, incubator, known)
    for step in known.schedule.steps:
        _step(turn, incubator, known, step)
    for expectation in known.schedule.expectations:
        _expectation(turn, incubator, known, expectation)
    forgotten.tell(turn, incubator, known)
    if moved or ramp_next_ms(turn, incubator) is not None:
        rejudge_all(turn, incubator)
    if moved:
        watch_bed(turn, incubator, anew=True)
    turn.set_due(deadlines.Plan(incubator), _next_ms(turn, incubator, known))
    refresh(turn, incubator)


def _stage(turn: Turn, incubator: str, known: Known) -> bool:
    name, since_ms = "", -1
    for stage in known.schedule.stages:
        begins_ms = known.resolve(stage.begins)
        if begins_ms is not None and begins_ms <= turn.t_ms and known.hour0_ms() is not None:
            name, since_ms = stage.name, begins_ms
    batch, since_ms = turn.batches[incubator], max(since_ms, known.hour0_ms() or -1)
    if (name, since_ms) == (batch.stage, batch.stage_since_ms):
        return False
    turn.put_batch(incubator, replace(batch, stage=name, stage_since_ms=since_ms))
    if name != batch.stage:
        found = known.schedule.stage(name)
        turn.guidance.append(warming(known.schedule, incubator, turn.batches[incubator]))
        turn.emit(events.Stage(label=found.label if found else "", before=batch.stage), incubator, name)
    return True


def round_of(known: Known, step: Step) -> int:
    """Which time the step is to be done next; 0 when it is done for good."""
    marks = known.marks(step.name)
    return 0 if marks and not step.repeats else len(marks) + 1


def rank_of(known: Known, step: Step, now_ms: int) -> int:
    """How far the step's window has got: 0 waiting, 1 open, 2 due, 3 closed."""
    window = step.window
    for rank, moment in ((CLOSED, window.closes), (DUE, window.due), (OPEN, window.opens)):
        at_ms = known.resolve(moment)
        if at_ms is not None and at_ms <= now_ms:
            return rank
    return 0 if window.opens or window.due else OPEN


def let_go(known: Known, step: Step, now_ms: int) -> bool:
    """Whether a step is no longer asked for, done or not: the koji is to come out (spores were seen, or its latest hour
    is past), or it is the first mixing and a later one was marked."""
    steps = known.schedule.steps
    names = [one.name for one in steps]
    if HOUR_ZERO not in names or step.work in ("look", "harvest") or step not in steps[names.index(HOUR_ZERO) + 1 :]:
        return False
    later = [one for one in steps[steps.index(step) + 1 :] if one.work == step.work == "mix"]
    if not step.repeats and any(known.marks(one.name) for one in later):
        return True
    harvest = next((one for one in steps if one.work == "harvest"), None)
    return harvest is not None and (rank_of(known, harvest, now_ms) == CLOSED or _spores_seen(known, harvest))


def _spores_seen(known: Known, harvest: Step) -> bool:
    """Whether something was seen that makes the harvest due at once, whatever its hour."""
    due = harvest.window.due
    looks = [one.name for one in known.schedule.steps if one.work == "look"]
    parts = due.moments if isinstance(due, FirstOf) else (due,)
    return any(isinstance(one, After) and one.step in looks and known.done_ms(one.step) is not None for one in parts)


def _step(turn: Turn, incubator: str, known: Known, step: Step) -> None:
    batch = turn.batches[incubator]
    number = round_of(known, step)
    phase = batch.phases.get(step.name, Phase())
    rank = rank_of(known, step, turn.t_ms) if number and not let_go(known, step, turn.t_ms) else 0
    before = phase.rank if phase.round == number else 0
    if rank != before or phase.round != number:
        turn.put_batch(incubator, replace(batch, phases={**batch.phases, step.name: Phase(number, rank)}))
    missed = rank == CLOSED and step.optional and (before == 0 or not step.window.opens)
    if step.work != "look" and number and rank > before and not missed and (rank > OPEN or step.window.opens):
        quiet = rank == OPEN or (rank == CLOSED and step.optional)
        closes_ms = known.resolve(step.window.closes)
        told = ANNOUNCED[rank](
            round=number, label=step.label, optional=step.optional, closes_ms=closes_ms,
            doubt=doubt_of(turn, incubator, known, step),
        )  # fmt: skip
        turn.emit(told, incubator, step.name, Priority.LOG if quiet else Priority.TELL)


def doubt_of(turn: Turn, incubator: str, known: Known, step: Step) -> str:
    """Why the koji of a step that comes after it has grown may not have grown: `not-warmed`, or why that cannot be
    known (`warmth_untold`); "" where it was seen, or is not yet expected."""
    if step.work not in ON_GROWN:
        return ""
    awaited = [one for one in known.schedule.expectations if _own_heat(known, one)]
    past = any((by_ms := known.resolve(one.by)) is not None and by_ms <= turn.t_ms for one in awaited)
    return untold(turn, incubator, known) or "not-warmed" if past and not warmed(turn, known) else ""


def warmed(turn: Turn, known: Known) -> bool:
    """Whether the koji was seen to warm itself."""
    return any(met(known, one, turn.t_ms) for one in known.schedule.expectations if _own_heat(known, one))


def untold(turn: Turn, incubator: str, known: Known) -> str:
    """Why it cannot be known whether the koji warms itself; "" where it can, and where it was seen."""
    return "" if known.hour0_ms() is None or warmed(turn, known) else warmth_untold(turn, incubator)


def _expectation(turn: Turn, incubator: str, known: Known, expectation: Expectation) -> None:
    key = keys.Expect(expectation.name)
    alarm = turn.alarm(incubator, key)
    if met(known, expectation, turn.t_ms):
        if alarm.active:
            turn.signal(incubator, key, Signal.OFF)
        return
    by_ms = expected_by_ms(known, expectation) if _can_be_seen(turn, incubator, known, expectation) else None
    if not alarm.active and _own_heat(known, expectation) and warmth_untold(turn, incubator):
        return
    if by_ms is not None and by_ms <= turn.t_ms and not alarm.active:
        turn.signal(
            incubator, key, Signal.ON, priority=expectation.priority, label=expectation.label,
            causes=expectation.causes,
        )  # fmt: skip
    elif (by_ms is None or by_ms > turn.t_ms) and alarm.active:
        turn.signal(incubator, key, Signal.OFF, corrected=True)


def _can_be_seen(turn: Turn, incubator: str, known: Known, expectation: Expectation) -> bool:
    """Whether anything could have shown it: a probe in its place, or somebody who has just read it by hand."""
    condition = known.schedule.conditions[expectation.condition]
    where = (incubator, condition.place, condition.quantity)
    return bool(turn.compiled.probes_at(*where) or fresh(turn, turn.compiled.known_at(*where)))


def _own_heat(known: Known, expectation: Expectation) -> bool:
    """Whether it waits for koji that warms itself, which cannot be known everywhere."""
    return known.schedule.conditions[expectation.condition].own_rise is not None


def overdue(turn: Turn, incubator: str, known: Known) -> bool:
    """Whether koji that should warm itself by now and does not is not told of: it could not be known before."""
    return any(
        (by_ms := expected_by_ms(known, one)) is not None and by_ms <= turn.t_ms and not met(known, one, turn.t_ms)
        for one in known.schedule.expectations
        if _own_heat(known, one) and not turn.active(incubator, keys.Expect(one.name))
    ) and not warmth_untold(turn, incubator)


def met(known: Known, expectation: Expectation, now_ms: int) -> bool:
    """Whether what is expected has come about, in one way or another."""
    ways = (expectation.condition, *expectation.or_conditions)
    return any((held_ms := known.resolve(Holds(way))) is not None and held_ms <= now_ms for way in ways)


def expected_by_ms(known: Known, expectation: Expectation) -> int | None:
    """When the expectation is judged: its moment, but not before the probes have had time to speak."""
    by_ms = known.resolve(expectation.by)
    if by_ms is None:
        return None
    hold_ms = round(known.schedule.conditions[expectation.condition].hold_s * 1000)
    return max(by_ms, after_ms(known.anchors, known.batch.started_ms, hold_ms + GRACE_MS))


def _moments(known: Known) -> Iterator[Moment | None]:
    for stage in known.schedule.stages:
        yield stage.begins
    for step in known.schedule.steps:
        if round_of(known, step):
            yield from (step.window.opens, step.window.due, step.window.closes)


def _next_ms(turn: Turn, incubator: str, known: Known) -> int | None:
    times = [known.resolve(moment) for moment in _moments(known)]
    times += [expected_by_ms(known, expectation) for expectation in known.schedule.expectations]
    times += [ramp_next_ms(turn, incubator), forgotten.told_next_ms(turn, incubator, known)]
    return min((t for t in times if t is not None and t > turn.t_ms), default=None)
