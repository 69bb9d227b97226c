"""Stage, windows and expectations of an open batch, derived anew whenever something they hang on has changed."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from kojimon.alarms.states import Signal
from kojimon.contract import deadlines, events, keys
from kojimon.contract.steps import TOO_HOT_C, TooHot
from kojimon.engine import forgotten, unseen
from kojimon.engine.conditions import fresh, rewatched, warmth_untold
from kojimon.engine.guide import warming
from kojimon.engine.limits import ramp_next_ms, rejudge_all
from kojimon.engine.moments import HOUR_ZERO, NOT_WARMED, Known, known_of
from kojimon.engine.quiet import refresh
from kojimon.engine.silence import watch_bed
from kojimon.engine.state import Phase, after_ms, elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import Priority
from kojimon.schedule.spec import After, Expectation, FirstOf, Schedule, Step

OPEN, DUE, CLOSED = 1, 2, 3
ON_GROWN = COOLING_WORK | {"unwrap", "harvest"}
"""Work that koji which has grown by then is meant for."""
ANNOUNCED: dict[int, type[events.Window]] = {
    OPEN: events.StepOpen, DUE: events.StepDue, CLOSED: events.StepMissed
}  # fmt: skip
PROBE_OUT = "probe-out"
STAYS_UNTOLD = ("drying", "heater")
"""Reasons why it cannot be known whether koji warms itself that no later reading takes away."""
TOLD_LATE_MS = 3_600_000
"""Koji that began so much too late is told to be harvested later."""
TOLD_AGAIN_MS = 1_200_000
"""That a step is due is not told twice within that: a mark was taken back, a guess denied (judgement)."""
LATELY_MS = 21_600_000
"""Koji that nobody is known to watch for no longer is harvested without a word: as it ends it is hardly warmer than its
air, and its probe shows nothing (judgement)."""
HOT_MS = 3_600_000
"""Koji that was too hot for so long in all is harvested with a word (judgement)."""
RISES_MS = 5_400_000
"""So much later its lack is told of koji that has begun to rise by itself: so long a K takes it (judgement)."""
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
    for told in (unseen, forgotten):
        told.tell(turn, incubator, known)
    if moved or ramp_next_ms(turn, incubator) is not None:
        rejudge_all(turn, incubator)
    if moved:
        watch_bed(turn, incubator, anew=True)
    turn.set_due(deadlines.Plan(incubator), _next_ms(turn, incubator, known))
    refresh(turn, incubator)


def _stage(turn: Turn, incubator: str, known: Known) -> bool:
    name, since_ms = "", -1
    for stage in known.schedule.stages:
        begins_ms = known.begins_ms(stage)
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
    for rank, at_ms in reversed(list(enumerate(known.window(step), OPEN))):
        if at_ms is not None and at_ms <= now_ms:
            return rank
    return 0 if step.window.opens or step.window.due else OPEN


def let_go(known: Known, step: Step, now_ms: int) -> bool:
    """Whether a step is no longer asked for, done or not: the koji is to come out (spores were seen, or its latest hour
    is past), or it is the first mixing and a later one was marked, not before this one could be done."""
    steps = known.schedule.steps
    names = [one.name for one in steps]
    if HOUR_ZERO not in names or step.work in ("look", "harvest") or step not in steps[names.index(HOUR_ZERO) + 1 :]:
        return False
    later = [one for one in steps[steps.index(step) + 1 :] if one.work == step.work == "mix"]
    if not step.repeats and later:
        opens_ms, done = known.window(step)[0], [mark.at_ms for one in later for mark in known.marks(one.name)]
        if done and max(done) >= (opens_ms or 0):
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
    before, told_ms = phase.rank if phase.round == number else 0, phase.told_ms
    missed = rank == CLOSED and step.optional and (before == 0 or not step.window.opens)
    if step.work != "look" and number and rank > before and not missed and (rank > OPEN or step.window.opens):
        doubt = doubt_of(turn, incubator, known, step)
        quiet = step.optional if doubt == PROBE_OUT or rank == CLOSED else rank == OPEN
        if rank == DUE and not quiet:
            quiet = told_ms >= 0 and turn.t_ms - told_ms < TOLD_AGAIN_MS
            told_ms = told_ms if quiet else turn.t_ms
        told = ANNOUNCED[rank](
            round=number, label=step.label, optional=step.optional, closes_ms=known.window(step)[2],
            doubt=doubt, too_hot=too_hot(known, doubt),
        )  # fmt: skip
        turn.emit(told, incubator, step.name, Priority.LOG if quiet else Priority.TELL)
    if (after := Phase(number, rank, told_ms)) != phase:
        batch = turn.batches[incubator]
        turn.put_batch(incubator, replace(batch, phases={**batch.phases, step.name: after}))


def doubt_of(turn: Turn, incubator: str, known: Known, step: Step) -> str:
    """Why the koji of a step that comes after it has grown may not have grown: `not-warmed`, or why that cannot be
    known (`warmth_untold`), `probe-out`: it is not known whether a probe is in it, or, of a harvest, `hot`: it was too
    hot for long, `cold`: it is cold now, or its box is off. "" where it was seen, or is not yet expected."""
    if step.work not in ON_GROWN:
        return ""
    if step.work == "harvest" and known.batch.hot_ms >= HOT_MS:
        return "hot"
    past = any((by_ms := known.resolve(one.by)) is not None and by_ms <= turn.t_ms for one in known.own_heat())
    beds = turn.compiled.probes_at(incubator, "bed", "temperature")
    out = known.batch.unwatched and any(no in turn.doubts for no in beds)
    if past and not out and not warmed(turn, known):
        return untold(turn, incubator, known) or NOT_WARMED
    asked = known.batch.unanswered
    lately = step.work == "harvest" and asked is not None and turn.t_ms - asked.at_ms < LATELY_MS
    if known.batch.unwatched and (out or not lately):
        return PROBE_OUT
    cold = turn.active(incubator, keys.BOX_OFF) or turn.active(incubator, keys.COLD_KOJI)
    return "cold" if cold and step.work == "harvest" else ""


def too_hot_c(schedule: Schedule) -> float:
    """From where on koji is harmed: its schedule's outermost limit, and never beyond `TOO_HOT_C`."""
    bands = [band for stage in schedule.stages for band in stage.bands if band.place == "bed"]
    highs = [limit.limit for band in bands if band.quantity == "temperature" for limit in (band.high, band.high_high)
             if limit]  # fmt: skip
    return min(TOO_HOT_C, max(highs, default=TOO_HOT_C))


