"""Koji that warms itself, and rice that its box, mat, room or drying warms: one lump in kitchens of all kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import exp, pi, sin

import pytest
from msgspec.structs import replace

from kojimon.engine import advance, initial_state, view
from kojimon.engine.setup import EngineSetup
from kojimon.engine.state import ConditionState, State
from kojimon.model import Event, Priority
from kojimon.schedule.load import load_schedule
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, site
from tests.engine.test_box import HOME
from tests.parts.inputs import says

At = Callable[[float], float]
NEVER: At = lambda h: 0.0  # noqa: E731
UNKNOWN = ("warmth", "unknown")
DEAD_BY_H = 28.0
"""Asked for: by then koji that does not grow is told of."""


def lump(around: At, own: At, tau_h: float, beyond: At, start_c: float) -> Iterator[float]:
    """°C of rice minute by minute: it follows what is around it with a time constant, `beyond` it by so much (K), and
    has risen by `own` K of its own heat."""
    followed = start_c
    for minute in range(48 * 60):
        at_h = minute / 60
        followed += (around(at_h) + beyond(at_h) - followed) * (1 - exp(-1 / 60 / tau_h))
        yield followed + own(at_h)


def growth(onset_h: float) -> At:
    """K of its own heat: doubling every 1.5 h, 1 K at the onset and 9 K at most."""
    return lambda h: min(9.0, 2 ** ((h - onset_h) / 1.5)) if h > onset_h - 6 else 0.0


class Kitchen:
    """A batch with a probe in the koji and one beside it, a reading a minute; only spores and a mixing are marked.

    `recognised_h`: when its own heat was first taken for real; `told_h`: when it was told that there is none.
    """

    def __init__(
        self, around: At, own: At = NEVER, tau_h: float = 2.0, beyond: At = NEVER, start_c: float = 31.0,
        kind: str = "unknown", cover: str = "unknown", air: At | None = None, hours: float = 30.0,
        mixed_h: float | None = None, seen: bool = True,
    ) -> None:  # fmt: skip
        rows = Rows(self.setup(kind, cover, seen))
        rows.act("batch.start")
        rows.act("step.done", step="inoculate", value_c=31.0, override="test")
        rice = list(lump(around, own, tau_h, beyond, start_c))
        for minute in range(round(hours * 60)):
            if mixed_h is not None and minute == round(mixed_h * 60):
                rows.act("step.done", step="first-check")
            since = None if mixed_h is None else minute / 60 - mixed_h
            dip_k = 3.0 * exp(-since / tau_h) if since is not None and since >= 0 else 0.0
            values = {AIR: (air or around)(minute / 60), **({BED: rice[minute] - dip_k} if seen else {})}
            rows.hold((minute + 1) * 60.0, values, every_s=60)
        self.state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
        self.box = view(self.state, rows.t_ms).incubators[0]

        def hour(event: Event) -> float:
            return (event.t_ms - rows.t0_ms) / 3_600_000

        self.unknown = [(round(hour(e)), says(e)["doubt"]) for e in outcome.events if (e.kind, e.key) == UNKNOWN]
        self.told_h = [hour(e) for e in outcome.events if e.key == "expect/self-warming" and says(e)["event"] == "on"]
        self.over_h = [hour(e) for e in outcome.events if e.key == "expect/self-warming" and says(e)["event"] == "off"]
        self.stages = {e.key: hour(e) for e in outcome.events if e.kind == "stage"}
        since_ms = self.state.batches["box"].conditions.get("own-heat", ConditionState()).since_ms
        self.recognised_h = None if since_ms < 0 else (since_ms - rows.t0_ms) / 3_600_000

    @staticmethod
    def setup(kind: str, cover: str, seen: bool) -> EngineSetup:
        setup = site(load_schedule(HOME))
        wanted = (BED, AIR) if seen else (AIR,)
        boxes = tuple(replace(one, kind=kind, cover=cover) for one in setup.incubators)
        return replace(setup, incubators=boxes, probes=tuple(one for one in setup.probes if one.no in wanted))


def night(h: float) -> float:
    """A room: 3 K up and down by day and night."""
    return 21.0 + 3.0 * sin(2 * pi * (h - 3) / 24)


def ripple(h: float) -> float:
    return 30.0 + 2.5 * sin(2 * pi * h * 60 / 7)


KITCHENS = {
    "still": {"around": lambda h: 30.0},
    "fan, wrapped, rippling": {"around": ripple, "tau_h": 0.5, "cover": "cloth-and-plastic", "kind": "fan"},
    "mat": {"around": lambda h: 23.0, "beyond": lambda h: 9.6, "tau_h": 3.0},
    "mat, room by day and night": {"around": night, "beyond": lambda h: 10.0, "tau_h": 1.0, "kind": "heat-mat"},
    "oven, room by day and night": {"around": lambda h: night(h) + 8.5, "tau_h": 1.5, "kind": "oven-light"},
    "cold rice": {"around": lambda h: 30.0, "start_c": 20.0, "tau_h": 3.0},
    "under the air, wrapped": {"around": lambda h: 31.0, "beyond": lambda h: -2.5, "cover": "cloth-and-plastic"},
}


@pytest.mark.parametrize("name", KITCHENS)
def test_dead_rice_is_told_by_hour_28_and_never_taken_for_koji(name: str) -> None:
    found = Kitchen(**KITCHENS[name])  # type: ignore[arg-type]
    assert found.recognised_h is None
    assert [round(at_h) for at_h in found.told_h] == [26] and found.told_h[0] <= DEAD_BY_H
    assert found.stages["growing"] >= 28.0, "by the clock alone"


@pytest.mark.parametrize("name", KITCHENS)
@pytest.mark.parametrize("onset_h", [10.0, 16.0])
def test_living_koji_is_recognised_within_two_hours_of_a_rise_of_its_own_of_1_k(name: str, onset_h: float) -> None:
    found = Kitchen(**KITCHENS[name], own=growth(onset_h), hours=onset_h + 5)  # type: ignore[arg-type]
    assert found.recognised_h is not None
    # Two hours, to the round in which the half hour ends; more where a heater or a moving room hides a part of it, and
    # most where a room that cools takes as much from koji on a mat as that makes.
    most_h = 4.6 if name == "mat, room by day and night" else 3.6 if "mat" in name or "day and night" in name else 2.1
    assert -1.0 <= found.recognised_h - onset_h <= most_h
    assert found.told_h == []


def step(at_h: float, by_k: float, tau_h: float = 0.4) -> At:
    return lambda h: 30.0 + (by_k * (1 - exp(-(h - at_h) / tau_h)) if h > at_h else 0.0)


@pytest.mark.parametrize("tau_h", [0.5, 2.0, 4.0])
@pytest.mark.parametrize(
    "around",
    [lambda h: 21.0 if h < 2 else step(2, 9.0)(h) - 9.0 + 0.0, step(10, 4.0), step(10, -5.0),
     lambda h: step(10, -5.0)(h) + step(14, 5.0)(h) - 30.0, lambda h: night(h) + 8.0],
    ids=["switched on", "set warmer", "set cooler", "off for four hours", "by day and night"],
)  # fmt: skip
def test_what_the_box_does_is_no_growth_however_slowly_the_rice_follows(around: At, tau_h: float) -> None:
    found = Kitchen(around, tau_h=tau_h)
    assert found.recognised_h is None and len(found.told_h) == 1


def test_koji_that_still_cools_in_a_box_that_is_off_is_not_said_to_warm_itself() -> None:
    """Off at hour 10; the koji follows more slowly than its air, and rises at hour 16 by what it grows."""
    off: At = lambda h: 30.0 if h < 10 else 18.0 + 12.0 * exp(-(h - 10) / 1.2)  # noqa: E731
    own, tau_h = growth(15.0), 2.2
    koji = list(lump(off, own, tau_h, NEVER, 31.0))
    found = Kitchen(off, own, tau_h, kind="fan", cover="cloth-and-plastic", hours=24.0)
    assert found.recognised_h is not None and koji.index(min(koji)) / 60 <= found.recognised_h <= 18.5


@pytest.mark.parametrize("rose_k", [0.0, 2.0])
@pytest.mark.parametrize("air_per_h", [6.0, 8.0, 15.0])
def test_koji_that_its_box_heats_keeps_the_lower_limits_of_koji_that_does_not_grow(
    air_per_h: float, rose_k: float
) -> None:
    """From hour 10 on the air runs away and the koji, risen by itself or not, follows by 4 K an hour: 40 °C, the limit
    of koji that is still settling in, is passed at hour 12.25 or a little later, and waits five minutes."""
    rows = Rows(Kitchen.setup("unknown", "unknown", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(14 * 60):
        ran_h = max(0.0, minute / 60 - 10)
        koji_c = 31.0 - rose_k * (1 - min(1.0, minute / 600)) + 4.0 * ran_h
        rows.hold((minute + 1) * 60.0, {BED: koji_c, AIR: min(70.0, 30.0 + air_per_h * ran_h)}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [event.key for event in outcome.events if event.kind == "stage"] == ["settling"]
    hot = next(event for event in outcome.events if event.key == "limit/bed/temperature/high")
    assert says(hot)["limit"] == 40.0 and (hot.t_ms - rows.t0_ms) / 3_600_000 <= 12.5
    assert rose_k or state.batches["box"].own_rise_k < 0.5


@pytest.mark.parametrize("tau_h", [0.5, 2.0, 4.0])
@pytest.mark.parametrize("mat_k", [0.0, 9.6])
def test_rice_that_comes_back_from_a_mixing_did_not_warm_itself(tau_h: float, mat_k: float) -> None:
    found = Kitchen(lambda h: 29.0 - mat_k, beyond=lambda h: mat_k, tau_h=tau_h, mixed_h=20.0)
    assert found.recognised_h is None and len(found.told_h) == 1


@pytest.mark.parametrize("lives", [True, False])
def test_koji_in_a_warm_box_that_nothing_measures_is_known_by_how_far_it_rises_after_a_mixing(lives: bool) -> None:
    """Only the room is measured. Mixed at hour 20, it may lie elsewhere by its lamp; that explains some K, and no more
    is explained by a room that gets warmer."""
    own: At = lambda h: 10.0 * min(1.0, max(0.0, h - 17) / 8) * lives  # noqa: E731
    found = Kitchen(night, own=own, beyond=lambda h: 10.0 + (h > 20), kind="oven-light", mixed_h=20.0)
    assert (found.recognised_h is not None and found.recognised_h < 26.0) if lives else found.recognised_h is None


def test_rice_that_dries_warms_up_to_the_air_and_grows_no_mould_by_that() -> None:
    """From 10 K under the air of a fan box at hour 8 to that of the air, fast at the end."""
    dries = lambda h: min(0.0, -10.0 + max(0.0, 0.4 * (h - 8)) + max(0.0, 1.5 * (h - 25)))  # noqa: E731
    for kind, cover in (("fan", "open"), ("unknown", "unknown")):
        found = Kitchen(lambda h: 32.0, beyond=dries, tau_h=0.5, kind=kind, cover=cover)
        assert found.recognised_h is None


SET_WARMER: At = lambda h: 26.0 + 6.0 * (h >= 20)  # noqa: E731


@pytest.mark.parametrize(("around", "tau_h", "start_c"), [
    (SET_WARMER, 3.0, 26.0), (SET_WARMER, 4.0, 26.0), (lambda h: 32.0, 3.0, 18.0), (lambda h: 32.0, 5.0, 18.0),
])  # fmt: skip
def test_thick_wrapped_rice_that_a_fan_s_air_warms_is_no_koji(around: At, tau_h: float, start_c: float) -> None:
    """Slower than trays in moving air usually are; it comes up to the air hours after that, and never beyond it."""
    found = Kitchen(
        around, tau_h=tau_h, start_c=start_c, kind="fan", cover="cloth-and-plastic", hours=41.0
    )  # fmt: skip
    assert found.recognised_h is None and len(found.told_h) == 1
    assert found.box.step("harvest").doubt == "not-warmed"  # type: ignore[union-attr]


@pytest.mark.parametrize("rose_k", [1.0, 5.5])
def test_a_koji_probe_alone_that_the_box_warmed_to_31_5_cannot_tell(rose_k: float) -> None:
    rows = alone(lambda h: 31.5 - rose_k * (1.0 if h < 20 else exp(-(h - 20) / 2)), 41.0)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [says(e)["doubt"] for e in outcome.events if (e.kind, e.key) == UNKNOWN] == ["heater"]
    harvest = view(state, rows.t_ms).incubators[0].step("harvest")
    assert harvest is not None and harvest.doubt == "heater"


def alone(bed: At, hours: float, kind: str = "fan") -> Rows:
    """A probe in the koji and nothing else."""
    setup = Kitchen.setup(kind, "cloth-and-plastic", True)
    rows = Rows(replace(setup, probes=tuple(one for one in setup.probes if one.no == BED)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(round(hours * 60)):
        rows.hold((minute + 1) * 60.0, {BED: bed(minute / 60)}, every_s=60)
    return rows


def cooling(off_h: float) -> At:
    """Koji that grows to 36 °C from hour 14 on, in a box that goes off: half of its heat goes on."""
    return lambda h: 30.0 + min(6.0, max(0.0, h - 14)) if h < off_h else 27.0 + 9.0 * exp(-(h - off_h) / 5)


def told_to_cool(rows: Rows) -> list[tuple[float, Priority | None]]:
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    priority = {one.event: one.priority for one in outcome.messages}
    told = [event for event in outcome.events if (event.kind, event.key) == ("warmth", "cools")]
    return [((one.t_ms - rows.t0_ms) / 3_600_000, priority.get(one.no)) for one in told]


def test_a_koji_probe_alone_tells_within_four_hours_that_koji_cools_and_wakes_nobody() -> None:
    """Its own low limit, 26 °C, is never reached: without this nothing was said at all."""
    ((at_h, priority),) = told_to_cool(alone(cooling(21.0), 38.0, kind="still"))
    assert 22.0 <= at_h <= 25.0 and priority is Priority.TELL


@pytest.mark.parametrize("kind", ["fan", "heat-mat"])
def test_a_heater_that_sticks_unseen_is_no_growth_and_calls_at_40_degrees(kind: str) -> None:
    """From hour 8 on the air goes to 48 °C, and the rice after it by up to 4 K an hour; only the rice is measured."""
    air: At = lambda h: 30.0 if h < 8 else 48.0 - 18.0 * exp(-(h - 8))  # noqa: E731
    rice = list(lump(air, NEVER, 2.2, NEVER, 31.0))
    rows = alone(lambda h: rice[round(h * 60)], 13.0, kind)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    stages = {event.key: (event.t_ms - rows.t0_ms) / 3_600_000 for event in outcome.events if event.kind == "stage"}
    called = [says(event)["limit"] for event in outcome.events
              if event.key == "limit/bed/temperature/high" and says(event)["event"] == "on"]  # fmt: skip
    assert "growing" not in stages and called[0] == 40.0


@pytest.mark.parametrize(
    "bed",
    [lambda h: 30.0 + min(8.0, max(0.0, h - 14)) - 5.0 * exp(-max(0.0, h - 24) / 2) * (h >= 24),
     lambda h: 30.0 + min(8.0, max(0.0, h - 14)) - 0.4 * max(0.0, h - 30),
     lambda h: 31.0 + sin(2 * pi * (h - 3) / 24) * 1.4],
    ids=["a mixing", "growth that slows down", "a room by day and night"],
)  # fmt: skip
def test_koji_alone_that_a_mixing_cools_or_that_cools_slowly_is_left_in_peace(bed: At) -> None:
    assert told_to_cool(alone(bed, 36.0, kind="still")) == []


def test_koji_that_cools_once_its_box_was_turned_down_is_left_in_peace() -> None:
    bed = cooling(21.0)
    rows = alone(bed, 20.9, kind="still")
    rows.act("box.setpoint", to_c=25.0)
    for minute in range(5 * 60):
        rows.hold(20.9 * H + (minute + 1) * 60.0, {BED: bed(20.9 + minute / 60)}, every_s=60)
    assert told_to_cool(rows) == []


def test_the_peaks_of_a_fan_s_thermostat_do_not_hide_that_koji_grows() -> None:
    """Air from 27 to 37 °C and back within 20 min: at its peaks it is hot enough to heat the koji, in its mean not."""
    swings: At = lambda h: 32.0 + 5.0 * sin(2 * pi * h * 3)  # noqa: E731
    own: At = lambda h: min(6.0, max(0.0, 0.25 * (h - 10)))  # noqa: E731
    found = Kitchen(swings, own, tau_h=1.0, kind="fan", cover="cloth-and-plastic")
    assert found.recognised_h is not None and found.recognised_h <= 15.0
    assert found.stages["growing"] <= found.recognised_h + 2.1, "a rise that lasts two hours"
    assert Kitchen(swings, tau_h=1.0, kind="fan", cover="cloth-and-plastic").recognised_h is None


def test_where_it_cannot_be_known_nothing_is_claimed() -> None:
    blind = Kitchen(lambda h: 30.0, seen=False)
    assert blind.told_h == [] and blind.box.warmth_untold == "no-probe" and blind.stages["growing"] >= 28.0
    wet = {"around": lambda h: 32.0, "beyond": lambda h: -10.0, "tau_h": 0.5, "kind": "fan"}
    dries = Kitchen(**wet, cover="open")  # type: ignore[arg-type]
    assert dries.told_h == [] and dries.box.warmth_untold == "drying"
    wrapped = Kitchen(**wet, cover="cloth-and-plastic")  # type: ignore[arg-type]
    assert len(wrapped.told_h) == 1 and wrapped.box.warmth_untold == ""


def test_rice_that_rises_a_little_on_a_mat_is_not_claimed_to_be_koji_nor_dead() -> None:
    """The mat's thermostat, or drying, lifts it by 1.2 K in six hours: so does koji whose mat turns its heat down."""
    found = Kitchen(lambda h: 23.0, beyond=lambda h: 8.0 + 0.2 * min(6.0, max(0.0, h - 9)), kind="heat-mat")
    assert found.recognised_h is None and found.told_h == [] and found.box.warmth_untold == "heater"
    assert found.unknown == [(26, "heater")], "said once, when it should have warmed itself"


