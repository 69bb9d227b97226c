"""Every named scenario can be run, is the same again from the same seed, and does what its name says."""

from __future__ import annotations

import itertools
from collections import Counter
from statistics import median

import pytest

from kojisim.scenarios import EXCURSIONS, SCENARIOS, night
from kojisim.world import World

HOURS = 47.0


def _world(name: str, seed: int, hours: float) -> World:
    world = World(SCENARIOS[name](seed), seed)
    world.advance(hours * 3600.0)
    return world


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_scenario_is_the_same_from_the_same_seed(name: str) -> None:
    one, other = _world(name, 9, 3.0), _world(name, 9, 3.0)
    assert one.truth() == other.truth()
    samples = one.read()
    assert samples == other.read()
    assert len(samples) > 1000


def test_other_seeds_give_other_batches() -> None:
    trays = Counter(len(SCENARIOS["healthy"](seed).params.trays) for seed in range(60))
    assert set(trays) == {2, 3, 4}
    rooms = {round(SCENARIOS["healthy"](seed).params.room.mean_c, 3) for seed in range(60)}
    assert len(rooms) == 60


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_silent_probes_stay_silent(seed: int) -> None:
    world = _world("probe_silent", seed, HOURS)
    last = {s.name: s.at_s for s in world.read()}
    for name, at_s in last.items():
        assert (at_s < 36 * 3600.0) == name.startswith("bed")


@pytest.mark.slow
def test_radio_gaps_last_at_most_20_minutes() -> None:
    world = _world("radio_gaps", 4, HOURS)
    times = [s.at_s for s in world.read() if s.name == "bed"]
    gaps = [(later - earlier) / 60.0 for earlier, later in itertools.pairwise(times)]
    assert sum(gap > 1.0 for gap in gaps) == 6
    assert max(gaps) < 20.5


@pytest.mark.slow
def test_lid_openings_are_seen_in_the_air_and_not_in_the_koji() -> None:
    world = World(SCENARIOS["lid_openings"](2), 2)
    falls = []
    while world.time_s < 30 * 3600.0:
        before = world.truth()
        world.advance(world.time_s + 120.0)
        after = world.truth()
        if after["lid_open"] and not before["lid_open"]:
            falls.append((before["air_c"] - after["air_c"], before["bed_mean_c"] - after["bed_mean_c"]))
    assert falls
    assert max(air for air, _ in falls) > 1.0
    assert max(bed for _, bed in falls) < 0.3


def test_hot_rice_is_read_and_gone_again() -> None:
    world = _world("probe_in_hot_rice", 1, 16.5)
    values = [s.value for s in world.read() if s.name == "bed" and s.at_s > 3 * 3600.0]
    assert max(values) > 60.0
    assert values[-1] < 35.0


def test_serial_device_is_pulled_and_comes_back() -> None:
    world = World(SCENARIOS["serial_unplugged"](3), 3)
    plugged = []
    while world.time_s < 32 * 3600.0:
        world.advance(world.time_s + 60.0)
        plugged.append(world.plugged)
    assert 9 <= plugged.count(False) <= 13
    assert plugged[-1]


def test_a_third_of_the_nights_have_an_excursion() -> None:
    names = Counter(night(seed).name for seed in range(300))
    real = sum(count for name, count in names.items() if name != "night")
    assert real / 300 == pytest.approx(1 / 3, abs=0.08)
    assert {name for name in names if name != "night"} == {f"night/{make.__name__}" for make in EXCURSIONS}


def test_probe_left_out_reads_lower_than_the_koji() -> None:
    world = _world("probe_left_out", 5, 33.0)
    late = [s.value for s in world.read() if s.name == "bed" and s.at_s > 32 * 3600.0]
    assert median(late) < world.truth()["trays"][0]["mean_c"] - 2.0


def test_acts_change_what_they_name() -> None:
    world = World(SCENARIOS["healthy"](1), 1)
    world.advance(1200.0)
    if world.inoculated_s is None:
        world.act("inoculate")
    box, places = world.incubator.box, list(world.incubator.places)
    area = world.incubator.trays[0].area
    for act in ("unwrap", "spread", "furrow", "swap_trays", "box_off"):
        world.act(act)
    world.act("vent", level=0.5)
    world.act("set_box", temp_c=27.0)
    world.act("open_lid", minutes=5)
    world.act("towel", there=False)
    assert world.incubator.places == places[1:] + places[:1]
    assert world.incubator.trays[0].area == pytest.approx(1.2 * area)
    assert (box.mains, box.vent, box.setpoint_c, box.lid_open, box.towel) == (False, 0.5, 27.0, True, False)
    world.advance(world.time_s + 301.0)
    assert not box.lid_open


def test_harvested_koji_cools_to_the_room() -> None:
    world = World(SCENARIOS["healthy"](1), 1)
    world.advance(30 * 3600.0)
    world.act("harvest")
    world.advance(34 * 3600.0)
    truth = world.truth()
    assert truth["harvested"]
    assert truth["bed_max_c"] < 33.0


def test_second_inoculation_is_refused() -> None:
    world = _world("healthy", 1, 2.0)
    with pytest.raises(ValueError, match="inoculated already"):
        world.act("inoculate")
