"""Planned work: while hands are in the koji its high limit is suppressed by design, and judged anew at the end.

The end is not a clock but the trend: work on the koji cools it at once, and the next call waits until it is known
whether it goes on rising. A critical limit is never suppressed, and nothing is suppressed for longer than the cap.
"""

from __future__ import annotations

from kojimon.alarms.states import HIDDEN, AlarmState, Signal
from kojimon.contract import deadlines
from kojimon.contract.keys import AlarmKey
from kojimon.engine.conditions import fresh
from kojimon.engine.moments import HOUR_ZERO
from kojimon.engine.trend import slope_of
from kojimon.engine.turn import CRITICAL, SUPPRESSED, Turn
from kojimon.schedule.spec import Schedule

COOLING_WORK = frozenset({"mix", "spread", "furrow", "swap"})
TREND_FROM_MS = 600_000
"""So long after the work the trend is first asked for: five points of the trace."""
CAP_MS = 2_400_000
"""Work suppresses for 40 min at most."""
FALLING_PER_H = -0.2
WORK_MS = 1_200_000
MAX_WORK_MS = 3_600_000


def begin(turn: Turn, incubator: str, at_ms: int, for_ms: int = CAP_MS) -> None:
    """Hands are in the koji since at_ms."""
    until_ms = at_ms + for_ms
    if until_ms <= turn.t_ms:
        return
    turn.work[incubator] = at_ms
    turn.set_due(deadlines.Work(incubator), until_ms)
    for key in SUPPRESSED:
        alarm = turn.alarm(incubator, key)
        if alarm.active and alarm.level not in CRITICAL and alarm.state not in HIDDEN:
            turn.signal(incubator, key, Signal.SUPPRESS, work=True)


def end(turn: Turn, incubator: str) -> None:
    """The work is over: what holds now is announced at once."""
    turn.work.pop(incubator, None)
    turn.set_due(deadlines.Work(incubator), None)
    for key in SUPPRESSED:
        if turn.alarm(incubator, key).state is AlarmState.DSUPR:
            turn.signal(incubator, key, Signal.UNSUPPRESS, work=True)


def watch_work(turn: Turn) -> None:
    """Every two minutes: work ends when its trend is known and does not fall, or once the koji is below the limit."""
    for incubator, at_ms in list(turn.work.items()):
        if turn.t_ms - at_ms < TREND_FROM_MS:
            continue
        beds = fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature"))
        slopes = [slope for no in beds if (slope := slope_of(turn.trace.get(no, ()), at_ms)) is not None]
        active = any(turn.active(incubator, key) for key in SUPPRESSED)
        if not active or (slopes and max(slope.per_h for slope in slopes) > FALLING_PER_H):
            end(turn, incubator)


def worsened(turn: Turn, incubator: str, key: AlarmKey, level: str) -> None:
    """A limit that no work can cause is reached: suppression ends at once."""
    if level in CRITICAL and turn.alarm(incubator, key).state is AlarmState.DSUPR:
        end(turn, incubator)


def out_of_order(turn: Turn, incubator: str, schedule: Schedule | None, name: str, at_ms: int) -> str:
    """Of the work on the rice, which goes in one order: what stands the wrong way round in time; "" where nothing."""
    order = {step.name: number for number, step in enumerate(schedule.steps)} if schedule else {}
    if schedule is None or order[name] > order.get(HOUR_ZERO, -1):
        return ""
    for mark in turn.batches[incubator].marks:
        number = order.get(mark.step, len(order))
        if mark.undone or number > order[HOUR_ZERO] or number == order[name]:
            continue
        label = schedule.steps[number].label
        if number < order[name] and mark.at_ms > at_ms:
            return f"{label} comes before it, and is marked later"
        if number > order[name] and mark.at_ms < at_ms:
            return f"{label} comes after it, and is marked earlier"
    return ""
