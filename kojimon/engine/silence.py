"""Silence is an alarm of its own: a probe that stopped speaking, and a koji that nobody sees any more."""

from __future__ import annotations

from kojimon.alarms.states import Signal
from kojimon.contract import deadlines, keys
from kojimon.engine.conditions import GONE
from kojimon.engine.quiet import NONE, refresh
from kojimon.engine.setup import ProbeSetup
from kojimon.engine.state import AlarmRec
from kojimon.engine.turn import Turn
from kojimon.model import Priority, Quality

MISPLACED = (int(Quality.SWAPPED), int(Quality.OUT_OF_KOJI))
PUT_BACK_MS = 1_200_000
"""From the answer until the koji must be seen: the way to the box, and the quarter of an hour until what the probe
shows there is believed (judgement)."""


def probe_due(turn: Turn, deadline: deadlines.Silent) -> None:
    """A probe's silence is checked: raised when its time is up, else looked at again when it will be."""
    no = deadline.no
    probe = turn.compiled.probes.get(no)
    if probe is None:
        turn.set_due(deadline, None)
        return
    spoke_ms = turn.last_t[no] if no in turn.last_t else (turn.due_ms(deadline) or 0) - probe.stale_ms
    due_ms = max(spoke_ms, turn.awake_ms) + probe.stale_ms
    if due_ms > turn.t_ms:
        turn.set_due(deadline, due_ms)
        return
    _, bad_ms, quality = turn.bad.get(no, (0, -1, 0))
    _fall_silent(turn, probe, spoke_ms, quality if bad_ms >= turn.t_ms - probe.stale_ms else 0)


def _fall_silent(turn: Turn, probe: ProbeSetup, since_ms: int, quality: int) -> None:
    turn.set_due(deadlines.Silent(probe.no), None)
    turn.signal(
        probe.incubator, keys.Silent(probe.name), Signal.ON, priority=Priority.TELL, probe=probe.name,
        since_ms=since_ms, place=probe.place, tray=probe.tray, last=turn.last_v.get(probe.no), quality=quality,
    )  # fmt: skip
    turn.quiet[probe.no] = NONE
    for other in turn.compiled.probes_at(probe.incubator, probe.place, probe.quantity):
        turn.quiet[other] = NONE


def bad_reading(turn: Turn, t_ms: int, no: int, quality: int) -> None:
    """A reading nobody may trust: silence with a reason, which the alarm names; at once where its device is gone."""
    since_ms, _, _ = turn.bad.get(no, (t_ms, t_ms, quality))
    turn.bad[no] = (since_ms, t_ms, quality)
    turn.quiet[no] = NONE  # the next good one must be looked at in full, or the verdict would outlive its cause
    probe = turn.compiled.probes.get(no)
    if quality in GONE and probe is not None and not turn.silent(no):
        turn.t_ms = max(turn.t_ms, t_ms)
        _fall_silent(turn, probe, t_ms, quality)
        refresh(turn, probe.incubator)


def heard(turn: Turn, probe: ProbeSetup) -> None:
    """A good reading has come: the probe speaks, and if it sits in the koji the koji is seen."""
    turn.bad.pop(probe.no, None)
    if turn.silent(probe.no):
        turn.signal(probe.incubator, keys.Silent(probe.name), Signal.OFF, probe=probe.name)
    if turn.compiled.silence[probe.no] not in turn.due:
        turn.set_due(deadlines.Silent(probe.no), turn.t_ms + probe.stale_ms)
    if probe.place == "bed" and probe.quantity == "temperature":
        if turn.active(probe.incubator, keys.BLIND):
            turn.signal(probe.incubator, keys.BLIND, Signal.OFF)
        watch_bed(turn, probe.incubator)


