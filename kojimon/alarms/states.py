"""The life of one alarm as a table.

States carry the mnemonics of ANSI/ISA-18.2 and IEC 62682, never the letters (they differ between editions). Shelved,
suppressed and out-of-service alarms go on being evaluated (OPC 10000-9, 4.8): `active` says whether the condition
holds now, delays served, whatever the state.
"""

from __future__ import annotations

from enum import StrEnum


class AlarmState(StrEnum):
    """Where an alarm stands between condition and person."""

    NORM = "NORM"
    """All well, nothing to see."""
    UNACK = "UNACK"
    """The condition holds and nobody has answered."""
    ACKED = "ACKED"
    """The condition holds, somebody knows."""
    RTNUN = "RTNUN"
    """It came and went unseen."""
    LATCH_UNACK = "LATCH-UNACK"
    """Gone again, unseen, and kept until reset."""
    LATCH_ACK = "LATCH-ACK"
    """Gone again, seen, and kept until reset."""
    SHLVD = "SHLVD"
    """Set aside by a person, for a time."""
    DSUPR = "DSUPR"
    """Suppressed by design while planned work goes on."""
    OOSRV = "OOSRV"
    """Out of service for repair."""


class Signal(StrEnum):
    """What can happen to an alarm."""

    ON = "on"
    OFF = "off"
    ACK = "ack"
    UP = "up"
    DOWN = "down"
    """A lesser level than before, still active: no transition, only told in the record."""
    RE = "re"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "sup"
    UNSUPPRESS = "unsup"
    OUT = "oos"
    IN = "inserv"


_S = AlarmState
ANNUNCIATED = frozenset({_S.UNACK})
"""States that call a person."""
"""States a person must be able to see without asking for hidden ones."""
HIDDEN = frozenset({_S.SHLVD, _S.DSUPR, _S.OOSRV})

_ARCS: dict[tuple[AlarmState, Signal], AlarmState] = {
    (_S.NORM, Signal.ON): _S.UNACK,
    (_S.UNACK, Signal.ACK): _S.ACKED,
    (_S.UNACK, Signal.UP): _S.UNACK,
    (_S.UNACK, Signal.RE): _S.UNACK,
    (_S.ACKED, Signal.UP): _S.UNACK,
    (_S.ACKED, Signal.RE): _S.UNACK,
    (_S.RTNUN, Signal.ACK): _S.NORM,
    (_S.RTNUN, Signal.ON): _S.UNACK,
    (_S.LATCH_UNACK, Signal.ACK): _S.LATCH_ACK,
    (_S.LATCH_UNACK, Signal.ON): _S.UNACK,
    (_S.LATCH_ACK, Signal.RESET): _S.NORM,
    (_S.LATCH_ACK, Signal.ON): _S.UNACK,
}
_LEAVES_HIDING = {_S.SHLVD: Signal.UNSHELVE, _S.DSUPR: Signal.UNSUPPRESS, _S.OOSRV: Signal.IN}
_HIDES = {Signal.SHELVE: _S.SHLVD, Signal.SUPPRESS: _S.DSUPR, Signal.OUT: _S.OOSRV}


def step(state: AlarmState, signal: Signal, active: bool, latching: bool = False, one_shot: bool = False) -> AlarmState:
    """The next state of an alarm.

    Args:
        state: where it stands.
        signal: what happened.
        active: whether the condition holds now, after the signal.
        latching: whether the condition, once gone, keeps it listed until reset.
        one_shot: whether its shelf ends with the condition.

    Returns:
        The state afterwards; the same where the pair is not in the table (an acknowledge of nothing, a re-alarm of
        what has gone, a reset before it was seen).

    Source: transitions of ANSI/ISA-18.2 and IEC 62682 as published with OPC 10000-9 (latch, shelf, suppression:
    4.8, 5.8.2, 5.8.17; re-alarm: B.1.5).
    """
    if state in HIDDEN:
        return _step_hidden(state, signal, active, latching, one_shot)
    if signal in _HIDES:
        return _HIDES[signal]
    if signal is Signal.OFF:
        return _step_off(state, latching)
    return _ARCS.get((state, signal), state)


def _step_hidden(state: AlarmState, signal: Signal, active: bool, latching: bool, one_shot: bool) -> AlarmState:
    # Only a reset clears a latch (OPC 10000-9, 4.8): no shelf, work or repair does.
    gone = AlarmState.LATCH_UNACK if latching else AlarmState.NORM
    if signal is Signal.OUT:
        return AlarmState.OOSRV
    if signal is Signal.SUPPRESS and state is AlarmState.SHLVD:
        return AlarmState.DSUPR
    if signal is Signal.SHELVE and state is AlarmState.DSUPR:
        return AlarmState.SHLVD
    if signal is _LEAVES_HIDING[state]:
        return AlarmState.UNACK if active else gone
    if signal is Signal.OFF and state is AlarmState.SHLVD and one_shot:
        return gone
    return state


def _step_off(state: AlarmState, latching: bool) -> AlarmState:
    if state is AlarmState.UNACK:
        return AlarmState.LATCH_UNACK if latching else AlarmState.RTNUN
    if state is AlarmState.ACKED:
        return AlarmState.LATCH_ACK if latching else AlarmState.NORM
    return state
