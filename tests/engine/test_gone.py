"""A probe whose device is said to be gone: silent at once, its last value none of now, heard again when it speaks."""

from __future__ import annotations

import pytest

from kojimon.engine import advance, initial_state, view
from kojimon.model import Quality
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, alarms, moves
from tests.parts.inputs import says

SILENT = "silent/koji-top"


@pytest.mark.parametrize("verdict", [Quality.LOST, Quality.SIGNED_OFF])
def test_gone_is_silence_at_once_and_the_other_tray_counts(verdict: Quality) -> None:
    rows = Rows()
    rows.act("batch.start", id="b1", name="first")
    rows.hold(H, {BED: 36.0, MIDDLE: 34.0, AIR: 30.0})
    gone_ms = rows.t_ms + 1000
    rows.at(H + 1).read(BED, None, int(verdict))
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (event,) = moves(outcome, SILENT)
    assert (event.t_ms, says(event)["quality"], says(event)["tray"]) == (gone_ms, verdict, "top")
    (message,) = [one for one in outcome.messages if one.event == event.no]
    assert message.priority == "tell"
    bed = next(row for row in view(state, rows.t_ms).incubators[0].places if row.place == "bed")
    assert bed.hottest.probe == "koji-middle"
    rows.hold(H + 100, {MIDDLE: 34.0, AIR: 30.0})
    rows.read(BED, 36.2)
    state, outcome = advance(state, rows.take(), rows.t_ms)
    assert alarms(outcome, [SILENT]) == [(SILENT, "UNACK", "RTNUN")]
    bed = next(row for row in view(state, rows.t_ms).incubators[0].places if row.place == "bed")
    assert bed.hottest.probe == "koji-top"


def test_said_twice_it_is_one_alarm_and_another_fault_is_silence_by_age_only() -> None:
    rows = Rows()
    rows.hold(60, {BED: 36.0, AIR: 30.0})
    rows.at(61).read(BED, None, int(Quality.LOST))
    rows.at(62).read(BED, 36.0, int(Quality.LOST))
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarms(outcome, [SILENT]) == [(SILENT, "NORM", "UNACK")]
    other = Rows()
    other.hold(60, {BED: 36.0, AIR: 30.0})
    other.at(61).read(BED, None, int(Quality.UNREADABLE))
    _, outcome = advance(initial_state(), other.take(), other.t_ms)
    assert alarms(outcome, [SILENT]) == []
