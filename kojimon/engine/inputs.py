"""Inputs that are neither readings nor acts: start and stop, the clock, settings, health, gaps."""

from __future__ import annotations

from collections.abc import Callable

from kojimon.alarms.states import Signal
from kojimon.contract import deadlines, keys
from kojimon.engine.acts import take_act
from kojimon.engine.compiled import compiled_for
from kojimon.engine.guide import warming
from kojimon.engine.limits import rejudge_all
from kojimon.engine.outlook import take_forecast
from kojimon.engine.plan import reconsider
from kojimon.engine.probe_acts import placed_again
from kojimon.engine.quiet import refresh
from kojimon.engine.setup import EngineSetup, from_plain
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
    handler = HANDLERS.get(row.kind)
    if handler is None:
        turn.emit("ignored", "", row.kind)
    else:
        handler(turn, row)


def _start(turn: Turn, row: InputRow) -> None:
    """We are up again; `gap_ms` says how long we were away before this row."""
    gap_ms, clean = int(row.payload.get("gap_ms") or 0), bool(row.payload.get("clean"))
    boot = int(row.payload.get("boot") or 0)
    if not turn.boots or turn.boots[-1][0] != boot:  # a restart within a boot is not its first moment
        turn.boots = (*turn.boots[-BOOTS_KEPT + 1 :], (boot, turn.t_ms))
    if not clean:
        for no in (no for no in turn.last_t if no > 0):
            turn.served[no] = turn.t_ms - gap_ms
    told = bool(turn.batches) and gap_ms >= TOLD_GAP_MS
    facts = {name: row.payload.get(name) for name in ("boot", "gap_source", "version")}
    turn.emit("start", "", "", Priority.TELL if told else Priority.LOG, gap_ms=gap_ms, clean=clean, **facts)
    for box in turn.compiled.incubators:
        refresh(turn, box)


def _stop(turn: Turn, row: InputRow) -> None:
    turn.emit("stop", "", "", reason=str(row.payload.get("reason", "")))


def _clock(turn: Turn, row: InputRow) -> None:
    step_ms = int(row.payload.get("step_ms") or 0)
    if abs(step_ms) > 1000:
        turn.emit("clock-step", "", "", step_ms=step_ms, trusted=bool(row.payload.get("trusted")))


def _anchor(turn: Turn, row: InputRow) -> None:
    """The gap before a boot turns out longer or shorter than believed: hours and windows are derived anew."""
    boot, delta_ms = int(row.payload["boot"]), int(row.payload["delta_ms"])
    at_ms = dict(turn.boots).get(boot)
    if at_ms is None:
        turn.emit("ignored", "", "anchor", boot=boot)
        return
    turn.anchors = (*turn.anchors, (at_ms, delta_ms))
    turn.emit("anchor", "", "", at_ms=at_ms, delta_ms=delta_ms)
    for incubator in list(turn.batches):
        reconsider(turn, incubator)


def _settings(turn: Turn, row: InputRow) -> None:
    setup = from_plain(row.payload["setup"])
    gone = _names(turn.setup) - _names(setup)
    turn.setup_hash = str(row.payload["hash"])
    turn.moved, turn.setup = placed_again(turn.moved, setup)
    turn.compiled = compiled_for(turn.setup, turn.setup_hash)
    turn.emit("settings", "", turn.setup_hash)
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


def _health(turn: Turn, row: InputRow) -> None:
    key, ok = keys.Health(str(row.payload.get("what", ""))), bool(row.payload.get("ok"))
    alarm = turn.alarm("", key)
    text, wake = str(row.payload.get("text", "")), bool(row.payload.get("wake"))
    if not ok and not alarm.active:
        priority = Priority.WAKE if wake else HEALTH_PRIORITY.get(key.part, Priority.TELL)
        turn.signal("", key, Signal.ON, priority=priority, text=text)
    elif wake and not ok and alarm.priority is not Priority.WAKE:
        turn.signal("", key, Signal.UP, priority=Priority.WAKE, text=text)
    elif not ok:
        turn.renew("", key, text=text)
    elif alarm.active:
        turn.signal("", key, Signal.OFF, text=text)


def _gap(turn: Turn, row: InputRow) -> None:
    source = str(row.payload.get("source", ""))
    told = Priority.TELL if source == "journal" else Priority.LOG
    turn.emit("gap", "", source, told, dropped=int(row.payload.get("dropped") or 0))


def _kept(turn: Turn, row: InputRow) -> None:
    """Calibrations are stated; what hangs on them reads the event."""
    facts = {name: value for name, value in row.payload.items() if name != "incubator"}
    turn.emit(row.kind, str(row.payload.get("incubator", "")), str(row.payload.get("probe", "")), **facts)


def _prior(turn: Turn, row: InputRow) -> None:
    """What a finished batch left for the forecasts of the next; the prior itself stays in the input."""
    facts = {name: str(row.payload.get(name, "")) for name in ("schedule", "batch")}
    if any(batch.id == facts["batch"] for batch in turn.batches.values()):
        turn.emit("ignored", "", "prior", batch=facts["batch"])  # its end was taken back meanwhile
        return
    batches = (row.payload.get("prior") or {}).get("batches")
    turn.emit("forecast", str(row.payload.get("incubator", "")), "learnt", input=row.seq, of=facts["batch"],
              schedule=facts["schedule"], batches=batches)  # fmt: skip


def _duty(turn: Turn, row: InputRow) -> None:
    """The night is over: what it came to is stated, and told by day."""
    facts = {name: value for name, value in row.payload.items() if name not in ("name", "incubator")}
    turn.emit("summary", str(row.payload.get("incubator", "")), "night", Priority.TELL, **facts)


HANDLERS: dict[str, Callable[[Turn, InputRow], None]] = {
    "start": _start,
    "stop": _stop,
    "clock": _clock,
    "anchor": _anchor,
    "settings": _settings,
    "health": _health,
    "gap": _gap,
    "act": take_act,
    "calibration": _kept,
    "forecast": take_forecast,
    "prior": _prior,
    "duty": _duty,
}