def watch_bed(turn: Turn, incubator: str, anew: bool = False) -> None:
    """Sets the deadline for losing sight of the koji, while a stage runs and there is a probe in the bed to lose.

    `anew` also where one is set: the stage, and with it the time allowed, has changed.
    """
    deadline = deadlines.Blind(incubator)
    blind_ms = _blind_ms(turn, incubator)
    if blind_ms is None:
        turn.set_due(deadline, None)
        if incubator not in turn.batches and turn.active(incubator, keys.BLIND):
            turn.signal(incubator, keys.BLIND, Signal.OFF)
    elif (anew or turn.due_ms(deadline) is None) and not turn.active(incubator, keys.BLIND):
        turn.set_due(deadline, _seen_ms(turn, incubator) + blind_ms)


def bed_due(turn: Turn, incubator: str) -> None:
    """The koji's sight is checked: a person is woken when no probe in it has spoken for the stage's time."""
    deadline = deadlines.Blind(incubator)
    blind_ms = _blind_ms(turn, incubator)
    if blind_ms is None:
        turn.set_due(deadline, None)
        return
    seen_ms = _seen_ms(turn, incubator)
    due_ms = seen_ms + blind_ms
    answered_ms = turn.of_late(incubator).putting_back_ms
    if answered_ms >= 0:
        due_ms = max(due_ms, answered_ms + max(blind_ms, PUT_BACK_MS))
    if due_ms > turn.t_ms:
        turn.set_due(deadline, due_ms)
        return
    turn.set_due(deadline, None)
    turn.signal(incubator, keys.BLIND, Signal.ON, priority=Priority.WAKE, since_ms=seen_ms)
    refresh(turn, incubator)


def told_misplaced(turn: Turn, alarm: AlarmRec) -> None:
    """Somebody has answered that a probe is out of the koji: they know, and get the time to put it back.

    Only where the probe speaks: a probe that is truly silent is no matter of putting it back.
    """
    key = alarm.about
    probe = turn.compiled.by_name.get(key.probe) if isinstance(key, keys.Silent) else None
    if probe is None or probe.place != "bed" or not alarm.active:
        return
    _, _, quality = turn.bad.get(probe.no, (0, 0, 0))
    if quality in MISPLACED:
        turn.happened(alarm.incubator, putting_back_ms=turn.t_ms)


def _bed(turn: Turn, incubator: str) -> tuple[int, ...]:
    return turn.compiled.probes_at(incubator, "bed", "temperature")


def _blind_ms(turn: Turn, incubator: str) -> int | None:
    batch = turn.batches.get(incubator)
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    stage = schedule.stage(batch.stage) if schedule and batch else None
    bed = _bed(turn, incubator)
    if stage is None or stage.blind_s <= 0 or not bed:
        return None
    return max(round(stage.blind_s * 1000), min(turn.compiled.probes[no].stale_ms for no in bed))


def _seen_ms(turn: Turn, incubator: str) -> int:
    """When the koji was last seen: its probes' last good reading, but not before the stages began or we were up."""
    batch = turn.batches[incubator]
    hour0 = [mark.at_ms for mark in batch.marks if mark.step == "inoculate" and not mark.undone]
    seen = [turn.last_t[no] for no in _bed(turn, incubator) if no in turn.last_t]
    return max([*seen, *hour0, batch.started_ms, turn.awake_ms])


def resume(turn: Turn, up_ms: int) -> None:
    """After a gap in our own running, silence is counted from when we are up: the probes did not fall silent."""
    turn.awake_ms = up_ms
    for probe in turn.setup.probes:
        due_ms = turn.due_ms(deadlines.Silent(probe.no))
        if due_ms is not None:
            turn.set_due(deadlines.Silent(probe.no), max(due_ms, turn.awake_ms + probe.stale_ms))
    for incubator in turn.batches:
        blind_ms = _blind_ms(turn, incubator)
        if turn.due_ms(deadlines.Blind(incubator)) is not None and blind_ms is not None:
            turn.set_due(deadlines.Blind(incubator), turn.awake_ms + blind_ms)
