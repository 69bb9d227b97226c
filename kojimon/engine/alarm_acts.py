"""What a person does to an alarm. An act that names an occurrence which is over changes nothing and says so."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec.structs import replace

from kojimon.alarms.states import AlarmState, Signal
from kojimon.contract import acts, deadlines, events, keys
from kojimon.engine.alarm_test import answered, begin_probe_test, begin_test
from kojimon.engine.box import settle, visit
from kojimon.engine.limits import beside
from kojimon.engine.silence import told_misplaced
from kojimon.engine.state import AlarmRec
from kojimon.engine.turn import By, Turn
from kojimon.engine.work import MAX_WORK_MS, WORK_MS, begin
from kojimon.units import show_duration

MAX_SHELF_MS = 3_600_000
"""The longest shelf; a longer wish is refused, not cut (OPC 10000-9, 5.8.17, MaxTimeShelved)."""
ANSWERED_AT_THE_BOX = frozenset({keys.HOT_KOJI, keys.SOON_HOT, keys.BOX_HOT})


def _find(turn: Turn, incubator: str, deed: acts.OfAlarm) -> AlarmRec | None:
    """The alarm the act means; None (and refused) when there is none or its occurrence is another."""
    kind, key, occurrence = deed.kind, deed.key, deed.occurrence
    alarm = turn.alarms.get(keys.named(incubator, keys.parse(key)))
    if alarm is None:
        turn.refuse(kind, incubator, "unknown-alarm", f"no alarm {key!r} here; the list has its name", alarm=key)
        return None
    if occurrence is not None and occurrence != alarm.occurrence:
        reason = "that alarm is over, and has come again since; look at the list for the one of now"
        turn.refuse(kind, incubator, "over", reason, alarm=key, occurrence=alarm.occurrence)
        return None
    return alarm


def _simple(signal: Signal, wanted: frozenset[AlarmState], done: str) -> Callable[[Turn, str, acts.OfAlarm, By], None]:
    def act(turn: Turn, incubator: str, deed: acts.OfAlarm, by: By) -> None:
        alarm = _find(turn, incubator, deed)
        if alarm is None:
            return
        if alarm.state not in wanted:
            turn.emit(events.Unchanged(state=str(alarm.state), reason=done, **by), incubator, alarm.key)
            return
        turn.signal(incubator, alarm.about, signal, act=turn.act_seq, **by)
        if signal is Signal.ACK:
            _answered(turn, incubator, alarm)
            if alarm.about in ANSWERED_AT_THE_BOX:
                visit(turn, incubator)

    return act


def _answered(turn: Turn, incubator: str, alarm: AlarmRec) -> None:
    """What follows from somebody's having seen it."""
    if alarm.about == keys.TEST:
        answered(turn, incubator)
    told_misplaced(turn, alarm)
    if alarm.about == keys.Health("journal") and alarm.active:
        # Something that happened, and not a state to be mended: once seen it is over.
        turn.signal(incubator, alarm.about, Signal.OFF)


def _shelve(turn: Turn, incubator: str, deed: acts.Shelve, by: By) -> None:
    alarm = _find(turn, incubator, deed)
    if alarm is None:
        return
    for_ms = round((deed.for_s or MAX_SHELF_MS / 1000) * 1000)
    if not 0 < for_ms <= MAX_SHELF_MS:
        _too_long(turn, incubator, deed, for_ms)
        return
    name = keys.named(incubator, alarm.about)
    turn.signal(incubator, alarm.about, Signal.SHELVE, act=turn.act_seq, until_ms=turn.t_ms + for_ms, **by)
    until_ms, one_shot = turn.t_ms + for_ms, deed.one_shot
    turn.alarms[name] = replace(turn.alarms[name], shelved_until_ms=until_ms, one_shot=one_shot)
    turn.set_due(deadlines.Shelf(incubator, alarm.about), until_ms)


def _too_long(turn: Turn, incubator: str, deed: acts.Shelve | acts.Silence, for_ms: int) -> None:
    reason = f"{show_duration(for_ms / 1000)}: expected an hour at most; what is broken is taken out of service instead"
    turn.refuse(deed.kind, incubator, "too-long", reason, alarm=deed.key)


def shelf_due(turn: Turn, incubator: str, key: keys.AlarmKey) -> None:
    """A shelf has run out: what still holds is announced at once."""
    turn.set_due(deadlines.Shelf(incubator, key), None)
    alarm = turn.alarm(incubator, key)
    if alarm.state is AlarmState.SHLVD and alarm.shelved_until_ms <= turn.t_ms:
        turn.signal(incubator, key, Signal.UNSHELVE)


def again_due(turn: Turn, incubator: str, key: keys.AlarmKey) -> None:
    """Re-alarm: an answered alarm that still holds is unanswered again; an unanswered one is counted once more."""
    turn.set_due(deadlines.Again(incubator, key), None)
    alarm = turn.alarm(incubator, key)
    if alarm.active and alarm.state in (AlarmState.ACKED, AlarmState.UNACK):
        probe = turn.compiled.by_name.get(alarm.probe)
        value = turn.last_v.get(probe.no) if probe else None
        turn.signal(
            incubator, key, Signal.RE, value=value, limit=alarm.limit, probe=alarm.probe,
            tray=probe.tray if probe else "", **beside(turn, incubator, key),
        )  # fmt: skip


