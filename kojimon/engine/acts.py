"""What a person does. Every act yields an event: what it did, or why it is refused.

Corrections (undo, correct) never rewrite an event; the list of marks changes and everything is derived anew.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec.structs import replace

from kojimon.alarms.states import AlarmState, Signal
from kojimon.contract import acts, events, keys
from kojimon.contract.guidance import SelfWarming
from kojimon.engine.alarm_acts import ALARM_ACTS
from kojimon.engine.cooling import let_go
from kojimon.engine.gates import side_of, value_at
from kojimon.engine.guess import answered, asked, deny, marked
from kojimon.engine.hand import forget_koji, hand_at, show, take_reading, undo_reading, unforget_koji, unshow
from kojimon.engine.limits import believe_fall, rejudge_all
from kojimon.engine.moments import HOUR_ZERO
from kojimon.engine.plan import reconsider
from kojimon.engine.probe_acts import PROBE_ACTS, take_back
from kojimon.engine.probe_back import answer, ask, drop, taken_back
from kojimon.engine.quiet import refresh
from kojimon.engine.reopen import remember, reopen
from kojimon.engine.scale import impossible_yield, unweigh, weigh
from kojimon.engine.silence import watch_bed
from kojimon.engine.slow import end_watches
from kojimon.engine.state import BatchState, Mark, elapsed_ms
from kojimon.engine.timely import before_its_time, untimely
from kojimon.engine.turn import By, Turn
from kojimon.engine.work import COOLING_WORK, begin, end
from kojimon.schedule.spec import Gate

ACTS_REMEMBERED = 256
DATED_BACK_MS = 3_600_000
"""A harvest told so late ends its batch when it was done: nobody was there to be watched for since. A gate that was
passed so long ago is not asked now."""
ANY_TIME = (acts.BatchStart, acts.BatchVerdict, acts.ForecastReset, acts.ProbeCalibrate, acts.Reading,
            acts.ReadingUndo, acts.BatchReopen, acts.BatchWeigh, acts.BatchUnweigh)  # fmt: skip
"""Acts that need no open batch, or may be of the last."""


def take_act(turn: Turn, seq: int, act: acts.Act) -> None:
    """Carries out the act of a row."""
    kind, incubator, key = act.kind, act.incubator, act.idempotency
    turn.act_seq = seq
    try:
        if key and key in turn.acts:
            turn.emit(events.Repeated(first=turn.acts[key]), incubator, kind)
            return
        if key:
            turn.acts = dict(list(turn.acts.items())[-ACTS_REMEMBERED + 1 :]) | {key: seq}
        _dispatch(turn, incubator, act.deed, {"who": act.who, "channel": act.channel})
    finally:
        turn.act_seq = 0


def _dispatch(turn: Turn, incubator: str, deed: acts.Deed, by: By) -> None:
    act = ALARM_ACTS.get(type(deed)) or BATCH_ACTS.get(type(deed))
    known = incubator in turn.compiled.incubators
    if isinstance(deed, acts.Other):
        wanted = ", ".join(sorted(acts.OF_KIND))
        turn.refuse(deed.name, incubator, "unknown-act", f"{deed.name!r} is no act; expected one of {wanted}")
    elif not known and (incubator or type(deed) not in ALARM_ACTS):
        turn.refuse(deed.kind, incubator, "unknown-incubator", _no_incubator(turn, incubator))
    elif type(deed) not in ANY_TIME and type(deed) not in ALARM_ACTS and incubator not in turn.batches:
        turn.refuse(deed.kind, incubator, "no-batch", f"no batch is open in {incubator}; start one first")
    elif act is not None:
        act(turn, incubator, deed, by)


def _no_incubator(turn: Turn, incubator: str) -> str:
    return f"there is no incubator {incubator!r}; the settings have {', '.join(turn.compiled.incubators) or 'none'}"


def _start(turn: Turn, incubator: str, deed: acts.BatchStart, by: By) -> None:
    if incubator in turn.batches:
        open_name = turn.batches[incubator].name
        reason = f"batch {open_name!r} is open in {incubator}; harvest or discard it first"
        turn.refuse(deed.kind, incubator, "batch-open", reason)
        return
    schedule = deed.schedule or turn.compiled.incubators[incubator].schedule
    if schedule not in turn.compiled.schedules:
        names = ", ".join(sorted(turn.compiled.schedules))
        reason = f"no schedule {schedule!r}; the settings have {names}"
        turn.refuse(deed.kind, incubator, "unknown-schedule", reason)
        return
    batch_id = deed.id or f"{incubator}-{turn.act_seq}"
    turn.put_batch(incubator, BatchState(
        batch_id, deed.name or batch_id, schedule, turn.t_ms, rice_kg=deed.rice_kg or 0.0
    ))  # fmt: skip
    let_go(turn, incubator)
    turn.guidance.append(SelfWarming(incubator, False))
    name = turn.batches[incubator].name
    begun = events.BatchStart(name=name, schedule=schedule, rice_kg=deed.rice_kg, note=deed.note, **by)
    turn.emit(begun, incubator, batch_id)
    if deed.hour0_t_ms is not None:
        _mark(turn, incubator, HOUR_ZERO, deed.hour0_t_ms, mid_batch=True, **by)
    reconsider(turn, incubator)


def _end(turn: Turn, incubator: str, what: events.BatchHarvest | events.BatchDiscard, mark: int = 0) -> None:
    remember(turn, incubator, what.kind, mark)
    batch = turn.batches[incubator]
    hour0 = [mark.at_ms for mark in batch.marks if mark.step == HOUR_ZERO and not mark.undone]
    end_ms = what.at_ms if isinstance(what, events.BatchHarvest) and what.at_ms is not None else turn.t_ms
    hours = round(elapsed_ms(turn.anchors, min(hour0), end_ms) / 3_600_000, 3) if hour0 else None
    take_back(turn, incubator)
    turn.emit(replace(what, name=batch.name, hours=hours), incubator, batch.id)
    end_watches(turn, incubator)
    drop(turn, incubator)
    del turn.batches[incubator]
    turn.outlooks.pop(incubator, None)
    turn.guidance.append(SelfWarming(incubator, False))
    rejudge_all(turn, incubator)
    forget_koji(turn, incubator, "batch")
    for no in turn.compiled.hands_at.get((incubator, "bed", "temperature"), ()):
        turn.read.pop(no, None)
    for alarm in list(turn.alarms.values()):
        if alarm.incubator == incubator and alarm.active and isinstance(alarm.about, keys.Expect):
            turn.signal(incubator, alarm.about, Signal.OFF, ended=True)
    end(turn, incubator)  # what was held back while work went on is over by now, and calls nobody
    _reset_seen(turn, incubator, {"who": what.who, "channel": what.channel})
    watch_bed(turn, incubator)
    reconsider(turn, incubator)
    refresh(turn, incubator)


def _reset_seen(turn: Turn, incubator: str, by: By) -> None:
    """Whoever ends a batch has had its koji before them: what was latched and seen is reset by it."""
    for alarm in list(turn.alarms.values()):
        if alarm.incubator == incubator and alarm.state is AlarmState.LATCH_ACK:
            turn.signal(incubator, alarm.about, Signal.RESET, ended=True, **by)


def _harvest(turn: Turn, incubator: str, deed: acts.BatchHarvest | acts.StepDone, by: By) -> None:
    schedule = turn.compiled.schedules.get(turn.batches[incubator].schedule)
    wrong = impossible_yield(turn, turn.batches[incubator], deed.yield_kg) if deed.yield_kg else ""
    if wrong:
        turn.refuse(deed.kind, incubator, "impossible-yield", wrong)
        return
    step = next((step for step in schedule.steps if step.work == "harvest"), None) if schedule else None
    if step is not None:
        _mark(turn, incubator, step.name, _moment(turn, deed), **by)
    at_ms = _moment(turn, deed)
    back = at_ms if turn.t_ms - at_ms >= DATED_BACK_MS else None
    got = events.BatchHarvest(yield_kg=deed.yield_kg, note=deed.note, at_ms=back, **by)
    _end(turn, incubator, got, turn.mark_no if step is not None else 0)


def _discard(turn: Turn, incubator: str, deed: acts.BatchDiscard, by: By) -> None:
    _end(turn, incubator, events.BatchDiscard(reason=deed.reason, **by))


def _note(turn: Turn, incubator: str, deed: acts.BatchNote, by: By) -> None:
    text = deed.text.strip()
    if not text:
        turn.refuse(deed.kind, incubator, "empty-note", "the note is empty; say what you saw")
        return
    note = events.Note(text=text, at_ms=_moment(turn, deed), photo=deed.photo, **by)
    turn.emit(note, incubator, turn.batches[incubator].id)


def _verdict(turn: Turn, incubator: str, deed: acts.BatchVerdict, by: By) -> None:
    """How the koji was, mostly said when the batch is over: so it names its batch; else the open one is meant."""
    open_batch = turn.batches.get(incubator)
    batch = deed.batch or (open_batch.id if open_batch else "")
    said = events.Verdict(
        look=deed.look.strip(), smell=deed.smell.strip(), taste=deed.taste.strip(), text=deed.text.strip(),
        look_score=deed.look_score, smell_score=deed.smell_score, taste_score=deed.taste_score, **by,
    )  # fmt: skip
    scores = {"look": deed.look_score, "smell": deed.smell_score, "taste": deed.taste_score}
    wrong = [name for name, value in scores.items() if value is not None and not 1 <= value <= 5]
    if not batch:
        turn.refuse(deed.kind, incubator, "no-batch", "say of which batch")
    elif wrong:
        turn.refuse(deed.kind, incubator, "bad-score", f"{wrong[0]}_score: expected a whole number from 1 to 5")
    elif not said.words and not said.text and not said.scores:
        turn.refuse(deed.kind, incubator, "empty-verdict", "the verdict is empty; say how it looks or smells")
    else:
        event = turn.emit(said, incubator, batch)
        turn.events[-1] = replace(event, batch=batch)


def _moment(turn: Turn, deed: acts.Dated) -> int:
    return turn.t_ms if deed.at_t_ms is None else min(deed.at_t_ms, turn.t_ms)


def _done(turn: Turn, incubator: str, deed: acts.StepDone, by: By) -> None:
    schedule = turn.compiled.schedules.get(turn.batches[incubator].schedule)
    name = deed.step
    step = schedule.step(name) if schedule else None
    if step is None:
        names = ", ".join(t.name for t in schedule.steps) if schedule else "none"
        turn.refuse(deed.kind, incubator, "unknown-step", f"no step {name!r} in this schedule; it has {names}")
        return
    done = [m for m in turn.batches[incubator].marks if m.step == name and not m.undone]
    if done and not step.repeats:
        turn.refuse(
            deed.kind, incubator, "already-done", f"{step.label} is marked already; undo or correct that mark",
            step=name, mark=done[-1].id,
        )  # fmt: skip
        return
    code, reason = untimely(turn, incubator, schedule, step, _moment(turn, deed), deed.override)
    if code:
        turn.refuse(deed.kind, incubator, code, reason, step=name)
        return
    gate, code, reason = _gate(turn, incubator, step.gate, deed)
    if code and not deed.override:
        facts = {"value": gate.value, "by": gate.by, "at_least": gate.at_least, "at_most": gate.at_most}
        turn.refuse(deed.kind, incubator, code, reason, step=name, **facts)
        return
    if code:
        gate = replace(gate, override=deed.override)
    if step.work == "harvest":
        _harvest(turn, incubator, deed, by)
        return
    at_ms = _moment(turn, deed)
    _mark(turn, incubator, name, at_ms, gate=gate, **by)
    hand = hand_at(turn, incubator, step.gate.place, step.gate.quantity) if step.gate else None
    if hand is not None and deed.value_c is not None:
        show(turn, hand, deed.value_c, at_ms, -turn.batches[incubator].marks[-1].event)
    marked(turn, incubator, step, at_ms)
    if step.work in COOLING_WORK:
        believe_fall(turn, incubator)
        if not forget_koji(turn, incubator, "work", at_ms):
            begin(turn, incubator, at_ms)
        ask(turn, incubator, step.work, turn.batches[incubator].marks[-1])
    reconsider(turn, incubator)


def _mix_answer(turn: Turn, incubator: str, deed: acts.MixReply, by: By) -> None:
    """Yes marks the step at that moment, or at the one that is given; no lets it be as if nothing had been asked."""
    guess = asked(turn.batches[incubator], deed.guess_ms)
    if guess is None:
        turn.refuse(deed.kind, incubator, "no-question", "it is not asked any more whether the koji was mixed then")
    elif not deed.mixed:
        deny(turn, incubator, guess, by)
    else:
        at_ms, marks = guess.at_ms if deed.at_t_ms is None else deed.at_t_ms, turn.mark_no
        answered(turn, incubator, guess)
        _done(turn, incubator, acts.StepDone(step=guess.step, at_t_ms=at_ms), by)
        if turn.mark_no == marks:  # refused: it is still to be answered
            batch = turn.batches[incubator]
            turn.put_batch(incubator, replace(batch, guesses=(guess, *batch.guesses)))


def _gate(turn: Turn, incubator: str, gate: Gate | None, deed: acts.StepDone) -> tuple[events.Checked, str, str]:
    """What the gate was judged by; where it does not let the step pass, a code and the reason in words. What was done
    long ago no reading of now can judge."""
    if gate is None or (deed.value_c is None and turn.t_ms - _moment(turn, deed) >= DATED_BACK_MS):
        return events.Checked(), "", ""
    value, source, tolerance = _gate_value(turn, incubator, gate, deed)
    found = events.Checked(value=value, by=source, at_least=gate.at_least, at_most=gate.at_most)
    if value is None:
        why = "no probe shows it; measure with a kitchen thermometer and give the value, or say why you go on"
        return found, "gate-unknown", why
    side = side_of(gate, value, tolerance)
    if not side:
        return found, "", ""
    wanted = f"at most {gate.at_most:.1f}" if side == "high" else f"at least {gate.at_least:.1f}"
    first = "wait" if side == "high" else "warm it first"
    return found, "gate", f"it is {value:.1f} °C, expected {wanted} °C; {first}, or say why you go on"


def _gate_value(turn: Turn, incubator: str, gate: Gate, deed: acts.StepDone) -> tuple[float | None, str, float]:
    if deed.value_c is None:
        return value_at(turn, incubator, gate)
    return deed.value_c, "thermometer", 0.0


def _mark(turn: Turn, incubator: str, step: str, at_ms: int, **facts: Any) -> None:
    turn.mark_no += 1
    mark = Mark(turn.mark_no, step, at_ms, turn.t_ms, event=turn.event_no + 1)
    batch = turn.batches[incubator]
    opens_ms, due_ms = before_its_time(turn, incubator, step, at_ms)
    turn.put_batch(incubator, replace(batch, marks=(*batch.marks, mark)))
    schedule = turn.compiled.schedules.get(batch.schedule)
    found = schedule.step(step) if schedule else None
    label, work = (found.label, found.work) if found else (step, "none")
    done = events.StepDone(
        mark=mark.id, at_ms=at_ms, label=label, work=work, opens_ms=opens_ms, due_ms=due_ms, **facts
    )
    turn.emit(done, incubator, step)


def _undo(turn: Turn, incubator: str, deed: acts.StepUndo, by: By) -> None:
    mark = _find(turn, incubator, deed)
    if mark is not None:
        _replace_mark(turn, incubator, replace(mark, undone=True))
        unshow(turn, incubator, mark.event)
        turn.emit(events.StepUndone(mark=mark.id, at_ms=mark.at_ms, **by), incubator, mark.step)
        taken_back(turn, incubator, mark.id)
        if turn.work.get(incubator) == mark.at_ms:
            end(turn, incubator)  # no hand was in the koji: what holds calls
        unforget_koji(turn, incubator)
        reconsider(turn, incubator)


def _correct(turn: Turn, incubator: str, deed: acts.StepCorrect, by: By) -> None:
    mark = _find(turn, incubator, deed)
    if mark is None:
        return
    if deed.at_t_ms is None:
        turn.refuse(deed.kind, incubator, "no-time", "say when it was done", mark=mark.id)
        return
    moved = replace(mark, at_ms=_moment(turn, deed))
    _replace_mark(turn, incubator, moved)
    corrected = events.StepCorrected(mark=mark.id, at_ms=moved.at_ms, before_ms=mark.at_ms, **by)
    turn.emit(corrected, incubator, mark.step)
    reconsider(turn, incubator)


def _find(turn: Turn, incubator: str, deed: acts.StepUndo | acts.StepCorrect) -> Mark | None:
    marks = [mark for mark in turn.batches[incubator].marks if not mark.undone]
    found = next((mark for mark in marks if mark.id == deed.mark), None)
    if found is None:
        known = ", ".join(f"{mark.id} ({mark.step})" for mark in marks) or "none"
        turn.refuse(deed.kind, incubator, "unknown-mark", f"no mark {deed.mark} in this batch; it has {known}")
    return found


def _replace_mark(turn: Turn, incubator: str, mark: Mark) -> None:
    batch = turn.batches[incubator]
    marks = tuple(mark if old.id == mark.id else old for old in batch.marks)
    turn.put_batch(incubator, replace(batch, marks=marks))


def _reopen(turn: Turn, incubator: str, deed: acts.BatchReopen, by: By) -> None:
    reopen(turn, incubator, deed, by)
    if incubator in turn.batches:
        let_go(turn, incubator)
        if turn.alarm(incubator, keys.COOLING).state is AlarmState.RTNUN:  # whoever takes it back has it before them
            turn.signal(incubator, keys.COOLING, Signal.ACK, **by)


def _forget(turn: Turn, incubator: str, deed: acts.ForecastReset, by: By) -> None:
    """The forecasts of the next batches start from what is published, for one schedule or all."""
    turn.emit(events.Forecast(schedule=deed.schedule, **by), incubator, "forgotten")


BATCH_ACTS: dict[type[acts.Deed], Callable[[Turn, str, Any, By], None]] = {
    acts.BatchStart: _start,
    acts.BatchHarvest: _harvest,
    acts.BatchDiscard: _discard,
    acts.BatchReopen: _reopen,
    acts.BatchNote: _note,
    acts.BatchVerdict: _verdict,
    acts.BatchWeigh: weigh,
    acts.BatchUnweigh: unweigh,
    acts.Reading: take_reading,
    acts.ReadingUndo: undo_reading,
    acts.StepDone: _done,
    acts.StepUndo: _undo,
    acts.StepCorrect: _correct,
    acts.ForecastReset: _forget,
    **PROBE_ACTS,
    acts.ProbeBack: answer,
    acts.MixReply: _mix_answer,
}
