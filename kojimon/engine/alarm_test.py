"""Proof that the alarm works: a test through the whole chain, and a probe that somebody warms in the hand."""

from __future__ import annotations

from typing import Any

from kojimon.alarms.levels import IDLE, Threshold, judge
from kojimon.alarms.states import Signal
from kojimon.contract import acts, deadlines, events, keys
from kojimon.engine.quiet import NONE, refresh
from kojimon.engine.setup import ProbeSetup
from kojimon.engine.state import ProbeTest
from kojimon.engine.turn import By, Turn
from kojimon.model import Priority

TEST_MS = 300_000
"""A test that nobody has answered for so long has failed, and ends."""
PROBE_TEST_MS = 900_000
"""A probe has to be warmed within this."""
RISE_K = 2.0
PROBE_TEST_DELAY_MS = 20_000


def begin_test(turn: Turn, incubator: str, deed: acts.AlarmTest, by: By) -> None:
    """A test alarm goes the whole way, is marked as a test, and ends when it is answered or nobody did in time.

    `wake`: it goes the way of what gets people up.
    """
    text = deed.text or "Test: the alarm works"
    _raise(turn, incubator, Priority.WAKE if deed.wake else Priority.TELL, text=text, act=turn.act_seq, **by)


def _raise(turn: Turn, incubator: str, priority: Priority, **facts: Any) -> None:
    if turn.active(incubator, keys.TEST):
        turn.signal(incubator, keys.TEST, Signal.OFF, test=True)
    turn.signal(incubator, keys.TEST, Signal.ON, priority=priority, test=True, **facts)
    turn.set_due(deadlines.Test(incubator), turn.t_ms + TEST_MS)


def answered(turn: Turn, incubator: str) -> None:
    """Somebody has answered the test: it is over."""
    turn.set_due(deadlines.Test(incubator), None)
    turn.signal(incubator, keys.TEST, Signal.OFF, test=True, answered=True)


def test_due(turn: Turn, incubator: str) -> None:
    """Nobody has answered the test in time: it has failed and ends."""
    turn.set_due(deadlines.Test(incubator), None)
    if turn.active(incubator, keys.TEST):
        turn.signal(incubator, keys.TEST, Signal.OFF, test=True, expired=True)


# -- the test from a probe ------------------------------------------------------------------------------------------


def begin_probe_test(turn: Turn, incubator: str, deed: acts.ProbeTest, by: By) -> None:
    """A probe is about to be warmed: when it has risen by `rise_k` for 20 s, a test alarm says so."""
    probe = turn.compiled.by_name.get(deed.probe)
    if probe is None or probe.no not in turn.last_v:
        known = ", ".join(one.name for one in turn.setup.probes if one.no in turn.last_v) or "none yet"
        reason = f"no reading from a probe {deed.probe!r}; there are readings from: {known}"
        turn.refuse(deed.kind, incubator, "unknown-probe", reason)
        return
    rise_k = deed.rise_k or RISE_K
    test = ProbeTest(turn.last_v[probe.no] + rise_k, turn.t_ms + PROBE_TEST_MS, IDLE, by)
    turn.probe_tests[probe.no] = test
    turn.set_due(deadlines.ProbeTest(probe.no), test.until_ms)
    turn.quiet[probe.no] = NONE
    begun = events.ProbeTestBegin(limit=test.limit, until_ms=test.until_ms, **by)
    turn.emit(begun, probe.incubator, probe.name)


def judge_probe_test(turn: Turn, probe: ProbeSetup, value: float) -> None:
    """Takes a good sample of a probe that is being warmed."""
    test = turn.probe_tests.get(probe.no)
    if test is None:
        return
    level = judge(test.level, Threshold(test.limit, True, PROBE_TEST_DELAY_MS, 0, 0.0, 2), value, turn.t_ms)
    turn.probe_tests[probe.no] = ProbeTest(test.limit, test.until_ms, level, test.by)
    if not level.active:
        return
    _forget(turn, probe)
    _raise(
        turn, "", Priority.WAKE, text=f"Probe {probe.name} was warmed", probe_test=probe.name, value=value,
        limit=test.limit, probe=probe.name, since_ms=level.since_ms, **test.by,
    )  # fmt: skip


def probe_test_due(turn: Turn, no: int) -> None:
    """Nobody has warmed the probe in time."""
    probe = turn.compiled.probes.get(no)
    turn.set_due(deadlines.ProbeTest(no), None)
    if probe is not None and turn.probe_tests.pop(no, None) is not None:
        turn.emit(events.ProbeTestMissed(), probe.incubator, probe.name)
        refresh(turn, probe.incubator)


def _forget(turn: Turn, probe: ProbeSetup) -> None:
    turn.probe_tests.pop(probe.no, None)
    turn.set_due(deadlines.ProbeTest(probe.no), None)