def _out_of_service(turn: Turn, incubator: str, deed: acts.OutOfService, by: By) -> None:
    """Off for repair, without a time limit; `reason` stays with it until it is back in service."""
    alarm = _find(turn, incubator, deed)
    if alarm is None:
        return
    if alarm.state is AlarmState.OOSRV:
        already = events.Unchanged(state="OOSRV", reason="it is out of service already", **by)
        turn.emit(already, incubator, alarm.key)
        return
    turn.signal(incubator, alarm.about, Signal.OUT, act=turn.act_seq, reason=deed.reason, **by)
    name = keys.named(incubator, alarm.about)
    turn.alarms[name] = replace(turn.alarms[name], reason=deed.reason)


def _silence(turn: Turn, incubator: str, deed: acts.Silence, by: By) -> None:
    """Sound off for a while; the alarm stays unanswered and the sound comes back by itself."""
    alarm = _find(turn, incubator, deed)
    if alarm is None:
        return
    for_ms = round((deed.for_s or 600) * 1000)
    if not 0 < for_ms <= MAX_SHELF_MS:
        _too_long(turn, incubator, deed, for_ms)
        return
    if alarm.state is not AlarmState.UNACK:
        turn.emit(events.Unchanged(state=str(alarm.state), reason="nothing sounds", **by), incubator, alarm.key)
        return
    name = keys.named(incubator, alarm.about)
    turn.alarms[name] = replace(alarm, silent_until_ms=turn.t_ms + for_ms)
    turn.set_due(deadlines.Hush(incubator, alarm.about), turn.t_ms + for_ms)
    silenced = events.Silenced(occurrence=alarm.occurrence, until_ms=turn.t_ms + for_ms, **by)
    turn.emit(silenced, incubator, alarm.key)


def hush_due(turn: Turn, incubator: str, key: keys.AlarmKey) -> None:
    """The silence is over: what is still unanswered calls again."""
    turn.set_due(deadlines.Hush(incubator, key), None)
    alarm = turn.alarm(incubator, key)
    if alarm.state is AlarmState.UNACK and 0 <= alarm.silent_until_ms <= turn.t_ms:
        turn.alarms[keys.named(incubator, key)] = replace(alarm, silent_until_ms=-1)
        turn.signal(incubator, key, Signal.RE)


def _confirm(turn: Turn, incubator: str, deed: acts.Confirm, by: By) -> None:
    """The person says that it is dealt with; an unanswered alarm is answered by it (OPC 10000-9, 3.1, Confirm)."""
    alarm = _find(turn, incubator, deed)
    if alarm is None:
        return
    if alarm.state in (AlarmState.UNACK, AlarmState.RTNUN, AlarmState.LATCH_UNACK):
        turn.signal(incubator, alarm.about, Signal.ACK, act=turn.act_seq, **by)
        _answered(turn, incubator, alarm)
    turn.emit(events.Confirmed(occurrence=alarm.occurrence, text=deed.text, **by), incubator, alarm.key)


def _work(turn: Turn, incubator: str, deed: acts.WorkBegin, by: By) -> None:
    """Hands are in the koji now: its limits wait, but for the critical ones; no longer than asked and an hour."""
    for_ms = min(round((deed.for_s or WORK_MS / 1000) * 1000), MAX_WORK_MS)
    turn.emit(events.Working(until_ms=turn.t_ms + for_ms, **by), incubator, "")
    begin(turn, incubator, turn.t_ms, for_ms)


def _setpoint(turn: Turn, incubator: str, deed: acts.Setpoint, by: By) -> None:
    """The box has been set to another temperature: its usual level is learnt anew from now. No koji box is set to
    what is fierce, nor to frost."""
    if deed.to_c is not None and not 0 < deed.to_c < keys.FIERCE_C:
        reason = f"no koji box is set to {deed.to_c:.1f} °C; expected what its thermostat is set to, as in 30 °C"
        turn.refuse(deed.kind, incubator, "impossible-setpoint", reason)
        return
    settle(turn, incubator, deed.to_c)
    turn.happened(incubator, off_ms=turn.t_ms if deed.off else -1)
    turn.emit(events.Setpoint(to_c=deed.to_c, off=deed.off, **by), incubator, "")


_S = AlarmState
ALARM_ACTS: dict[type[acts.Deed], Callable[[Turn, str, Any, By], None]] = {
    acts.Acknowledge: _simple(
        Signal.ACK, frozenset({_S.UNACK, _S.RTNUN, _S.LATCH_UNACK}), "it is acknowledged already, or not up"
    ),
    acts.Reset: _simple(Signal.RESET, frozenset({_S.LATCH_ACK}), "acknowledge it first; only what is kept is reset"),
    acts.Unshelve: _simple(Signal.UNSHELVE, frozenset({_S.SHLVD}), "it is not shelved"),
    acts.OutOfService: _out_of_service,
    acts.InService: _simple(Signal.IN, frozenset({_S.OOSRV}), "it is in service"),
    acts.Shelve: _shelve,
    acts.Silence: _silence,
    acts.Confirm: _confirm,
    acts.WorkBegin: _work,
    acts.Setpoint: _setpoint,
    acts.AlarmTest: begin_test,
    acts.ProbeTest: begin_probe_test,
}
