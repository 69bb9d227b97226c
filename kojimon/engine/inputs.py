"""Inputs that are neither readings nor acts: start and stop, the clock, settings, health, gaps."""

from __future__ import annotations

from kojimon.alarms.states import Signal
from kojimon.contract import deadlines, events, inputs, keys
from kojimon.contract.acts import Act
from kojimon.engine.acts import take_act
from kojimon.engine.compiled import compiled_for
from kojimon.engine.guide import warming
from kojimon.engine.limits import rejudge_all
from kojimon.engine.outlook import take_forecast
from kojimon.engine.plan import reconsider
from kojimon.engine.probe_acts import placed_again
from kojimon.engine.quiet import refresh
from kojimon.engine.setup import EngineSetup, from_json
from kojimon.engine.silence import watch_bed
from kojimon.engine.turn import Turn
from kojimon.model import InputRow, Priority

BOOTS_KEPT = 32
TOLD_GAP_MS = 120_000
"""A gap in our own running of two minutes and more is told while a batch is open."""
HEALTH_PRIORITY = {"mirror": Priority.LOG, "site": Priority.WAKE}
"""What is none of these is told by day. `site`: another kojimon that is watched from here has fallen silent."""


def take_input(turn: Turn, row: InputRow) -> None:
    """Takes one input row; an unknown kind is stated and otherwise ignored."""
    what = row.what
    match what:
        case Act():
            take_act(turn, row.seq, what)
        case inputs.Start():
            _start(turn, what)
        case inputs.Stop():
            turn.emit(events.Stop(reason=what.reason), "", "")
        case inputs.Clock():
            _clock(turn, what)
        case inputs.Anchor():
            _anchor(turn, what)
        case inputs.Settings():
            _settings(turn, what)
        case inputs.Health():
            _health(turn, what)
        case inputs.Gap():
            told = Priority.TELL if what.source == "journal" else Priority.LOG
            turn.emit(events.Gap(dropped=what.dropped), "", what.source, told)
        case inputs.Forecast():
            take_forecast(turn, what)
        case inputs.Prior():
            _prior(turn, row.seq, what)
        case inputs.Duty():
            night = {name: getattr(what, name) for name in inputs.Night.__struct_fields__}
            turn.emit(events.Summary(**night), what.incubator, "night", Priority.TELL)
        case _:
            turn.emit(events.Ignored(), "", row.kind)


def _start(turn: Turn, start: inputs.Start) -> None:
    """We are up again; `gap_ms` says how long we were away before this row."""
    gap_ms, clean, boot = start.gap_ms, start.clean, start.boot
    if not turn.boots or turn.boots[-1][0] != boot:  # a restart within a boot is not its first moment
        turn.boots = (*turn.boots[-BOOTS_KEPT + 1 :], (boot, turn.t_ms))
    if not clean:
        for no in (no for no in turn.last_t if no > 0):
            turn.served[no] = turn.t_ms - gap_ms
    told = bool(turn.batches) and gap_ms >= TOLD_GAP_MS
    begun = events.Start(
        gap_ms=gap_ms, clean=clean, boot=boot, gap_source=start.gap_source, version=start.version
    )
    turn.emit(begun, "", "", Priority.TELL if told else Priority.LOG)
    for box in turn.compiled.incubators:
        refresh(turn, box)


def _clock(turn: Turn, clock: inputs.Clock) -> None:
    if abs(clock.step_ms) > 1000:
        turn.emit(events.ClockStep(step_ms=clock.step_ms, trusted=clock.trusted), "", "")


def _anchor(turn: Turn, anchor: inputs.Anchor) -> None:
    """The gap before a boot turns out longer or shorter than believed: hours and windows are derived anew."""
    at_ms = dict(turn.boots).get(anchor.boot)
    if at_ms is None:
        turn.emit(events.Ignored(boot=anchor.boot), "", "anchor")
        return
    turn.anchors = (*turn.anchors, (at_ms, anchor.delta_ms))
    turn.emit(events.Anchor(at_ms=at_ms, delta_ms=anchor.delta_ms), "", "")
    for incubator in list(turn.batches):
        reconsider(turn, incubator)


def _settings(turn: Turn, settings: inputs.Settings) -> None:
    setup = from_json(settings.setup)
    gone = _names(turn.setup) - _names(setup)
    turn.setup_hash = settings.hash
    turn.moved, turn.setup = placed_again(turn.moved, setup)
    turn.compiled = compiled_for(turn.setup, turn.setup_hash)
    turn.emit(events.Settings(), "", turn.setup_hash)
    _forget(turn, gone)
    for incubator, batch in turn.batches.items():
        turn.guidance.append(warming(turn.compiled.schedules.get(batch.schedule), incubator, batch))
    for probe in setup.probes:
        if probe.no not in turn.last_t:
            turn.set_due(deadlines.Silent(probe.no), max(turn.t_ms, turn.awake_ms) + probe.stale_ms)
    for box in turn.compiled.incubators:
        rejudge_all(turn, box)
        reconsider(turn, box)
        watch_bed(turn, box, anew=True)
        refresh(turn, box)


def _names(setup: EngineSetup) -> set[tuple[int, str, str]]:
    return {(probe.no, probe.name, probe.incubator) for probe in setup.probes}


def _forget(turn: Turn, gone: set[tuple[int, str, str]]) -> None:
    """Probes no longer among the settings: their alarms end, nothing of theirs is judged any more."""
    for no, name, incubator in gone:
        for table in (turn.last_t, turn.last_v, turn.quiet, turn.watch, turn.served, turn.trace, turn.bad, turn.usual,
                      turn.own, turn.airs, turn.courses):  # fmt: skip
            table.pop(no, None)
        turn.set_due(deadlines.Silent(no), None)
        if turn.active(incubator, keys.Silent(name)):
            turn.signal(incubator, keys.Silent(name), Signal.OFF, removed=True)


def _health(turn: Turn, health: inputs.Health) -> None:
    key, ok, text, wake = keys.Health(health.what), health.ok, health.text, health.wake
    alarm = turn.alarm("", key)
    if not ok and not alarm.active:
        priority = Priority.WAKE if wake else HEALTH_PRIORITY.get(key.part, Priority.TELL)
        turn.signal("", key, Signal.ON, priority=priority, text=text)
    elif wake and not ok and alarm.priority is not Priority.WAKE:
        turn.signal("", key, Signal.UP, priority=Priority.WAKE, text=text)
    elif not ok:
        turn.renew("", key, text=text)
    elif alarm.active:
        turn.signal("", key, Signal.OFF, text=text)


def _prior(turn: Turn, seq: int, prior: inputs.Prior) -> None:
    """What a finished batch left for the forecasts of the next; the prior itself stays in the input."""
    if any(batch.id == prior.batch for batch in turn.batches.values()):
        turn.emit(events.Ignored(batch=prior.batch), "", "prior")  # its end was taken back meanwhile
        return
    batches = prior.prior.get("batches")
    learnt = events.Forecast(input=seq, of=prior.batch, schedule=prior.schedule, batches=batches)
    turn.emit(learnt, prior.incubator, "learnt")
