"""What the air of a box means hangs on its kind: over a mat nothing, without a thermostat only beside its room."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, pi, sin

import pytest
from msgspec.structs import replace

from kojimon.engine import ProbeSetup, advance, initial_state, view
from kojimon.model import Priority
from kojimon.schedule.load import load_schedule
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, Rows, site
from tests.engine.test_box import HOME, ROOM, of_kind
from tests.parts.inputs import says

At = Callable[[float], float]


class Watched:
    """A batch under the shipped schedule for home trays, by what a box of a kind shows: °C at an hour."""

    def __init__(
        self, kind: str, air: At, hours: float, room: At | None = None, koji: At = lambda h: 31.0,
        set_h: float | None = None, to_c: float = 0.0, mixed_h: float | None = None,
    ) -> None:  # fmt: skip
        setup = of_kind(kind, site(load_schedule(HOME)))
        if room is not None:
            setup = replace(setup, probes=(*setup.probes, ProbeSetup(ROOM, "room", "box", "room", "temperature")))
        rows = Rows(setup)
        rows.act("batch.start")
        rows.act("step.done", step="inoculate", value_c=31.0, override="test")
        for minute in range(round(hours * 60)):
            at_h = minute / 60
            if set_h is not None and minute == round(set_h * 60):
                rows.act("box.setpoint", to_c=to_c)
            if mixed_h is not None and minute == round(mixed_h * 60):
                rows.act("step.done", step="mix", override="test")
            values = {BED: koji(at_h), MIDDLE: koji(at_h), AIR: air(at_h), HUMIDITY: 80.0}
            rows.hold((minute + 1) * 60.0, {**values, **({ROOM: room(at_h)} if room else {})}, every_s=60)
        state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
        self.untold = view(state, rows.t_ms).incubators[0].off_untold
        by_no = {event.no: event for event in outcome.events}
        calls = [(by_no[message.event], message.priority) for message in outcome.messages]
        self.told = {event.key for event, _ in calls if says(event).get("event") in ("on", "up")}
        self.off = [
            (priority, round((event.t_ms - rows.t0_ms) / 3_600_000, 1))
            for event, priority in calls if event.key == "box/off" and says(event)["event"] in ("on", "up")
        ]  # fmt: skip


def night(from_c: float, to_c: float, at_h: float) -> float:
    """A room that cools from hour 6 on with a time constant of 3 h."""
    return to_c + (from_c - to_c) * exp(-max(0.0, at_h - 6) / 3)


@pytest.mark.parametrize("kind", ["heat-mat", "unknown"])
@pytest.mark.parametrize("measured", [False, True])
def test_air_that_follows_its_room_over_a_mat_calls_nobody(kind: str, measured: bool) -> None:
    room = lambda h: night(23.0, 17.0, h)  # noqa: E731
    found = Watched(kind, lambda h: room(h) + 0.5, 16, room if measured else None)
    assert found.off == []
    assert found.untold == ("mat" if kind == "heat-mat" else "room")


@pytest.mark.parametrize("kind", ["oven-light", "unknown"])
def test_without_a_thermostat_air_that_falls_with_its_room_is_no_box_that_is_off(kind: str) -> None:
    room = lambda h: night(22.0, 17.0, h)  # noqa: E731
    assert Watched(kind, lambda h: room(h) + 8.0, 16, room).off == []
    off = Watched(kind, lambda h: room(h) + 8.0 * exp(-max(0.0, h - 8) / 1.5), 16, room)
    ((priority, at_h),) = off.off
    assert priority is Priority.WAKE and 0 < at_h - 8 <= 2.0 and off.untold == ""


def test_a_lamp_in_a_room_that_cools_from_the_first_hour_on_is_no_box_that_is_off() -> None:
    """11 K above a room that falls from 15 °C to 8 in a night under warm rice: it never comes to rest."""
    room = lambda h: 8.0 + 7.0 * exp(-h / 4)  # noqa: E731
    on = lambda h: room(h) + 11.0 + 5.0 * exp(-h / 1.5)  # noqa: E731
    assert Watched("oven-light", on, 16, room).off == []
    dark = lambda h: on(h) if h < 6 else room(h) + 11.0 * exp(-(h - 6) / 1.2)  # noqa: E731
    ((_, at_h),) = Watched("oven-light", dark, 16, room).off
    assert 0 < at_h - 6 <= 2.0


@pytest.mark.parametrize("off_h", [10, 20])
def test_a_mat_that_goes_off_is_told_where_its_room_is_measured_and_wakes_nobody(off_h: float) -> None:
    """8 K above its room, over koji that warms itself from hour 16 on and is under 34 °C."""
    room = lambda h: 19.0 + 2.0 * sin(2 * pi * (h - 16) / 24)  # noqa: E731
    koji = lambda h: 30.0 + min(3.5, max(0.0, h - 16))  # noqa: E731
    on, off = (lambda h: room(h) + 8.0), (lambda h: room(h) + 8.0 * exp(-max(0.0, h - off_h) / 1.2))
    assert Watched("heat-mat", on, 30, room, koji).off == Watched("heat-mat", off, 30, None, koji).off == []
    found = Watched("heat-mat", off, 30, room, koji)
    ((priority, at_h),) = found.off
    assert priority is Priority.TELL and 0 < at_h - off_h <= 2.0 and found.untold == ""


def test_a_mat_whose_air_has_not_come_to_rest_in_a_cold_room_is_not_called_off() -> None:
    room = lambda h: 9.0 + 6.0 * exp(-h / 4)  # noqa: E731
    assert Watched("heat-mat", lambda h: room(h) + 8.0 + 6.0 * exp(-h / 1.5), 16, room).off == []


@pytest.mark.parametrize("off", [True, False])
def test_a_lamp_whose_room_is_not_measured_is_told_and_wakes_nobody(off: bool) -> None:
    """The room falls by 8 K in a night, or the lamp goes off at hour 8: by the air alone they are the same."""
    cold = lambda h: night(22.0, 14.0, h) + 8.0  # noqa: E731
    dark = lambda h: 20.0 + 10.0 * exp(-max(0.0, h - 8) / 1.5)  # noqa: E731
    assert [priority for priority, _ in Watched("oven-light", dark if off else cold, 20).off] == [Priority.TELL]


@pytest.mark.parametrize("own_heat", [True, False])
def test_air_that_hot_koji_heats_is_no_box_that_runs_away_where_none_may_hold_it(own_heat: bool) -> None:
    koji = lambda h: 31.0 + min(12.0, max(0.0, (h - 14) * 1.5)) * own_heat  # noqa: E731
    found = Watched("unknown", lambda h: 30.0 + min(9.0, max(0.0, (h - 16) * 1.2)), 28, koji=koji)
    assert ("box/hot" in found.told) is not own_heat


def test_a_thermostat_that_cannot_hold_its_air_in_a_cold_room_is_told() -> None:
    room = lambda h: night(22.0, 8.0, h)  # noqa: E731
    assert Watched("oven-light", lambda h: room(h) + 8.0, 16, room).off == []
    assert len(Watched("still", lambda h: room(h) + 8.0, 16, room).off) == 1


def test_a_box_set_to_nearly_its_rooms_temperature_is_not_called_off() -> None:
    """Set from 30 °C to 25 in a room at 23: it gets there in two hours and stays."""
    air = lambda h: 30.0 if h < 5.6 else 25.2 + 4.8 * exp(-(h - 5.6) / 0.6)  # noqa: E731
    for kind in ("still", "unknown"):
        assert Watched(kind, air, 16, lambda h: 23.0, set_h=5.6, to_c=25.0).off == []


def test_a_box_that_goes_off_after_it_was_set_cooler_is_told() -> None:
    air = lambda h: 32.0 if h < 5 else max(27.0, 32.0 - 4 * (h - 5)) if h < 10 else 18.0 + 9.0 * exp(-(h - 10) / 1.5)  # noqa: E731
    ((priority, at_h),) = Watched("still", air, 16, lambda h: 18.0, set_h=5.0, to_c=27.0).off
    assert priority is Priority.WAKE and 0 < at_h - 10 <= 2.0


@pytest.mark.parametrize("kind", ["still", "unknown"])
def test_a_dead_box_turned_up_because_it_got_cold_is_told(kind: str) -> None:
    """Off at hour 6 in a room at 17 °C; the rice holds its air at 21. Set to 33 °C, that is no level to learn."""
    air = lambda h: 30.0 if h < 6 else 21.0 + 9.0 * exp(-(h - 6) / 0.7)  # noqa: E731
    ((priority, at_h),) = Watched(kind, air, 16, lambda h: 17.0, set_h=6.8, to_c=33.0).off
    assert priority is Priority.WAKE and 0 < at_h - 6.8 <= 2.5


def test_a_box_that_is_off_when_the_harvest_is_open_is_told_and_wakes_once_the_koji_falls() -> None:
    """Off at hour 42; the koji then stays at 31 °C, or falls 2 K an hour and is at 28 °C at hour 43.5."""
    air = lambda h: 31.0 if h < 42 else 20.0 + 11.0 * exp(-(h - 42) / 1.0)  # noqa: E731
    grown = lambda h: 31.0 if h < 20 else 36.0 if h < 40 else 31.0  # noqa: E731
    stays = Watched("still", air, 48, lambda h: 20.0, grown)
    assert [priority for priority, _ in stays.off] == [Priority.TELL]
    falls = Watched("still", air, 48, lambda h: 20.0, lambda h: grown(h) if h < 42 else max(20.0, 31.0 - 2 * (h - 42)))
    assert [priority for priority, _ in falls.off] == [Priority.TELL, Priority.WAKE]
    assert 43.5 <= falls.off[1][1] <= 43.8
    may = Watched("unknown", air, 48, lambda h: 20.0, lambda h: grown(h) if h < 42 else max(20.0, 31.0 - 2 * (h - 42)))
    assert [priority for priority, _ in may.off] == [Priority.TELL], "koji that is done falls in a vented box as well"


def test_koji_that_was_mixed_late_in_cold_air_is_told_and_wakes_nobody() -> None:
    """Air near its room's from hour 42 on; koji at 29 °C that a mixing at hour 43 takes to 25 within an hour."""
    air = lambda h: 31.0 if h < 42 else 20.0 + 11.0 * exp(-(h - 42) / 0.3)  # noqa: E731
    koji = lambda h: 31.0 if h < 20 else 36.0 if h < 40 else 29.0 if h < 43 else max(25.0, 29.0 - 4 * (h - 43))  # noqa: E731
    found = Watched("still", air, 46, lambda h: 20.0, koji, mixed_h=43.0)
    assert [priority for priority, _ in found.off] == [Priority.TELL]