def cools(h: float) -> float:
    """A room that falls by 6 K in an evening."""
    return 24.0 - min(6.0, max(0.0, h - 10))


@pytest.mark.parametrize(("kind", "room", "above_k", "part"), [
    ("heat-mat", night, 9.0, 0.0), ("heat-mat", night, 9.0, 0.5), ("heat-mat", cools, 9.0, 0.0),
    ("heat-mat", cools, 9.0, 0.5), ("heat-mat", cools, 9.0, 1.0), ("heat-mat", cools, 1.5, 0.0),
    ("unknown", night, 9.0, 0.0), ("unknown", cools, 9.0, 0.5),
])  # fmt: skip
def test_a_room_that_cools_grows_no_koji_on_a_mat(kind: str, room: At, above_k: float, part: float) -> None:
    """Its thermostat keeps the koji warm while the room falls by 6 K; `part`: the koji follows by so much of it."""
    found = Kitchen(room, beyond=lambda h: above_k + (1 - part) * (24.0 - room(h)), tau_h=1.0, kind=kind)
    assert found.recognised_h is None and found.stages["growing"] >= 28.0, "by the clock alone"
    assert len(found.told_h) + len(found.unknown) == 1, "one verdict"


def test_a_tray_that_dried_out_gets_one_verdict() -> None:
    """From 10 K under the air at hour 8 to that of the air at hour 20, as dry rice: grown or not is hidden."""
    dries = lambda h: min(0.0, -10.0 + max(0.0, 0.9 * (h - 8)))  # noqa: E731
    for hours in (12.0, 22.0, 27.0, 41.0):
        found = Kitchen(lambda h: 32.0, beyond=dries, tau_h=0.5, kind="fan", cover="open", hours=hours)
        assert found.told_h == [] and found.box.warmth_untold == "drying"
        assert found.unknown == ([(26, "drying")] if hours > 26 else [])
        assert hours < 40 or found.box.step("harvest").doubt == "drying"  # type: ignore[union-attr]


