"""The box itself: warming up, off, running away, or vented on purpose by whoever answered a hot koji."""

from __future__ import annotations

from collections.abc import Callable
from math import exp
from pathlib import Path

import pytest
from msgspec.structs import replace

from kojimon.engine import EngineSetup, ProbeSetup, advance, initial_state
from kojimon.engine.box_hot import BEYOND_C
from kojimon.model import BoxKind, Priority
from kojimon.schedule.load import load_schedule
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, H, Rows, site
from tests.parts.inputs import says

HOME = Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml"

ROOM = 9
KEY = "limit/bed/temperature/high"


def of_kind(kind: str, setup: EngineSetup) -> EngineSetup:
    return replace(setup, incubators=tuple(replace(box, kind=kind) for box in setup.incubators))


def vented(answered: bool, room_c: float | None, koji_c: float = 30.0, air_c: float = 26.0) -> list[float]:
    """Hours after the koji got hot at which somebody was called because of the box; then its air falls to air_c, the
    koji to koji_c."""
    setup = site()
    if room_c is not None:
        setup = replace(setup, probes=(*setup.probes, ProbeSetup(ROOM, "room", "box", "room", "temperature")))
    rows = Rows(setup)
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    room = {ROOM: room_c} if room_c is not None else {}
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0, MIDDLE: 36.0, HUMIDITY: 80.0, **room}, every_s=60)
    rows.hold(21 * H, {BED: 43.2, AIR: 31.0, MIDDLE: 36.0, HUMIDITY: 80.0, **room}, every_s=60)
    if answered:
        rows.act("alarm.acknowledge", key=KEY)
    for minute in range(300):
        koji = {BED: max(koji_c, 43.2 - minute / 12), MIDDLE: max(koji_c, 36.0 - minute / 12)}
        rows.hold(21 * H + (minute + 1) * 60.0, {AIR: air_c, HUMIDITY: 80.0, **koji, **room}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    calls = [e for e in outcome.events if e.kind == "alarm" and e.key == "box/off" and says(e)["event"] == "on"]
    return [round((event.t_ms - rows.t0_ms) / 3_600_000 - 20, 1) for event in calls]


def test_air_that_falls_after_somebody_answered_hot_koji_is_a_vent_not_a_fault() -> None:
    assert vented(answered=True, room_c=None) == []
    assert vented(answered=True, room_c=19.0) == []
    assert vented(answered=True, room_c=19.0, air_c=22.5) == []


def test_nobody_leaves_a_box_open_until_the_koji_is_cool() -> None:
    assert len(vented(answered=True, room_c=19.0, koji_c=25.0, air_c=22.5)) == 1


def test_once_the_koji_makes_heat_half_the_way_to_the_room_is_a_box_that_is_off() -> None:
    """31 °C falls to 26: of 9 K above the room 4 are left, of 12 K 7."""
    assert len(vented(answered=False, room_c=22.0)) == 1
    assert vented(answered=False, room_c=19.0) == []
    assert len(vented(answered=True, room_c=24.5)) == 1


def test_an_answer_to_rice_that_was_hot_from_the_steamer_says_nothing_of_the_box_a_day_later() -> None:
    setup = site(load_schedule(HOME))
    rows = Rows(replace(setup, probes=(*setup.probes, ProbeSetup(ROOM, "room", "box", "room", "temperature"))))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    steady = {HUMIDITY: 80.0, ROOM: 20.0}
    rows.hold(1 * H, {BED: 44.0, MIDDLE: 44.0, AIR: 31.0, **steady}, every_s=60)
    rows.act("alarm.acknowledge", key=KEY)
    rows.hold(12 * H, {BED: 31.0, MIDDLE: 31.0, AIR: 31.0, **steady}, every_s=60)
    rows.hold(20 * H, {BED: 36.0, MIDDLE: 36.0, AIR: 31.0, **steady}, every_s=60)
    rows.hold(24 * H, {BED: 30.0, MIDDLE: 30.0, AIR: 24.0, **steady}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [e for e in outcome.events if e.kind == "alarm" and e.key == KEY and says(e)["event"] == "ack"]
    assert [e for e in outcome.events if e.kind == "alarm" and e.key == "box/off" and says(e)["event"] == "on"]


def test_while_the_koji_is_hot_nobody_is_woken_for_cold_air() -> None:
    assert vented(answered=False, room_c=22.0, koji_c=36.0) == []


def test_a_room_that_is_not_measured_is_taken_as_cold_once_the_koji_makes_heat() -> None:
    assert vented(answered=False, room_c=None, air_c=24.5) == []
    assert len(vented(answered=False, room_c=None, air_c=23.5)) == 1


@pytest.mark.parametrize(("to_c", "calls"), [(26.5, 0), (None, 0), (31.0, 1)])
def test_a_box_set_cooler_while_the_koji_holds_its_air_is_judged_by_what_it_is_set_to(
    to_c: float | None, calls: int
) -> None:
    """Set at hour 21, koji at 38 °C, air at 31; eight hours later the koji's heat ends and the air falls to 25.5.

    The room is at 21 °C: of 31 °C less than half is left, of 26.5 four fifths.
    """
    setup = site()
    rows = Rows(replace(setup, probes=(*setup.probes, ProbeSetup(ROOM, "room", "box", "room", "temperature"))))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    steady = {HUMIDITY: 80.0, ROOM: 21.0}
    rows.hold(21 * H, {BED: 38.0, MIDDLE: 38.0, AIR: 31.0, **steady}, every_s=60)
    rows.act("box.setpoint", **({} if to_c is None else {"to_c": to_c}))
    rows.hold(29 * H, {BED: 38.0, MIDDLE: 38.0, AIR: 31.0, **steady}, every_s=60)
    rows.hold(33 * H, {BED: 28.0, MIDDLE: 28.0, AIR: 25.5, **steady}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    found = [e for e in outcome.events if e.kind == "alarm" and e.key == "box/off" and says(e)["event"] == "on"]
    assert len(found) == calls


def test_a_box_that_is_off_under_hot_koji_is_told_however_slowly_its_air_falls() -> None:
    """0.6 K an hour from 31 °C: the way down to the room at 21 °C is half gone after 8.3 h, at 26 °C."""
    setup = site()
    rows = Rows(replace(setup, probes=(*setup.probes, ProbeSetup(ROOM, "room", "box", "room", "temperature"))))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(21 * H, {BED: 38.0, MIDDLE: 38.0, AIR: 31.0, HUMIDITY: 80.0, ROOM: 21.0}, every_s=60)
    for minute in range(10 * 60):
        koji = 38.0 - minute / 60
        air = {AIR: 31.0 - 0.6 * minute / 60, HUMIDITY: 80.0, ROOM: 21.0}
        rows.hold(21 * H + (minute + 1) * 60.0, {BED: koji, MIDDLE: koji, **air}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (call,) = [e for e in outcome.events if e.kind == "alarm" and e.key == "box/off" and says(e)["event"] == "on"]
    assert 0 < (call.t_ms - rows.t0_ms) / 3_600_000 - 21 - 8.33 < 1.0


# --- what is usual for the box, and what is not ----------------------------------------------------------------------

ROOM_C = 20.0
Air = Callable[[float], float]


def swing(at_h: float, k: float, minutes: float) -> float:
    """A thermostat's swing, k up and down, short on and long off."""
    part = at_h * 60 % minutes / minutes
    return k * (4 * part - 1 if part < 0.5 else 3 - 4 * part)


def towards(from_c: float, to_c: float, at_h: float, tau_h: float) -> float:
    return to_c + (from_c - to_c) * exp(-max(0.0, at_h) / tau_h)


def box_calls(
    air: Air, hours: float = 16.0, spores_h: float = 0.0, setpoint_h: float | None = None, kind: str = "still",
    events: tuple[str, ...] = ("on",), koji: Air = lambda h: 31.0,
) -> list[tuple[str, float]]:  # fmt: skip
    """(alarm, hours) of each call of the box, under the shipped schedule for home trays."""
    rows = Rows(of_kind(kind, site(load_schedule(HOME))), t_ms=1_000_000)
    rows.act("batch.start")
    minutes = round(hours * 60)
    for minute in range(minutes):
        if minute == round(spores_h * 60):
            rows.act("step.done", step="inoculate", value_c=31.0, override="test")
        if setpoint_h is not None and minute == round(setpoint_h * 60):
            rows.act("box.setpoint")
        beds = {BED: koji(minute / 60), MIDDLE: koji(minute / 60)}
        rows.hold((minute + 1) * 60.0, {**beds, AIR: air(minute / 60), HUMIDITY: 82.6}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    calls = [e for e in outcome.events if e.kind == "alarm" and e.key.startswith("box/") and says(e)["event"] in events]
    return [(event.key, round((event.t_ms - rows.t0_ms) / 3_600_000, 1)) for event in calls]


@pytest.mark.parametrize(
    ("air", "spores_h"),
    [
        (lambda h: min(30.0, 21.0 + 9.0 * h), 0.0),
        (lambda h: 21.0 if h < 9 else min(30.0, 21.0 + 9.0 * (h - 9)), 10.0),
        (lambda h: 21.0 if h < 12 else min(30.0, 21.0 + 9.0 * (h - 12)), 10.0),
        (lambda h: min(30.0, 21.0 + 3.0 * h), 0.0),
        (lambda h: towards(21.0, 32.0, h, 1.5), 0.0),
        (lambda h: towards(21.0, 30.0, h, 0.5) + swing(h, 3.0, 4.0), 0.0),
        (lambda h: towards(21.0, 30.0, h, 0.5) + swing(h, 3.0, 10.0), 0.0),
        (lambda h: 30.0 if h < 8 else towards(30.0, 35.5, h - 8, 0.4), 0.0),
        (lambda h: towards(34.0, 30.0, h - 0.7, 0.3) if h > 0.7 else 21.0 + 13.0 * h / 0.7, 0.0),
        (lambda h: 30.0, 0.0),
    ],
    ids=["with the trays", "before the spores", "after the spores", "slow", "oven light", "fan 4 min", "fan 10 min",
         "set warmer", "overshoots", "long warm"],
)  # fmt: skip
def test_a_box_that_warms_up_or_is_set_warmer_calls_nobody(air: Air, spores_h: float) -> None:
    assert box_calls(air, spores_h=spores_h) == []


@pytest.mark.parametrize("off_h", [1.4, 2.5, 6.0, 12.0])
@pytest.mark.parametrize("ripple_k", [0.0, 3.0])
def test_a_box_that_goes_off_is_told_within_two_hours_however_young_it_is(off_h: float, ripple_k: float) -> None:
    """Air that falls towards its room with a time constant of 1.5 h, after a warm-up within the hour."""

    def air(h: float) -> float:
        warm = min(30.0, 21.0 + 10.0 * h) + swing(h, ripple_k, 7.0)
        return warm if h < off_h else towards(30.0, ROOM_C, h - off_h, 1.5)

    ((key, at_h),) = box_calls(air, hours=off_h + 4)
    assert key == "box/off" and 0 < at_h - off_h <= 2.0


@pytest.mark.parametrize("from_h", [0.0, 1.5, 9.0])
def test_a_heater_that_sticks_is_told_within_the_hour_from_the_stages_highest(from_h: float) -> None:
    """Air climbs 6 K an hour past 36 °C, the most that the shipped schedule allows before the koji warms itself."""

    def air(h: float) -> float:
        return min(30.0, 21.0 + 9.0 * h) if h < from_h else min(50.0, air_at + 6.0 * (h - from_h))

    air_at = min(30.0, 21.0 + 9.0 * from_h)
    passed_h = from_h + (36.0 - air_at) / 6.0
    key, at_h = box_calls(air, hours=passed_h + 2)[0]
    assert key == "box/hot" and 0 < at_h - passed_h <= 0.8


def test_air_that_rests_beyond_the_stage_never_becomes_usual_and_43_degrees_are_always_told() -> None:
    assert box_calls(lambda h: 30.0 if h < 4 else towards(30.0, 40.0, h - 4, 0.5), hours=9)[0][0] == "box/hot"
    assert [key for key, _ in box_calls(lambda h: 43.5, hours=2)] == ["box/hot"]


def stuck(h: float) -> float:
    """Air that a stuck heater takes up slowly: at hour 3.2 past 36 °C, the most in the first stage, to rest at 37."""
    return towards(29.5, 37.0, h - 1.4, 0.9)


def test_a_stuck_heater_whose_air_comes_to_rest_beyond_the_stage_is_told_while_it_warms_the_koji() -> None:
    warmed = lambda h: towards(28.0, 37.0, h, 7.0)  # noqa: E731
    ((key, at_h),) = box_calls(stuck, koji=warmed)
    assert key == "box/hot" and 2.0 < at_h - 3.2 <= 2.8
    later = lambda h: stuck(h - 7)  # noqa: E731
    ((key, at_h),) = box_calls(later, koji=lambda h: 31.0 if h < 8.4 else towards(31.0, 37.0, h - 8.4, 7.0))
    assert key == "box/hot" and 2.0 < at_h - 10.2 <= 2.8, "what was usual before is no 6 K from it"


@pytest.mark.parametrize(
    ("air", "koji", "spores_h"),
    [
        (lambda h: 37.5, lambda h: 30.0, 0.0),
        (lambda h: 37.5 + swing(h, 0.3, 240.0), lambda h: towards(26.0, 31.0, h, 5.0), 0.0),
        (lambda h: 37.5, lambda h: 30.0 if h < 10 else min(34.0, 30.0 + 0.7 * (h - 10)), 0.0),
        (lambda h: towards(40.0, 30.0, h, 4.0), lambda h: towards(44.0, 31.0, h, 4.0), 0.0),
        (lambda h: 39.5, lambda h: towards(21.0, 39.5, h, 7.0), 16.0),
    ],
    ids=["by a lamp", "by a lamp, cool rice", "by a lamp, growth", "rice hot from the steamer", "before the rice"],
)
def test_air_beyond_the_stage_that_warms_no_koji_wakes_nobody(air: Air, koji: Air, spores_h: float) -> None:
    assert "box/hot" not in dict(box_calls(air, koji=koji, hours=15.0, spores_h=spores_h))


def oven_calls(kind: str, on_h: float, per_min: float, answered: str = "") -> list[tuple[float, str, float]]:
    """(minutes after the air passed 60 °C, event, limit) of each call of a box too hot; it climbs from 30 to 180 °C."""
    rows = Rows(of_kind(kind, site(load_schedule(HOME))), t_ms=1_000_000)
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rows.hold(on_h * H, {BED: 31.0, MIDDLE: 31.0, AIR: 30.0, HUMIDITY: 80.0}, every_s=60)
    passed_min = on_h * 60 + 30 / per_min
    for minute in range(round(60 + 30 / per_min)):
        if answered and minute == round(24 / per_min):
            rows.act(answered, key="box/hot", **({"for_s": 3600.0} if answered == "alarm.shelve" else {}))
        air = min(180.0, 30.0 + per_min * (minute + 1))
        values = {BED: 31.0 + (air - 30) / 20, MIDDLE: 31.0, AIR: air, HUMIDITY: 30.0}
        rows.hold(on_h * H + (minute + 1) * 60.0, values, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    by_no = {event.no: event for event in outcome.events}
    calls = [by_no[m.event] for m in outcome.messages if m.priority is Priority.WAKE]
    at = [((e.t_ms - rows.t0_ms) / 60_000 - passed_min, says(e)) for e in calls if e.key == "box/hot"]
    return [(minutes, facts["event"], facts["limit"]) for minutes, facts in at if facts["event"] != "re"]


@pytest.mark.parametrize("kind", BoxKind)
@pytest.mark.parametrize("on_h", [0.2, 10.0, 22.0])
def test_an_oven_that_is_on_calls_at_the_first_reading_of_60_degrees(kind: str, on_h: float) -> None:
    """It passes 43 °C in 3 min and 163 °C in 28: no delay that waits for a thermostat may hold this back."""
    ((minutes, event, limit_c),) = oven_calls(kind, on_h, 4.8)
    assert (event, limit_c) == ("on", 60.0) and 0 <= minutes <= 1.0


@pytest.mark.parametrize(("answered", "calls"), [("", "up"), ("alarm.acknowledge", "up"), ("alarm.shelve", "unshelve")])
def test_a_box_called_too_hot_before_calls_anew_at_60_degrees(answered: str, calls: str) -> None:
    """It climbs 0.5 K a minute: called at 43 °C and more, answered at 54."""
    first, second = oven_calls("still", 22.0, 0.5, answered)
    assert first[1] == "on" and first[2] < 60 and first[0] < 0
    assert second[1:] == (calls, 60.0) and 0 <= second[0] <= 1.0


def test_rice_that_comes_cold_into_the_box_is_no_box_that_is_off() -> None:
    dip = lambda h: 25.5 if 6 <= h < 7.5 else 30.0  # noqa: E731
    assert box_calls(dip, spores_h=6.0) == []
    assert [key for key, _ in box_calls(dip)] == ["box/off"]


def test_a_lid_that_was_open_for_23_minutes_and_is_closed_calls_nobody() -> None:
    dip = lambda h: 20.0 if 6 <= h < 6 + 23 / 60 else 30.0  # noqa: E731
    assert box_calls(dip, hours=8.0) == []


def test_a_box_that_is_off_stays_so_however_long_its_air_rests_there() -> None:
    """It went off on its first way up: what it rests at from then on is its room."""
    air = lambda h: min(30.0, 21.0 + 10.0 * h) if h < 1.4 else towards(30.0, ROOM_C, h - 1.4, 1.5)  # noqa: E731
    assert [key for key, _ in box_calls(air, hours=12.0, events=("on", "off"))] == ["box/off"]


def test_a_box_that_is_set_cooler_for_the_next_batch_is_not_called_off() -> None:
    rows = Rows(of_kind("still", site(load_schedule(HOME))))
    for hours, air_c in ((6, 31.0), (12, 24.5)):
        rows.act("batch.start")
        rows.hold(hours * H, {BED: 24.0, MIDDLE: 24.0, AIR: air_c, HUMIDITY: 80.0}, every_s=60)
        rows.act("batch.discard")
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [event.key for event in outcome.events if event.key.startswith("box/")] == []


def test_a_box_that_is_said_to_be_set_cooler_is_not_called_off() -> None:
    cooler = lambda h: 32.0 if h < 6 else towards(32.0, 27.5, h - 6, 0.7)  # noqa: E731
    assert box_calls(cooler, setpoint_h=6.0) == []
    assert [key for key, _ in box_calls(cooler)] == ["box/off"]
    assert box_calls(cooler, kind="unknown") == []  # half way to a room at 22 °C: it may have no thermostat


def test_no_shipped_schedule_allows_air_as_hot_as_what_is_always_told() -> None:
    files = sorted(HOME.parent.glob("*.yaml"))
    stages = [stage for path in files for stage in load_schedule(path).stages]
    air = [band for stage in stages for band in stage.bands if (band.place, band.quantity) == ("air", "temperature")]
    assert max(limit.limit for band in air for limit in (band.high, band.high_high) if limit) < BEYOND_C
