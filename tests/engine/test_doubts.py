"""A probe that is perhaps not in the koji is no koji: curves of one that slid to the rim of its tray, or fell out."""

from __future__ import annotations

import pytest

from kojimon.engine import advance, initial_state, view
from kojimon.engine.state import State
from kojimon.model import Outcome, Priority
from kojimon.words import status
from kojimon.words.speech import Speech
from tests.engine.build import AIR, BED, H, Rows, moves
from tests.engine.test_own_heat import Kitchen
from tests.parts.inputs import says

ROOM_C, KOJI_C, RIM_C = 18.5, 34.0, 21.5
COLD, HOT = "limit/bed/temperature/low", "limit/bed/temperature/high"


def mat(koji_c: float = KOJI_C, hours: float = 22.0) -> Rows:
    """Koji on a heat mat, the air around it the room's: it has warmed itself from hour 12 on."""
    rows = Rows(Kitchen.setup("heat-mat", "cloth-and-plastic", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(round(hours * 60)):
        grown_k = min(koji_c - 29.0, max(0.0, 1.0 * (minute / 60 - 12)))
        rows.hold((minute + 1) * 60.0, {BED: 29.0 + grown_k, AIR: ROOM_C}, every_s=60)
    return rows


def slid(rows: Rows, hours: float, to_c: float = RIM_C) -> Rows:
    """The probe lies there for so long."""
    return rows.hold((rows.t_ms - rows.t0_ms) / 1000 + hours * H, {BED: to_c, AIR: ROOM_C}, every_s=60)


def run(rows: Rows) -> tuple[State, Outcome]:
    return advance(initial_state(), rows.take(), rows.t_ms)


def wakes(outcome: Outcome) -> list[str]:
    by_no = {event.no: event for event in outcome.events}
    return [by_no[one.event].key for one in outcome.messages if one.priority is Priority.WAKE]


@pytest.mark.parametrize("marked", [False, True], ids=["fell out", "left on the rim by a mixing"])
def test_a_probe_off_the_koji_over_a_mat_is_asked_about_and_does_not_wake_for_cold(marked: bool) -> None:
    rows = mat()
    if marked:
        rows.act("step.done", step="first-check")
    state, outcome = run(slid(rows, 8.0))
    assert wakes(outcome) == [] and moves(outcome, COLD) == []
    fell = [event for event in outcome.events if (event.kind, event.key) == ("probe-back", "fell")]
    assert [says(event)["probe"] for event in fell] == ["koji-top"]
    assert 600 <= (fell[0].t_ms - rows.t0_ms) / 1000 - 22 * H <= 1800
    box = view(state, rows.t_ms).incubators[0]
    (probe,) = [one for one in box.probes if one.place == "bed"]
    assert probe.doubted and box.ends("bed") is None
    said = status.sentence(box, Speech(fahrenheit=False), rows.t_ms).text
    assert said == "No reading from the koji: probe koji-top shows 21.5 °C, perhaps out of it."


def test_it_ends_no_heat_and_opens_no_harvest() -> None:
    """From hour 34 on heat that is gone would open it; the probe slid slowly enough to look like that."""
    state, _ = run(slid(mat(hours=35.0), 1.0))
    before = state.batches["box"].own_rise_k
    rows = mat(hours=35.0)
    for part in range(1, 9):
        slid(rows, 0.03, KOJI_C - part * (KOJI_C - RIM_C) / 8)
    state, _ = run(slid(rows, 4.0))
    harvest = view(state, rows.t_ms).incubators[0].step("harvest")
    assert harvest is not None and harvest.status == "waiting"
    assert state.batches["box"].own_rise_k == before and state.batches["box"].own_fall == 0.0


def test_a_probe_that_is_hot_calls_however_it_is_doubted() -> None:
    _, outcome = run(slid(slid(mat(), 2.0), 0.5, 46.0))
    assert HOT in wakes(outcome)


def test_where_its_air_is_cold_it_is_heard_about_cold() -> None:
    """A box that is off, or a cold room: nobody can tell whether it lies in the koji, which cools wherever it lies."""
    rows = Rows(Kitchen.setup("oven-light", "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(26 * 60):
        grown_k = min(5.0, max(0.0, 1.0 * (minute / 60 - 12)))
        koji_c, air_c = (29.0 + grown_k, 29.0) if minute < 22 * 60 else (21.0, 29.0 if minute < 23 * 60 else 18.5)
        rows.hold((minute + 1) * 60.0, {BED: koji_c, AIR: air_c}, every_s=60)
    state, outcome = run(rows)
    assert state.doubts and moves(outcome, "box/off") and COLD in wakes(outcome)
    (called,) = [event for event in moves(outcome, COLD) if says(event)["event"] == "on"]
    assert (called.t_ms - rows.t0_ms) / 1000 >= 24 * H, "an hour after the box was told"


def test_at_every_window_of_work_it_is_told_that_the_probe_may_be_out_and_nobody_is_woken() -> None:
    rows = mat(hours=21.0)
    rows.act("step.done", step="first-check")
    state, outcome = run(slid(rows, 20.0))
    windows = [event for event in outcome.events if event.kind in ("step-open", "step-due")]
    asked = [event for event in windows if says(event).get("doubt") == "probe-out"]
    assert [event.key for event in asked] == ["swap", "mix", "mix", "harvest"] and wakes(outcome) == []
    priorities = {message.event: message.priority for message in outcome.messages}
    assert [priorities.get(event.no) for event in asked] == [None] + [Priority.TELL] * 3, "swapping may be left out"
    rows.act("probe.back")
    state, _ = advance(state, rows.take(), rows.t_ms)
    harvest = view(state, rows.t_ms).incubators[0].step("harvest")
    assert not state.batches["box"].unwatched and harvest is not None and harvest.doubt != "probe-out"


@pytest.mark.parametrize("said", [False, True], ids=["it shows it", "somebody says so"])
def test_it_is_koji_again_once_it_shows_it_or_somebody_says_so(said: bool) -> None:
    rows = slid(mat(), 1.0)
    if said:
        rows.act("probe.back")
    state, outcome = run(slid(rows, 2.0, RIM_C if said else 31.0))
    assert not state.doubts and view(state, rows.t_ms).incubators[0].ends("bed") is not None
    assert (COLD in wakes(outcome)) == said, "what is said to be koji, and cold, wakes"


@pytest.mark.parametrize("fall_k", [3.0, 7.5])
def test_a_mixing_is_no_reason_to_doubt(fall_k: float) -> None:
    rows = mat()
    rows.act("step.done", step="first-check")
    for minute in range(180):
        rows.hold(22 * H + (minute + 1) * 60, {BED: KOJI_C - fall_k * (1 - minute / 180), AIR: ROOM_C}, every_s=60)
    state, outcome = run(rows)
    assert not state.doubts and not [event for event in outcome.events if event.key == "fell"]


def test_a_batch_that_ends_takes_the_doubt_with_it() -> None:
    rows = slid(mat(), 1.0)
    rows.act("batch.discard", reason="over")
    state, _ = run(rows)
    assert not state.doubts