def test_dry_rice_half_a_k_beyond_the_air_by_two_probes_is_no_koji() -> None:
    rice = Kitchen(lambda h: 31.0, own=lambda h: min(11.6, 0.31 * h), start_c=20.0, kind="fan", cover="cloth",
                   tau_h=0.5, beyond=lambda h: -10.8, hours=41.0)  # fmt: skip
    assert (rice.recognised_h, rice.box.warmth_untold) == (None, "drying")


def test_koji_is_seen_to_grow_although_its_trays_are_swapped_at_every_mixing() -> None:
    rows = Rows(Kitchen.setup("still", "unknown", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rice = list(lump(lambda h: 30.0, growth(24.0), 2.0, NEVER, 31.0))
    for minute in range(36 * 60):
        if minute / 60 in (21.0, 24.0, 27.0, 30.5):
            rows.act("step.done", step="swap")
        rows.hold((minute + 1) * 60.0, {AIR: 30.0, BED: rice[minute]}, every_s=60)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    assert state.batches["box"].own_rise_k >= 1.0


def test_rice_that_rose_with_its_box_is_neither_called_dead_nor_growing() -> None:
    box = Kitchen(
        lambda h: 26.0 + 8.0 * (h >= 22), kind="oven-light", cover="cloth", tau_h=2.0, start_c=27.0, hours=26.5
    )
    assert (box.recognised_h, box.told_h, box.box.warmth_untold) == (None, [], "box-warmer")
    later = Kitchen(
        lambda h: 26.0 + 8.0 * (h >= 22), kind="oven-light", cover="cloth", tau_h=2.0, start_c=27.0, hours=36.0
    )
    assert (later.recognised_h, len(later.told_h)) == (None, 1)


def test_over_a_mat_the_limit_of_growing_koji_calls_anew_after_that_of_koji_that_settles_in() -> None:
    """It rises by 1.5 K an hour from hour 9 on and has risen enough to be called growing before hour 18: 40 °C calls,
    is acknowledged, and 43 °C calls again."""
    rows, key = Rows(Kitchen.setup("heat-mat", "cloth", True)), "limit/bed/temperature/high"
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(17 * 60):
        rows.hold((minute + 1) * 60.0, {BED: 32.6 + max(0.0, 1.5 * (minute / 60 - 9)), AIR: 23.0}, every_s=60)
        if minute == 15 * 60:
            rows.act("alarm.acknowledge", key=key)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    on, up = (e for e in outcome.events if e.key == key and says(e)["event"] in ("on", "up"))
    assert [(says(e)["event"], says(e)["limit"]) for e in (on, up)] == [("on", 40.0), ("up", 43.0)]
    assert "growing" in [e.key for e in outcome.events if e.kind == "stage"]
    assert 15.9 <= (up.t_ms - rows.t0_ms) / 3_600_000 <= 16.2
    assert any(message.event == up.no and message.priority is Priority.WAKE for message in outcome.messages)


def test_a_box_that_runs_away_early_calls_at_40_and_at_43_and_again_in_the_next_stage() -> None:
    """Acknowledged at 40; then the stage changes over koji that is hotter than either of its limits."""
    rows = Rows(Kitchen.setup("fan", "unknown", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(29 * 60):
        koji_c = max(
            30.0, min(47.0, 30 + (minute / 60 - 14) * (2 if minute < 22 * 60 else 0.0) if minute < 21 * 60 else 44.0)
        )
        rows.hold((minute + 1) * 60.0, {AIR: koji_c + 1, BED: koji_c}, every_s=60)
        if koji_c == 41.0:
            rows.act("alarm.acknowledge", key="limit/bed/temperature/high")
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    found = [says(e) for e in outcome.events if e.key == "limit/bed/temperature/high"]
    by = {one["event"]: one for one in found if one["event"] in ("on", "up", "down")}
    assert (by["on"]["limit"], by["up"]["limit"], by["down"].get("limit_now")) == (40.0, 43.0, 43.0)


def test_a_late_starter_ends_what_was_told() -> None:
    found = Kitchen(lambda h: 30.0, own=growth(30.0), hours=34)
    assert len(found.told_h) == 1 and len(found.over_h) == 1 and found.recognised_h is not None


def test_a_batch_that_is_joined_in_its_warmth_goes_by_heights() -> None:
    """Nobody watched before hour 6, so no rise can be counted."""
    rows = Rows(Kitchen.setup("unknown", "unknown", True), t_ms=200_000_000)
    rows.act("batch.start", hour0_t_ms=rows.t_ms - 20 * 3_600_000)
    rows.hold(1 * H, {BED: 37.0, AIR: 31.0}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [e.key for e in outcome.events if e.kind == "stage"] == ["settling", "growing"]


def test_no_limits_for_the_air_over_a_mat_nor_for_damp_where_a_fan_blows() -> None:
    def guarded(kind: str) -> set[tuple[str, str]]:
        return {(band.place, band.quantity) for band in Kitchen(lambda h: 23.0, kind=kind, hours=1).box.bands}

    bed, air, damp = ("bed", "temperature"), ("air", "temperature"), ("air", "humidity")
    assert guarded("heat-mat") == {bed}
    assert guarded("fan") == {bed, air}
    assert guarded("still") == guarded("unknown") == {bed, air, damp}


def batch_of(koji: dict[int, At], air: At, hours: float, done: dict[float, str], kind: str, cover: str) -> State:
    """Koji as its probes show it, under that air, with work marked as done at those hours."""
    setup = Kitchen.setup(kind, cover, True)
    rows = Rows(replace(setup, probes=tuple(one for one in site().probes if one.no in (*koji, AIR))))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(round(hours * 60)):
        if minute / 60 in done:
            rows.act("step.done", step=done[minute / 60])
        rows.hold((minute + 1) * 60.0, {no: at(minute / 60) for no, at in {**koji, AIR: air}.items()}, every_s=60)
    return advance(initial_state(), rows.take(), rows.t_ms)[0]


@pytest.mark.parametrize(("apart_k", "seen"), [(0.3, True), (2.0, False)])
def test_koji_of_swapped_trays_is_known_by_a_rise_beyond_what_its_places_differ(apart_k: float, seen: bool) -> None:
    """2 K of its own from hour 20 on; swapped at hour 21, where nothing was known of places 4 K apart."""
    own: At = lambda h: min(2.0, max(0.0, h - 20))  # noqa: E731
    koji: dict[int, At] = {
        BED: lambda h: 30.0 + own(h) + apart_k * (h >= 21), MIDDLE: lambda h: 30.0 + own(h) + apart_k * (h < 21)
    }  # fmt: skip
    state = batch_of(koji, lambda h: 29.0, 24.0, {21.0: "swap"}, "fan", "cloth-and-plastic")
    assert (state.batches["box"].own_rise_k >= 0.7) is seen


@pytest.mark.parametrize("lives", [True, False])
def test_a_mixing_cools_the_slow_courses_as_it_cools_the_koji(lives: bool) -> None:
    """A heater that sticks for half an hour, a mixing that takes what it gave: the koji grows on from where it was."""
    air: At = lambda h: 37.0 if 12 <= h < 12.5 else 30.0  # noqa: E731
    before, after = (list(lump(one, NEVER, 1.5, NEVER, 30.0)) for one in (air, lambda h: 30.0))
    grown: At = lambda h: min(3.0, max(0.0, 0.35 * (h - 11))) * lives  # noqa: E731
    koji: dict[int, At] = {BED: lambda h: (before if h < 12.75 else after)[round(h * 60)] + grown(h)}
    state = batch_of(koji, air, 15.0, {12.75: "first-check"}, "fan", "cloth-and-plastic")
    assert (state.batches["box"].own_rise_k >= 0.7) is lives


def test_koji_that_lags_behind_its_warmer_air_is_no_rice_that_dries() -> None:
    """Its box was off for four hours; back in warm air it comes up to that, and 1.5 K beyond it in the next hours."""
    air: At = lambda h: 22.0 if 8 <= h < 12 else 30.0  # noqa: E731
    rice = list(lump(air, lambda h: min(2.5, max(0.0, 0.5 * (h - 17))), 2.0, lambda h: -0.3, 30.0))
    state = batch_of({BED: lambda h: rice[round(h * 60)]}, air, 21.0, {}, "oven-light", "cloth")
    assert state.batches["box"].own_rise_k >= 0.7


def test_a_rise_that_growth_or_drying_may_have_made_is_not_called_a_lack_of_growth() -> None:
    """2.8 K under the air at hour 10 and 1 K under it at hour 26, as rice that dries in still air, or as koji."""
    koji: At = lambda h: 30.0 - max(0.4, 2.8 - 0.11 * max(0.0, h - 10))  # noqa: E731
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(41 * 60):
        rows.hold((minute + 1) * 60.0, {BED: koji(minute / 60), AIR: 30.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [says(e)["doubt"] for e in outcome.events if (e.kind, e.key) == UNKNOWN] == ["drying"]
    assert not [e for e in outcome.events if e.key == "expect/self-warming"]
    harvest = view(state, rows.t_ms).incubators[0].step("harvest")
    assert harvest is not None and harvest.doubt == "drying"


def test_what_was_told_at_26_hours_is_taken_back_for_a_rise_that_came_later() -> None:
    koji: At = lambda h: 30.0 - 2.8 + 0.16 * max(0.0, h - 26)  # noqa: E731
    found = Kitchen(lambda h: 30.0, own=lambda h: koji(h) - 30.0, kind="still", cover="cloth", hours=41.0)
    harvest = found.box.step("harvest")
    assert len(found.told_h) == 1 and harvest is not None and harvest.doubt == "drying"


@pytest.mark.parametrize(("rose_k", "told_h"), [(0.2, [26.0]), (0.5, [27.5]), (0.9, [])])
def test_koji_that_has_half_of_its_rise_at_26_hours_is_given_until_27_and_a_half(
    rose_k: float, told_h: list[float]
) -> None:
    found = Kitchen(lambda h: 30.0, own=lambda h: rose_k * min(1.0, max(0.0, (h - 20) / 5)), kind="still")
    assert [round(at_h, 1) for at_h in found.told_h] == told_h


def test_koji_that_comes_to_half_of_its_rise_once_its_lack_was_told_is_not_told_of_anew() -> None:
    """Mixed at 27.25: whatever is marked has everything derived anew."""
    found = Kitchen(lambda h: 30.0, own=lambda h: 0.5 * (h > 25.75), kind="still", mixed_h=27.25)
    assert ([round(at_h, 1) for at_h in found.told_h], found.over_h) == ([26.0], [])
