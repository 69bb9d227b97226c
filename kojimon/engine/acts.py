"""What a person does. Every act yields an event: what it did, or why it is refused.

Corrections (undo, correct) never rewrite an event; the list of marks changes and everything is derived anew.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec.structs import replace

from kojimon.alarms.states import AlarmState, Signal
from kojimon.contract import keys
from kojimon.contract.guidance import SelfWarming
from kojimon.engine.alarm_acts import ALARM_ACTS
from kojimon.engine.conditions import fresh
from kojimon.engine.limits import believe_fall, rejudge_all
from kojimon.engine.moments import HOUR_ZERO, known_of
from kojimon.engine.plan import reconsider
from kojimon.engine.probe_acts import PROBE_ACTS, take_back
from kojimon.engine.probe_back import answer, ask, drop, taken_back
from kojimon.engine.quiet import refresh
from kojimon.engine.silence import watch_bed
from kojimon.engine.slow import end_watches
from kojimon.engine.state import BatchState, Mark, elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK, begin, end
from kojimon.model import InputRow
from kojimon.schedule.spec import Gate, Schedule

ACTS_REMEMBERED = 256
SENSES = ("look", "smell", "taste")
ANY_TIME = ("batch.start", "batch.verdict", "forecast.reset", "probe.calibrate")
"""Acts that need no open batch."""
Facts = dict[str, Any]


def take_act(turn: Turn, row: InputRow) -> None:
    """Carries out one act row."""
    act = row.payload
    kind, incubator = str(act.get("kind", "")), str(act.get("incubator", ""))
    turn.act_seq = row.seq
    try:
        key = str(act.get("idempotency", ""))
        if key and key in turn.acts:
            turn.emit("repeated", incubator, kind, first=turn.acts[key])
            return
        if key:
            turn.acts = dict(list(turn.acts.items())[-ACTS_REMEMBERED + 1 :]) | {key: row.seq}
        _dispatch(turn, kind, incubator, dict(act.get("data") or {}), _by(act))
    finally:
        turn.act_seq = 0


def _by(act: Facts) -> Facts:
    return {"who": str(act.get("who", "")), "channel": str(act.get("channel", ""))}


def _dispatch(turn: Turn, kind: str, incubator: str, data: Facts, by: Facts) -> None:
    if kind in ALARM_ACTS:
        if incubator and incubator not in turn.compiled.incubators:
            turn.refuse(kind, incubator, "unknown-incubator", _no_incubator(turn, incubator))
            return
        ALARM_ACTS[kind](turn, incubator, data, by)
        return
    act = BATCH_ACTS.get(kind)
    if act is None:
        wanted = ", ".join(sorted(all_acts()))
        turn.refuse(kind, incubator, "unknown-act", f"{kind!r} is no act; one of {wanted} is wanted")
    elif incubator not in turn.compiled.incubators:
        turn.refuse(kind, incubator, "unknown-incubator", _no_incubator(turn, incubator))
    elif kind not in ANY_TIME and incubator not in turn.batches:
        turn.refuse(kind, incubator, "no-batch", f"no batch is open in {incubator}; start one first")
    else:
        act(turn, incubator, data, by)


def _no_incubator(turn: Turn, incubator: str) -> str:
    return f"there is no incubator {incubator!r}; the settings have {', '.join(turn.compiled.incubators) or 'none'}"


def _start(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    if incubator in turn.batches:
        open_name = turn.batches[incubator].name
        reason = f"batch {open_name!r} is open in {incubator}; harvest or discard it first"
        turn.refuse("batch.start", incubator, "batch-open", reason)
        return
    schedule = str(data.get("schedule") or turn.compiled.incubators[incubator].schedule)
    if schedule not in turn.compiled.schedules:
        names = ", ".join(sorted(turn.compiled.schedules))
        reason = f"no schedule {schedule!r}; the settings have {names}"
        turn.refuse("batch.start", incubator, "unknown-schedule", reason)
        return
    batch_id = str(data.get("id") or f"{incubator}-{turn.act_seq}")
    turn.put_batch(incubator, BatchState(batch_id, str(data.get("name") or batch_id), schedule, turn.t_ms))
    facts = {name: data[name] for name in ("rice_kg", "note") if data.get(name) is not None}
    turn.guidance.append(SelfWarming(incubator, False))
    turn.emit("batch-start", incubator, batch_id, name=turn.batches[incubator].name, schedule=schedule, **facts, **by)
    hour0_ms = data.get("hour0_t_ms")
    if hour0_ms is not None:
        _mark(turn, incubator, HOUR_ZERO, int(hour0_ms), {"mid_batch": True, **by})
    reconsider(turn, incubator)


def _end(turn: Turn, incubator: str, kind: str, data: Facts, by: Facts) -> None:
    batch = turn.batches[incubator]
    hour0 = [mark.at_ms for mark in batch.marks if mark.task == HOUR_ZERO and not mark.undone]
    hours = round(elapsed_ms(turn.anchors, min(hour0), turn.t_ms) / 3_600_000, 3) if hour0 else None
    take_back(turn, incubator)
    turn.emit(kind, incubator, batch.id, name=batch.name, hours=hours, **data, **by)
    end_watches(turn, incubator)
    drop(turn, incubator)
    del turn.batches[incubator]
    turn.outlooks.pop(incubator, None)
    turn.guidance.append(SelfWarming(incubator, False))
    rejudge_all(turn, incubator)
    for alarm in list(turn.alarms.values()):
        if alarm.incubator == incubator and alarm.active and isinstance(alarm.about, keys.Expect):
            turn.signal(incubator, alarm.about, Signal.OFF, ended=True)
    end(turn, incubator)  # what was held back while work went on is over by now, and calls nobody
    _reset_seen(turn, incubator, by)
    watch_bed(turn, incubator)
    reconsider(turn, incubator)
    refresh(turn, incubator)


def _reset_seen(turn: Turn, incubator: str, by: Facts) -> None:
    """Whoever ends a batch has had its koji before them: what was latched and seen is reset by it."""
    for alarm in list(turn.alarms.values()):
        if alarm.incubator == incubator and alarm.state is AlarmState.LATCH_ACK:
            turn.signal(incubator, alarm.about, Signal.RESET, ended=True, **by)


def _harvest(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    schedule = turn.compiled.schedules.get(turn.batches[incubator].schedule)
    task = next((task for task in schedule.tasks if task.work == "harvest"), None) if schedule else None
    if task is not None:
        _mark(turn, incubator, task.name, _moment(turn, data), by)
    kept = {name: data[name] for name in ("yield_kg", "note") if data.get(name) is not None}
    _end(turn, incubator, "batch-harvest", kept, by)


def _discard(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    _end(turn, incubator, "batch-discard", {"reason": str(data.get("reason", ""))}, by)


def _note(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    text = str(data.get("text", "")).strip()
    if not text:
        turn.refuse("batch.note", incubator, "empty-note", "the note is empty; say what you saw")
        return
    photo = {"photo": str(data["photo"])} if data.get("photo") else {}
    turn.emit("note", incubator, turn.batches[incubator].id, text=text, at_ms=_moment(turn, data), **photo, **by)


def _verdict(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    """How the koji was, mostly said when the batch is over: so it names its batch; else the open one is meant."""
    open_batch = turn.batches.get(incubator)
    batch = str(data.get("batch") or (open_batch.id if open_batch else ""))
    words = {name: text for name in (*SENSES, "text") if (text := str(data.get(name) or "").strip())}
    scores = {f"{name}_score": data[f"{name}_score"] for name in SENSES if data.get(f"{name}_score") is not None}
    wrong = [name for name, value in scores.items() if type(value) is not int or not 1 <= value <= 5]
    if not batch:
        turn.refuse("batch.verdict", incubator, "no-batch", "say of which batch")
    elif wrong:
        turn.refuse("batch.verdict", incubator, "bad-score", f"{wrong[0]}: a whole number from 1 to 5 is wanted")
    elif not words and not scores:
        turn.refuse("batch.verdict", incubator, "empty-verdict", "the verdict is empty; say how it looks or smells")
    else:
        event = turn.emit("verdict", incubator, batch, **words, **scores, **by)
        turn.events[-1] = replace(event, batch=batch)


def _moment(turn: Turn, data: Facts) -> int:
    at_ms = data.get("at_t_ms")
    return turn.t_ms if at_ms is None else min(int(at_ms), turn.t_ms)


def _done(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    schedule = turn.compiled.schedules.get(turn.batches[incubator].schedule)
    name = str(data.get("task", ""))
    task = schedule.task(name) if schedule else None
    if task is None:
        names = ", ".join(t.name for t in schedule.tasks) if schedule else "none"
        turn.refuse("task.done", incubator, "unknown-task", f"no task {name!r} in this schedule; it has {names}")
        return
    done = [m for m in turn.batches[incubator].marks if m.task == name and not m.undone]
    if done and not task.repeats:
        turn.refuse(
            "task.done", incubator, "already-done", f"{task.label} is marked already; undo or correct that mark",
            task=name, mark=done[-1].id,
        )  # fmt: skip
        return
    if _before_the_spores(turn, incubator, schedule, name, _moment(turn, data)):
        reason = f"{task.label} comes after the spores went on; give a later time, or correct when they did"
        turn.refuse("task.done", incubator, "before-spores", reason, task=name)
        return
    passed, gate = _gate(turn, incubator, task.gate, data)
    if not passed and not data.get("override"):
        turn.refuse("task.done", incubator, gate.pop("code"), gate.pop("reason"), task=name, **gate)
        return
    if not passed:
        gate = {**gate, "override": str(data["override"])}
    gate.pop("reason", None)
    if task.work == "harvest":
        _harvest(turn, incubator, data, by)
        return
    at_ms = _moment(turn, data)
    _mark(turn, incubator, name, at_ms, {"gate": gate, **by})
    if task.work in COOLING_WORK:
        believe_fall(turn, incubator)
        begin(turn, incubator, at_ms)
        ask(turn, incubator, task.work, turn.batches[incubator].marks[-1])
    reconsider(turn, incubator)


def _before_the_spores(turn: Turn, incubator: str, schedule: Schedule | None, name: str, at_ms: int) -> bool:
    """Whether a step that belongs after hour 0 is dated before it."""
    names = [task.name for task in schedule.tasks] if schedule else []
    hour0 = [m.at_ms for m in turn.batches[incubator].marks if m.task == HOUR_ZERO and not m.undone]
    if not hour0 or HOUR_ZERO not in names or names.index(name) <= names.index(HOUR_ZERO):
        return False
    return at_ms < min(hour0)


def _gate(turn: Turn, incubator: str, gate: Gate | None, data: Facts) -> tuple[bool, Facts]:
    """Whether the gate is passed, with what it was judged by."""
    if gate is None:
        return True, {}
    value, source, tolerance = _gate_value(turn, incubator, gate, data)
    facts: Facts = {"value": value, "by": source, "at_least": gate.at_least, "at_most": gate.at_most}
    if value is None:
        return False, {
            **facts, "code": "gate-unknown",
            "reason": "no probe shows it; measure with a kitchen thermometer and give the value, or say why you go on",
        }  # fmt: skip
    low_ok = gate.at_least is None or value >= gate.at_least - tolerance
    high_ok = gate.at_most is None or value <= gate.at_most + tolerance
    if low_ok and high_ok:
        return True, facts
    wanted = f"at most {gate.at_most:.1f}" if not high_ok else f"at least {gate.at_least:.1f}"
    reason = f"it is {value:.1f} °C, {wanted} °C is wanted; wait, or say why you go on"
    return False, {**facts, "code": "gate", "reason": reason}


def _gate_value(turn: Turn, incubator: str, gate: Gate, data: Facts) -> tuple[float | None, str, float]:
    if data.get("value_c") is not None:
        return float(data["value_c"]), "thermometer", 0.0
    numbers = fresh(turn, turn.compiled.probes_at(incubator, gate.place, gate.quantity))
    if not numbers:
        return None, "", 0.0
    pick = max if gate.at_most is not None else min
    no = pick(numbers, key=lambda n: turn.last_v[n])
    return turn.last_v[no], turn.compiled.probes[no].name, turn.compiled.probes[no].tolerance


def _mark(turn: Turn, incubator: str, task: str, at_ms: int, data: Facts) -> None:
    turn.mark_no += 1
    mark = Mark(turn.mark_no, task, at_ms, turn.t_ms)
    batch = turn.batches[incubator]
    early = _before_its_time(turn, incubator, task, at_ms)
    turn.put_batch(incubator, replace(batch, marks=(*batch.marks, mark)))
    schedule = turn.compiled.schedules.get(batch.schedule)
    found = schedule.task(task) if schedule else None
    turn.emit(
        "task-done", incubator, task, mark=mark.id, at_ms=at_ms, label=found.label if found else task,
        work=found.work if found else "none", **early, **data,
    )  # fmt: skip


def _before_its_time(turn: Turn, incubator: str, name: str, at_ms: int) -> Facts:
    """The window of a task that is done before it opens, and so was never announced; nothing when it is in time."""
    known = known_of(turn.compiled, incubator, turn.batches[incubator], turn.anchors, turn.last_t)
    task = known.schedule.task(name) if known else None
    if known is None or task is None:
        return {}
    opens_ms, due_ms = known.resolve(task.window.opens), known.resolve(task.window.due)
    first_ms = due_ms if opens_ms is None else opens_ms
    return {} if first_ms is None or first_ms <= at_ms else {"opens_ms": first_ms, "due_ms": due_ms}


def _undo(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    mark = _find(turn, incubator, "task.undo", data)
    if mark is not None:
        _replace_mark(turn, incubator, replace(mark, undone=True))
        turn.emit("task-undone", incubator, mark.task, mark=mark.id, at_ms=mark.at_ms, **by)
        taken_back(turn, incubator, mark.id)
        reconsider(turn, incubator)


def _correct(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    mark = _find(turn, incubator, "task.correct", data)
    if mark is None:
        return
    if data.get("at_t_ms") is None:
        turn.refuse("task.correct", incubator, "no-time", "say when it was done", mark=mark.id)
        return
    moved = replace(mark, at_ms=_moment(turn, data))
    _replace_mark(turn, incubator, moved)
    turn.emit("task-corrected", incubator, mark.task, mark=mark.id, at_ms=moved.at_ms, before_ms=mark.at_ms, **by)
    reconsider(turn, incubator)


def _find(turn: Turn, incubator: str, kind: str, data: Facts) -> Mark | None:
    marks = [mark for mark in turn.batches[incubator].marks if not mark.undone]
    found = next((mark for mark in marks if mark.id == data.get("mark")), None)
    if found is None:
        known = ", ".join(f"{mark.id} ({mark.task})" for mark in marks) or "none"
        turn.refuse(kind, incubator, "unknown-mark", f"no mark {data.get('mark')!r} in this batch; it has {known}")
    return found


def _replace_mark(turn: Turn, incubator: str, mark: Mark) -> None:
    batch = turn.batches[incubator]
    marks = tuple(mark if old.id == mark.id else old for old in batch.marks)
    turn.put_batch(incubator, replace(batch, marks=marks))


def _forget(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    """The forecasts of the next batches start from what is published, for one schedule or all."""
    turn.emit("forecast", incubator, "forgotten", schedule=str(data.get("schedule") or ""), **by)


Act = Callable[[Turn, str, Facts, Facts], None]
BATCH_ACTS: dict[str, Act] = {
    "batch.start": _start,
    "batch.harvest": _harvest,
    "batch.discard": _discard,
    "batch.note": _note,
    "batch.verdict": _verdict,
    "task.done": _done,
    "task.undo": _undo,
    "task.correct": _correct,
    "forecast.reset": _forget,
    **PROBE_ACTS,
    "probe.back": answer,
}


def all_acts() -> set[str]:
    """Every act the engine understands."""
    return BATCH_ACTS.keys() | ALARM_ACTS.keys()