def too_hot(known: Known, doubt: str) -> TooHot | None:
    """What a doubt of `hot` comes to; None of any other."""
    batch = known.batch
    return TooHot(too_hot_c(known.schedule), batch.hot_c, batch.hot_ms / 1000) if doubt == "hot" else None


def warmed(turn: Turn, known: Known) -> bool:
    """Whether the koji was seen to warm itself."""
    warmed_ms = known.warmed_ms()
    return warmed_ms is not None and warmed_ms <= turn.t_ms


def untold(turn: Turn, incubator: str, known: Known) -> str:
    """Why it cannot be known whether the koji warms itself; "" where it can, and where it was seen. What was told once,
    when it should have, stays so until it is seen: what is read later cannot tell any more, but of a rise since then
    that may be growth or drying."""
    said = turn.batches[incubator].warmth
    if known.hour0_ms() is None or warmed(turn, known):
        return ""
    why = warmth_untold(turn, incubator) if said in ("", NOT_WARMED) else said
    return why if said != NOT_WARMED or why == "drying" else ""


def _expectation(turn: Turn, incubator: str, known: Known, expectation: Expectation) -> None:
    key, own_heat = keys.Expect(expectation.name), expectation in known.own_heat()
    alarm = turn.alarm(incubator, key)
    if met(known, expectation, turn.t_ms):
        if alarm.active:
            turn.signal(incubator, key, Signal.OFF)
        if own_heat and (alarm.active or known.batch.slow > 0):
            _tell_late(turn, incubator, known)
        return
    if own_heat:
        _note_slow(turn, incubator, known)
    by_ms = expected_by_ms(known, expectation) if _can_be_seen(turn, incubator, known, expectation) else None
    past = by_ms is not None and by_ms <= turn.t_ms
    if own_heat and not past and turn.batches[incubator].warmth:
        turn.put_batch(incubator, replace(turn.batches[incubator], warmth=""))
    if own_heat and not alarm.active and (why := untold(turn, incubator, known)):
        if past:
            _tell_unknown(turn, incubator, why)
        return
    if past and not alarm.active:
        if own_heat:
            turn.put_batch(incubator, replace(turn.batches[incubator], warmth=NOT_WARMED))
        turn.signal(
            incubator, key, Signal.ON, priority=expectation.priority, label=expectation.label,
            causes=expectation.causes,
        )  # fmt: skip
    elif not past and alarm.active:
        turn.signal(incubator, key, Signal.OFF, corrected=True)


