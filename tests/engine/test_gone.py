"""A probe whose device is said to be gone: silent at once, its last value none of now, heard again when it speaks."""

from __future__ import annotations

import pytest

from kojimon.engine import advance, initial_state, view
from kojimon.model import Quality
from tests.alarms.build import Case
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


def test_a_hot_probe_that_is_pulled_out_calls_on_until_somebody_says_that_it_is_back() -> None:
    """No mixing takes more than 8 K from the koji: what was seen last is hot koji, which nobody sees any more."""
    case = Case().hold(600).hold(900, bed=42.0).hold(900, bed=25.0)
    (told,) = [event for event in case.events if event.key == "fell"]
    assert (says(told)["from_c"], says(told)["value"]) == (42.0, 25.0)
    assert [signal for _, signal, _ in case.moves()] == ["on"]
    case.do("probe.back")
    case.hold(300, bed=30.0)
    assert [signal for _, signal, _ in case.moves()] == ["on", "off"]
