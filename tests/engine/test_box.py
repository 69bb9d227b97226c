"""The box itself: off, or vented on purpose by whoever answered a hot koji."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.engine import ProbeSetup, advance, initial_state
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, site

ROOM = 9
KEY = "limit/bed/temperature/high"


def vented(answered: bool, room_c: float | None) -> list[float]:
    """Hours after the koji got hot at which somebody was called because of the box; its air falls by 5 K at hour 1."""
    setup = site()
    if room_c is not None:
        setup = replace(setup, probes=(*setup.probes, ProbeSetup(ROOM, "room", "box", "room", "temperature")))
    rows = Rows(setup)
    rows.act("batch.start")
    rows.act("task.done", task="inoculate", value_c=31.0)
    steady = {MIDDLE: 36.0, 4: 80.0} | ({ROOM: room_c} if room_c is not None else {})
    rows.hold(20 * H, {BED: 36.0, AIR: 31.0, **steady}, every_s=60)
    rows.hold(21 * H, {BED: 43.2, AIR: 31.0, **steady}, every_s=60)
    if answered:
        rows.act("alarm.acknowledge", key=KEY)
    rows.hold(26 * H, {BED: 42.6, AIR: 26.0, **steady}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    calls = [e for e in outcome.events if e.kind == "alarm" and e.key == "box/off" and e.data["event"] == "on"]
    return [round((event.t_ms - rows.t0_ms) / 3_600_000 - 20, 1) for event in calls]


def test_air_that_falls_after_somebody_answered_hot_koji_is_a_vent_not_a_fault() -> None:
    assert vented(answered=True, room_c=None) == []
    assert vented(answered=True, room_c=19.0) == []


def test_air_that_falls_by_itself_or_as_far_as_the_room_is_a_box_that_is_off() -> None:
    assert len(vented(answered=False, room_c=19.0)) == 1
    assert len(vented(answered=True, room_c=24.5)) == 1
