"""The one entry: advance(state, rows, now) -> (state', outcome).

A function of ordered rows and of nothing else. Deadlines run in `(due, key)` order, those of a row's own millisecond
before the row; an event carries the time at which it is true. Calling it more often changes nothing (the split law).
"""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.contract import deadlines
from kojimon.contract.inputs import Start
from kojimon.engine.alarm_acts import again_due, hush_due, shelf_due
from kojimon.engine.alarm_test import judge_probe_test, probe_test_due, test_due
from kojimon.engine.box_hot import judge_fierce
from kojimon.engine.conditions import take
from kojimon.engine.cooling import watch_cooling
from kojimon.engine.guess import guess_mixing
from kojimon.engine.hand import old
from kojimon.engine.inputs import take_input
from kojimon.engine.limits import bands_in_force, judge_probe
from kojimon.engine.plan import reconsider
from kojimon.engine.probe_acts import settling
from kojimon.engine.probe_back import asked_due, watch_asked
from kojimon.engine.quiet import NONE, refresh
from kojimon.engine.silence import bad_reading, bed_due, heard, probe_due, resume
from kojimon.engine.slow import judge_slowly
from kojimon.engine.state import State
from kojimon.engine.trend import TRACE_EVERY_MS, TRACE_LENGTH
from kojimon.engine.turn import NEVER, Turn
from kojimon.engine.work import end, watch_work
from kojimon.model import InputRow, Outcome, ReadingRow

_TRACE = str(deadlines.TRACE)
Row = InputRow | ReadingRow | tuple[int, int, int, float | None, int]


def advance(state: State, rows: Iterable[Row], now_ms: int) -> tuple[State, Outcome]:
    """Takes the rows in, runs every deadline up to now.

    Args:
        state: as the last advance left it; it is not changed.
        rows: readings (plain tuples `(seq, t_ms, probe, value, quality)`) and other inputs, in seq order, t_ms never
            falling, none later than now_ms and none earlier than state.t_ms.
        now_ms: engine time up to which deadlines run.

    Returns:
        The state afterwards and what came forth, in order.
    """
    turn = Turn(state)
    last_t, last_v, quiet, seq = turn.last_t, turn.last_v, turn.quiet, turn.seq
    for row in rows:
        if isinstance(row, InputRow):
            seq = row.seq
            _input(turn, row)
            continue
        seq, t_ms, no, value, quality = row
        if t_ms >= turn.next_due_ms:
            run_deadlines(turn, t_ms)
        if quality or value is None:
            bad_reading(turn, t_ms, no, quality)
            continue
        low, high = quiet.get(no, NONE)
        if low < value < high:
            last_t[no] = t_ms
            last_v[no] = value
        else:
            _look(turn, t_ms, no, value)
    turn.seq = seq
    run_deadlines(turn, now_ms)
    turn.t_ms = max(turn.t_ms, now_ms)
    return turn.state(), turn.outcome()


def next_due_ms(state: State) -> int | None:
    """When the engine next has something to do by itself, or None."""
    return min(state.due.values(), default=None)


def _input(turn: Turn, row: InputRow) -> None:
    if isinstance(row.what, Start):
        # While we were away nobody can have fallen silent in our ears: silence is moved on before it is judged.
        run_deadlines(turn, row.t_ms - row.what.gap_ms)
        resume(turn, row.t_ms)
    run_deadlines(turn, row.t_ms)
    turn.t_ms = max(turn.t_ms, row.t_ms)
    take_input(turn, row)


def _look(turn: Turn, t_ms: int, no: int, value: float) -> None:
    """A good reading outside its probe's quiet corridor, looked at in full."""
    turn.t_ms = max(turn.t_ms, t_ms)
    probe = turn.compiled.probes.get(no)
    if probe is None:
        return
    before_ms = turn.last_t.get(no, t_ms)
    turn.last_t[no], turn.last_v[no] = t_ms, value
    heard(turn, probe)
    judge_probe_test(turn, probe, value)
    if _TRACE not in turn.due:
        turn.set_due(deadlines.TRACE, t_ms + TRACE_EVERY_MS)
    if probe.incubator in turn.batches:
        judge_fierce(turn, probe, value)
        judge_probe(turn, probe, value, bands_in_force(turn, probe.incubator))
        if take(turn, probe, before_ms):
            reconsider(turn, probe.incubator)
    turn.served.pop(no, None)
    refresh(turn, probe.incubator)


def run_deadlines(turn: Turn, until_ms: int) -> None:
    """Runs every deadline due by then, earliest first, equal ones in the order of their texts."""
    while turn.next_due_ms <= until_ms:
        due_ms, text = min(zip(turn.due.values(), turn.due, strict=True))
        turn.t_ms = max(turn.t_ms, due_ms)
        _come_due(turn, deadlines.parse(text))
    if not turn.due:
        turn.next_due_ms = NEVER


def _come_due(turn: Turn, deadline: deadlines.Deadline) -> None:
    """The one place that says what a deadline is for. Each handler sets it anew, or removes it."""
    match deadline:
        case deadlines.Trace():
            _trace(turn)
        case deadlines.Silent():
            probe_due(turn, deadline)
        case deadlines.ProbeTest(no):
            probe_test_due(turn, no)
        case deadlines.Old():
            old(turn, deadline)
        case deadlines.Blind(incubator):
            bed_due(turn, incubator)
        case deadlines.Plan(incubator):
            turn.set_due(deadline, None)
            reconsider(turn, incubator)
        case deadlines.Work(incubator):
            end(turn, incubator)
        case deadlines.Test(incubator):
            test_due(turn, incubator)
        case deadlines.Asked(incubator):
            asked_due(turn, incubator)
        case deadlines.Shelf() | deadlines.Again() | deadlines.Hush():
            _ALARM_DUE[type(deadline)](turn, deadline.incubator, deadline.key)
        case deadlines.Other():
            turn.set_due(deadline, None)


_ALARM_DUE = {deadlines.Shelf: shelf_due, deadlines.Again: again_due, deadlines.Hush: hush_due}


def _trace(turn: Turn) -> None:
    """Notes each probe's value every two minutes; a probe that did not speak since leaves a hole."""
    for no, t_ms in turn.last_t.items():
        if no < 0:
            continue  # read by hand: a point or two make no course
        if turn.t_ms - t_ms <= TRACE_EVERY_MS and not settling(turn, no):
            turn.trace[no] = (*turn.trace.get(no, ())[1 - TRACE_LENGTH :], (turn.t_ms, turn.last_v[no]))
        else:
            turn.trace.pop(no, None)
    turn.set_due(deadlines.TRACE, turn.t_ms + TRACE_EVERY_MS)
    judge_slowly(turn)
    watch_work(turn)
    watch_asked(turn)
    guess_mixing(turn)
    for incubator in [*turn.ended]:
        watch_cooling(turn, incubator)
