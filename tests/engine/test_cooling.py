"""Harvested koji is watched until it is cool, by a probe or by hand, and woken for only where it warms itself again."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.contract.events import Cooled
from kojimon.engine import EngineSetup, ProbeSetup, advance, initial_state, view
from kojimon.model import Event, Outcome
from kojimon.words.events import Teller
from kojimon.words.speech import Speech
from tests.engine.build import AIR, BED, Rows, kinds, moves, site
from tests.parts.inputs import says

MIN = 60.0
HARVEST_S = 60.0 * MIN
COOLING = "expect/cooling"


def harvested(bed_c: float = 38.0, setup: EngineSetup | None = None) -> Rows:
    rows = Rows(setup)
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(HARVEST_S, {BED: bed_c, AIR: 30.0}, every_s=60)
    rows.act("batch.harvest")
    return rows


def course(rows: Rows, until_min: float, bed: tuple[float, float], air_c: float = 22.0) -> None:
    """A straight line of the koji from now on, a reading a minute."""
    begun_ms, end_ms = rows.t_ms, rows.t0_ms + round((HARVEST_S + until_min * MIN) * 1000)
    while rows.t_ms < end_ms:
        share = (rows.t_ms + 60_000 - begun_ms) / (end_ms - begun_ms)
        rows.hold((rows.t_ms + 60_000 - rows.t0_ms) / 1000, {BED: bed[0] + (bed[1] - bed[0]) * share, AIR: air_c}, 60)


def run(rows: Rows) -> Outcome:
    return advance(initial_state(), rows.take(), rows.t_ms)[1]


def alarm(outcome: Outcome) -> list[tuple[str, str]]:
    return [(says(event)["event"], says(event).get("priority", "log")) for event in moves(outcome, COOLING)]


def told(outcome: Outcome, *wanted: str) -> list[str]:
    teller = Teller(Speech(fahrenheit=True))
    lines = [(event, teller.tell(event)) for event in outcome.events]
    return [line.text for event, line in lines if line and (event.kind in wanted or event.key in wanted)]


def after_min(event: Event, rows: Rows) -> float:
    return (event.t_ms - rows.t0_ms) / 60_000 - HARVEST_S / MIN


def test_koji_that_cools_in_time_is_noted_and_calls_nobody() -> None:
    rows = harvested()
    course(rows, 100, (38.0, 24.0))
    outcome = run(rows)
    said = "The koji of batch first is cool: 76.7 °F at probe koji-top, if that is still in it."
    assert told(outcome, "cooled") == [said]
    assert alarm(outcome) == []
    noted = next(event.no for event in outcome.events if event.kind == "cooled")
    assert noted not in [message.event for message in outcome.messages]


def test_in_a_warm_room_it_is_cool_two_degrees_above_it() -> None:
    plain = site()
    rows = harvested(setup=replace(plain, probes=(*plain.probes, ProbeSetup(9, "room", "box", "room", "temperature"))))
    for c in (38.0, 34.0, 31.0, 28.5):
        rows.hold((rows.t_ms - rows.t0_ms) / 1000 + 600, {BED: c, AIR: 27.0, 9: 27.0}, every_s=60)
    assert [event.what.value_c for event in run(rows).events if isinstance(event.what, Cooled)] == [28.5]


def test_koji_still_warm_after_two_hours_is_told_and_wakes_nobody() -> None:
    rows = harvested()
    course(rows, 150, (38.0, 34.0))
    course(rows, 400, (34.0, 23.0))
    outcome = run(rows)
    assert alarm(outcome) == [("on", "tell"), ("off", "tell")]
    first = moves(outcome, COOLING)[0]
    assert after_min(first, rows) == pytest.approx(120, abs=2)
    assert told(outcome, COOLING) == ["Harvested koji still warm, 95 °F. Spread it thin."]
    assert kinds(outcome, "cooled") != [] and [one.priority for one in outcome.messages][-1] == "tell"


def test_koji_that_warms_itself_again_wakes() -> None:
    rows = harvested()
    course(rows, 60, (38.0, 24.0))
    course(rows, 400, (24.0, 31.0))
    outcome = run(rows)
    assert alarm(outcome) == [("on", "wake")]
    assert told(outcome, COOLING)[0].startswith("Harvested koji warms again, 83 °F")


@pytest.mark.parametrize("air_c", [22.0, 31.0])
def test_a_probe_put_into_the_koji_or_heated_with_its_empty_box_wakes_nobody(air_c: float) -> None:
    """From the table into the bowl it jumps; in a box that is heated for the next batch the air is as warm."""
    rows = harvested()
    course(rows, 30, (26.0, 22.0))
    if air_c < 30:
        course(rows, 31, (34.0, 34.0))
        course(rows, 110, (34.0, 30.0), air_c)
    else:
        course(rows, 200, (22.0, 31.0), air_c)
    outcome = run(rows)
    assert "wake" not in [priority for _, priority in alarm(outcome)]


def test_the_probe_of_an_empty_warm_box_says_nothing() -> None:
    rows = harvested()
    course(rows, 300, (31.0, 31.0), air_c=31.0)
    assert alarm(run(rows)) == []


def test_by_hand_it_is_told_at_once() -> None:
    rows = harvested()
    rows.at(HARVEST_S + 125 * MIN).act("reading", value_c=35.0, tray="top")
    rows.at(HARVEST_S + 300 * MIN).act("reading", value_c=24.0, tray="top")
    outcome = run(rows)
    assert alarm(outcome) == [("on", "tell"), ("off", "tell")]
    assert told(outcome, "cooled") == ["The koji of batch first is cool: 75.2 °F."]


@pytest.mark.parametrize("act", ["batch.start", "batch.reopen"])
def test_it_ends_with_the_next_batch_or_with_the_harvest_taken_back(act: str) -> None:
    rows = harvested()
    course(rows, 150, (38.0, 34.0))
    rows.act(act)
    rows.hold(HARVEST_S + 160 * MIN, {BED: 34.0, AIR: 22.0}, 60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarm(outcome)[:2] == [("on", "tell"), ("off", "tell")]
    listed = [one.key for one in view(state, rows.t_ms).incubators[0].alarms]
    assert (COOLING in listed) == (act == "batch.start"), "taken back, it is of no koji any more"


def by_hand(rows: Rows, *values_c: float) -> None:
    """Read a few seconds apart."""
    for value in values_c:
        rows.at((rows.t_ms + 5000 - rows.t0_ms) / 1000).act("reading", value_c=value, tray="top")


@pytest.mark.parametrize("values_c, said", [
    ((26.7, 32.2), "Harvested koji warms again, 90 °F"),
    ((38.0, 21.0, 37.0), "Harvested koji warms again, 99 °F"),
    ((44.4,), "Harvested koji still warm, 112 °F"),
])  # fmt: skip
def test_harvested_koji_read_warmer_than_before_is_told_at_once(values_c: tuple[float, ...], said: str) -> None:
    rows = harvested()
    rows.at(HARVEST_S + 5 * MIN)
    by_hand(rows, *values_c)
    outcome = run(rows)
    assert alarm(outcome) == [("on", "tell")]
    assert told(outcome, COOLING)[0].startswith(said)


def test_it_stands_while_it_is_read_warm_and_ends_when_it_is_cool() -> None:
    rows = harvested()
    rows.at(HARVEST_S + 5 * MIN)
    by_hand(rows, 21.0, 37.0)
    rows.at(HARVEST_S + 12 * MIN)
    by_hand(rows, 44.0, 30.0)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert alarm(outcome) == [("on", "tell")], "hotter still is not back to normal"
    by_hand(rows, 24.0)
    assert alarm(advance(state, rows.take(), rows.t_ms)[1]) == [("off", "tell")]


def test_a_cool_reading_taken_back_leaves_it_as_it_was_and_raises_nothing() -> None:
    rows = harvested()
    rows.at(HARVEST_S + 5 * MIN)
    by_hand(rows, 37.8, 21.1)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (cool,) = [event.no for event in outcome.events if event.kind == "reading"][1:]
    rows.act("reading.undo", reading=cool)
    state, outcome = advance(state, rows.take(), rows.t_ms)
    assert alarm(outcome) == [] and state.ended["box"].cooled_ms == -1
    by_hand(rows, 41.5)
    state, outcome = advance(state, rows.take(), rows.t_ms)
    assert alarm(outcome) == [("on", "tell")]
    (hot,) = [event.no for event in outcome.events if event.kind == "reading"]
    rows.act("reading.undo", reading=hot)
    outcome = advance(state, rows.take(), rows.t_ms)[1]
    assert alarm(outcome) == [("off", "tell")] and says(moves(outcome, COOLING)[0])["ended"] == "undone"