def test_koji_that_is_warm_in_air_as_cold_as_its_room_may_lie_on_a_mat_and_nothing_is_said() -> None:
    warm, cold = (lambda h: 31.0), (lambda h: max(21.5, 31.0 - 2 * h))
    low = {"limit/air/temperature/low", "limit/bed/temperature/low"}
    assert Watched("unknown", lambda h: 21.2, 10, koji=warm).told & low == set()
    assert Watched("unknown", lambda h: 21.2, 10, koji=cold).told & low == {"limit/bed/temperature/low"}
    assert "limit/air/temperature/low" in Watched("still", lambda h: 21.2, 10, koji=warm).told


def test_where_no_probe_is_in_the_koji_cold_air_is_told_in_a_box_of_unknown_kind() -> None:
    setup = of_kind("unknown", site(load_schedule(HOME)))
    rows = Rows(replace(setup, probes=tuple(probe for probe in setup.probes if probe.place != "bed")))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rows.hold(4 * 3600.0, {AIR: 21.2}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert "limit/air/temperature/low" in {event.key for event in outcome.events if event.kind == "alarm"}


def cooling(h: float) -> float:
    """Koji that makes its heat between hour 14 and 28, and then cools by 0.7 K an hour."""
    if h < 24:
        return min(36.0, 28.0 + 2.0 * max(0.0, h - 14))
    return max(29.0, 36.0 - 1.75 * (h - 24)) - 0.7 * max(0.0, h - 28)


@pytest.mark.parametrize("kind", ["oven-light", "unknown"])
@pytest.mark.parametrize(("left", "told"), [(0.0, True), (0.67, False)])
def test_koji_that_cools_ahead_of_its_air_holds_up_that_of_a_lamp_that_is_off(
    kind: str, left: float, told: bool
) -> None:
    """Of the 10 K of a lamp in a room at 17 °C the koji alone leaves 6 at hour 28; a vent a little more."""

    def air(h: float) -> float:
        if h < 28:
            return 27.0 + 0.4 * (cooling(h) - 28.0)
        return 17.0 + max(0.55 * (cooling(h) - 17.0), left * (10.0 + 0.4 * (cooling(h) - 28.0)))

    off = Watched(kind, air, 30.4, lambda h: 17.0, cooling).off
    assert [priority for priority, _ in off] == [Priority.TELL] * told
    assert all(0 < at_h - 28 <= 2.3 for _, at_h in off)


@pytest.mark.parametrize("kind", ["oven-light", "unknown"])
def test_warm_koji_in_a_box_that_may_be_vented_wakes_nobody_until_it_is_cool(kind: str) -> None:
    """Two fifths of 10 K are left from hour 22 on. The koji stays at 30 °C, or is at 28 °C at hour 25."""
    air = lambda h: 27.0 if h < 22 else 21.0 + 6.0 * exp(-(h - 22) / 0.3)  # noqa: E731
    grown = lambda h: 28.0 + min(5.0, max(0.0, h - 14)) - min(3.0, 2 * max(0.0, h - 21))  # noqa: E731
    stays = Watched(kind, air, 27, lambda h: 17.0, grown)
    assert [priority for priority, _ in stays.off] == [Priority.TELL]
    falls = Watched(kind, air, 27, lambda h: 17.0, lambda h: grown(h) - 0.8 * max(0.0, h - 22.5))
    assert [priority for priority, _ in falls.off] == [Priority.TELL, Priority.WAKE]
    assert 25.0 <= falls.off[1][1] <= 25.2
