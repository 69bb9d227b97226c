"""The life of an alarm: 28 transitions, and every pair that is not among them changes nothing."""

from __future__ import annotations

import itertools

import pytest

from kojimon.alarms.states import AlarmState as S
from kojimon.alarms.states import Signal as E
from kojimon.alarms.states import step

IN_SERVICE = (S.NORM, S.UNACK, S.ACKED, S.RTNUN, S.LATCH_UNACK, S.LATCH_ACK)

# Transitions of the alarm state model of ANSI/ISA-18.2 and IEC 62682 with the latch, shelf and re-alarm rules of
# OPC 10000-9 (4.8, 5.8.2, 5.8.17, B.1.5). The standards themselves were not at hand: the table follows open texts
# that implement them, so this is a check against the published model as those texts give it.
# (from, signal, active after it, latching, one shot, to)
TRANSITIONS = {
    1: [(S.NORM, E.ON, True, False, False, S.UNACK)],
    2: [(S.UNACK, E.ACK, True, False, False, S.ACKED)],
    3: [(S.UNACK, E.OFF, False, False, False, S.RTNUN)],
    4: [(S.UNACK, E.OFF, False, True, False, S.LATCH_UNACK)],
    5: [(S.UNACK, E.UP, True, False, False, S.UNACK)],
    6: [(S.UNACK, E.RE, True, False, False, S.UNACK)],
    7: [(S.ACKED, E.OFF, False, False, False, S.NORM)],
    8: [(S.ACKED, E.OFF, False, True, False, S.LATCH_ACK)],
    9: [(S.ACKED, E.UP, True, False, False, S.UNACK)],
    10: [(S.ACKED, E.RE, True, False, False, S.UNACK)],
    11: [(S.RTNUN, E.ACK, False, False, False, S.NORM)],
    12: [(S.RTNUN, E.ON, True, False, False, S.UNACK)],
    13: [(S.LATCH_UNACK, E.ACK, False, True, False, S.LATCH_ACK)],
    14: [(S.LATCH_UNACK, E.ON, True, True, False, S.UNACK)],
    15: [(S.LATCH_ACK, E.RESET, False, True, False, S.NORM)],
    16: [(S.LATCH_ACK, E.ON, True, True, False, S.UNACK)],
    17: [(S.LATCH_UNACK, E.RESET, False, True, False, S.LATCH_UNACK)],
    18: [(state, E.SHELVE, active, False, False, S.SHLVD) for state in IN_SERVICE for active in (True, False)],
    19: [(S.SHLVD, E.UNSHELVE, False, False, False, S.NORM)],
    20: [(S.SHLVD, E.UNSHELVE, True, False, False, S.UNACK)],
    21: [(S.SHLVD, E.OFF, False, False, True, S.NORM)],
    22: [(state, E.SUPPRESS, active, False, False, S.DSUPR) for state in IN_SERVICE for active in (True, False)],
    23: [(S.DSUPR, E.UNSUPPRESS, False, False, False, S.NORM)],
    24: [(S.DSUPR, E.UNSUPPRESS, True, False, False, S.UNACK)],
    25: [(state, E.OUT, active, False, False, S.OOSRV) for state in S for active in (True, False)],
    26: [(S.OOSRV, E.IN, False, False, False, S.NORM), (S.OOSRV, E.IN, True, False, False, S.UNACK)],
    27: [(S.NORM, E.RE, False, False, False, S.NORM), (S.RTNUN, E.RE, False, False, False, S.RTNUN)],
}


@pytest.mark.parametrize("number", TRANSITIONS)
def test_transition(number: int) -> None:
    for state, signal, active, latching, one_shot, wanted in TRANSITIONS[number]:
        assert step(state, signal, active, latching, one_shot) is wanted, (number, state, signal)


def test_every_other_pair_changes_nothing() -> None:
    listed = {(state, signal) for rows in TRANSITIONS.values() for state, signal, *_ in rows}
    # Moves between the three hidden states are the standard's "any": they are not in-service states.
    listed |= {(S.SHLVD, E.SUPPRESS), (S.DSUPR, E.SHELVE)}
    for state, signal, active, latching in itertools.product(S, E, (True, False), (True, False)):
        if (state, signal) not in listed:
            assert step(state, signal, active, latching) is state, (state, signal)


def test_shelved_alarm_that_is_not_one_shot_stays_shelved_when_the_condition_ends() -> None:
    assert step(S.SHLVD, E.OFF, active=False, one_shot=False) is S.SHLVD