def _note_slow(turn: Turn, incubator: str, known: Known) -> None:
    """Notes koji that is watched and does not warm itself when most koji has; what was not watched then is not slow."""
    batch, usual_ms = turn.batches[incubator], known.usual_ms()
    past_ms = -1 if usual_ms is None else turn.t_ms - usual_ms
    if batch.slow and past_ms < 0:
        turn.put_batch(incubator, replace(batch, slow=0))
    elif not batch.slow and 0 <= past_ms <= GRACE_MS and not batch.unwatched and not untold(turn, incubator, known):
        turn.put_batch(incubator, replace(batch, slow=1))


def _tell_unknown(turn: Turn, incubator: str, why: str) -> None:
    """Says once, when the koji should have warmed itself, why that cannot be known; a probe that is missing, or that
    does not speak, is told of elsewhere."""
    batch = turn.batches[incubator]
    if why in STAYS_UNTOLD and not batch.warmth:
        turn.put_batch(incubator, replace(batch, warmth=why))
        turn.emit(events.Warmth(doubt=why), incubator, "unknown", Priority.TELL)


def _tell_late(turn: Turn, incubator: str, known: Known) -> None:
    """Says that the hours of the harvest follow koji that began late."""
    hour0_ms, began_ms, opens_ms = known.hour0_ms(), known.warmed_ms(), known.harvest_ms()[0]
    if hour0_ms is None or began_ms is None or opens_ms is None or known.late_ms() < TOLD_LATE_MS:
        return
    hour, opens_hour = (elapsed_ms(turn.anchors, hour0_ms, at_ms) / 3_600_000 for at_ms in (began_ms, opens_ms))
    late = events.Warmth(hour=round(hour, 1), opens_hour=round(opens_hour, 1))
    turn.put_batch(incubator, replace(turn.batches[incubator], slow=-1))
    turn.emit(late, incubator, "late", Priority.TELL)


def _can_be_seen(turn: Turn, incubator: str, known: Known, expectation: Expectation) -> bool:
    """Whether anything could have shown it: a probe in its place, or somebody who has just read it by hand."""
    condition = known.schedule.conditions[expectation.condition]
    where = (incubator, condition.place, condition.quantity)
    return bool(turn.compiled.probes_at(*where) or fresh(turn, turn.compiled.known_at(*where)))


def overdue(turn: Turn, incubator: str, known: Known) -> bool:
    """Whether nothing was said yet of koji that should warm itself by now and was not seen to, and now it could be."""
    return not turn.batches[incubator].warmth and any(
        (by_ms := expected_by_ms(known, one)) is not None and by_ms <= turn.t_ms and not met(known, one, turn.t_ms)
        for one in known.own_heat()
        if not turn.active(incubator, keys.Expect(one.name))
    ) and untold(turn, incubator, known) in ("", *STAYS_UNTOLD)  # fmt: skip


def met(known: Known, expectation: Expectation, now_ms: int) -> bool:
    """Whether what is expected has come about."""
    met_ms = known.met_ms(expectation)
    return met_ms is not None and met_ms <= now_ms


def expected_by_ms(known: Known, expectation: Expectation) -> int | None:
    """When the expectation is judged: its moment, but not before the probes have had time to speak, and later of koji
    that has half of the rise by then; what was told is not taken back for that."""
    by_ms, condition = known.resolve(expectation.by), known.schedule.conditions[expectation.condition]
    if by_ms is None:
        return None
    begun = condition.own_rise is not None and known.batch.own_rise_k >= condition.own_rise / 2
    if begun and known.batch.warmth != NOT_WARMED:
        by_ms = after_ms(known.anchors, by_ms, RISES_MS)
    hold_ms = round(condition.hold_s * 1000)
    return max(by_ms, after_ms(known.anchors, known.batch.started_ms, hold_ms + GRACE_MS))


def _moments_ms(known: Known) -> Iterator[int | None]:
    for stage in known.schedule.stages:
        yield known.begins_ms(stage)
    for step in known.schedule.steps:
        if round_of(known, step):
            yield from known.window(step)


def _next_ms(turn: Turn, incubator: str, known: Known) -> int | None:
    times = list(_moments_ms(known))
    times += [expected_by_ms(known, expectation) for expectation in known.schedule.expectations]
    times += [told.told_next_ms(turn, incubator, known) for told in (unseen, forgotten)]
    times += [known.usual_ms(), ramp_next_ms(turn, incubator)]
    return min((t for t in times if t is not None and t > turn.t_ms), default=None)
