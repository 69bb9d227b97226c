"""Kitchens against figures from outside. "Derived" is arithmetic on published values, spelled out beside it.

Seeds from 3000: constants were chosen on others.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import tan
from random import Random
from statistics import median

import pytest

from kojisim.kitchens import CASES, COVERS, KINDS, MAT_W_M2, NAMED, kitchen
from kojisim.physics.air import saturation_pa, vapour_pa, wet_bulb_c
from kojisim.physics.box import Box, Room
from kojisim.physics.cover import VAPOUR_PER_H, film_balance, film_kg_s_m2_pa, holes_kg_s_pa
from kojisim.physics.growth import Germination, temperature_factor
from kojisim.physics.incubator import Incubator
from kojisim.physics.params import BoxParams, GrowthParams, IncubatorParams, RoomParams, TrayParams
from kojisim.physics.tray import Tray
from kojisim.scenarios import SCENARIOS
from kojisim.world import World
from tests.parts.size import size

H = 3600.0
JUDGES = range(3000, 3000 + size(3, 8))
STILL_ROOM = RoomParams(mean_c=20.0, swing_c=0.0, wander_c=0.0, humidity_pct=50.0)


def seeded(kind: str, seed: int, cover: str | None = None, case: str = "healthy", hands: str = "bedside") -> World:
    """A kitchen without probes, at the moment its spores are on."""
    made = kitchen(kind, cover, case, seed)  # type: ignore[arg-type]
    world = World(replace(made, probes=(), hands=hands, inoculate_c=32.0), seed)  # type: ignore[arg-type]
    while world.inoculated_s is None:
        world.advance(world.time_s + 60.0)
    return world


def to_hour(world: World, hour: float) -> None:
    assert world.inoculated_s is not None
    world.advance(world.inoculated_s + hour * H)


def hottest(world: World) -> float:
    return max(tray.mean_c for tray in world.incubator.trays)


# -- heat of growth ----------------------------------------------------------------------------------------------------


def test_heat_of_sake_koji_is_what_was_measured() -> None:
    """K. Sato, J. Brew. Soc. Japan 87:874-879 (1992), as tabulated in a published design of a koji room: sake rice
    makes 380-440 kJ per kg dry in all, 30 kJ/h (8.33 W) at its peak, and 80 % of it leaves as vapour."""
    totals, peaks, shares = [], [], []
    for seed in range(3000, 3000 + size(6, 24)):
        world = World(replace(SCENARIOS["mixed"](seed), probes=()), seed)
        peak_w, inc = 0.0, world.incubator
        while world.harvested_s is None:
            world.advance(world.time_s + 60.0)
            peak_w = max(peak_w, sum(tray.growth_w for tray in inc.trays))
        dry_kg = sum(tray.p.white_rice_kg * (1 - tray.p.rice_water) for tray in inc.trays)
        book = inc.box.ledger
        totals.append(book.metabolic_j / dry_kg / 1e3)
        peaks.append(peak_w / dry_kg)
        shares.append(book.evaporated_kg * 2.43e6 / book.metabolic_j)
    print(f"total {min(totals):.0f}-{max(totals):.0f}, median {median(totals):.0f} kJ/kg dry; peak {min(peaks):.1f}-"
          f"{max(peaks):.1f}, median {median(peaks):.1f} W/kg dry; as vapour {median(shares):.2f}")  # fmt: skip
    assert 380.0 <= median(totals) <= 440.0
    assert median(peaks) == pytest.approx(8.33, rel=0.1)
    assert all(value == pytest.approx(8.33, rel=0.2) for value in peaks)
    assert median(shares) == pytest.approx(0.8, abs=0.15)


# -- fan ---------------------------------------------------------------------------------------------------------------


def test_wet_rice_in_moving_warm_air_stands_near_the_wet_bulb() -> None:
    """FAO Irrigation and Drainage Paper 56 gives the wet bulb, which it cannot fall under; a maker's manual of a dryer
    allows up to 10 °C between its air and moist food. Air is averaged over the ripple."""
    apart = []
    for seed in JUDGES:
        world = seeded("fan", seed, "open", hands="none")
        to_hour(world, 2.0)
        airs, vapours = [], []
        for _ in range(60):
            world.advance(world.time_s + 60.0)
            airs.append(world.incubator.box.air_c)
            vapours.append(world.incubator.box.vapour_pa)
        air_c = sum(airs) / 60
        koji_c = min(tray.mean_c for tray in world.incubator.trays)
        assert wet_bulb_c(air_c, sum(vapours) / 60) < koji_c
        apart.append(air_c - koji_c)
    print("koji under the air of an open fan box, K: " + " ".join(f"{one:.1f}" for one in apart))
    assert median(apart) <= 10.0
    assert all(5.0 <= one <= 12.0 for one in apart)


@pytest.mark.parametrize(("speed_m_s", "published"), [(0.5, 0.190), (1.0, 0.248)])
def test_drying_of_a_wet_surface_agrees_with_the_pool_formula(speed_m_s: float, published: float) -> None:
    """ASHRAE's formula for pools, (0.089 + 0.0782 v)/Y kg/(s m2 kPa), against heat transfer 5.7 + 3.8 v of Juerges with
    the analogy of heat and vapour; both from memory. Published low-speed formulas lie up to a factor of 4 apart (ASHRAE
    Trans. 101(1) paper 3841), so within a third is agreement."""
    ours_kg_h_kpa = VAPOUR_PER_H * (5.7 + 3.8 * speed_m_s) * 1e3 * H
    assert ours_kg_h_kpa == pytest.approx(published, rel=0.33)


def test_air_of_a_fan_box_swings_by_a_few_degrees_within_minutes() -> None:
    """A maker's theory of operation: the air coasts "a few degrees" up and the heater comes on "several degrees" below;
    its dial begins at 85 °F. A period of 4-10 minutes is from memory."""
    for seed in JUDGES:
        world = seeded("fan", seed, case="dead", hands="none")
        to_hour(world, 3.0)
        airs = []
        for _ in range(180):
            world.advance(world.time_s + 20.0)
            airs.append(world.incubator.box.air_c)
        mean = sum(airs) / len(airs)
        risings = sum(early < mean <= late for early, late in pairwise(airs))
        assert 3.0 <= max(airs) - min(airs) <= 12.0
        assert 4 <= risings <= 20, risings
        assert world.scenario.params.box.setpoint_c >= 29.4


# -- plastic with holes ------------------------------------------------------------------------------------------------


def test_film_measured_at_one_thickness_fits_the_handbook_at_another() -> None:
    """LDPE measured, 40 um: 11.7 g/(m2 d) at 38 °C and 90 % (PMC4554610, table 1). A handbook table has 15.5-31 at
    25 um in the same test."""
    permeance = film_kg_s_m2_pa(11.7, 40.0, 25.0)
    assert 15.5 <= permeance * 0.9 * saturation_pa(38.0) * 86_400e3 <= 31.0
    assert TrayParams().film_kg_s_m2_pa == pytest.approx(film_kg_s_m2_pa(11.7, 40.0, 12.0), rel=0.03)


def test_holes_pass_little_and_by_their_width() -> None:
    """Stefan's flow through holes, derived: 25 holes of 5 mm pass 0.28 g/h from 95 to 25 % at 32 °C; ten holes of 1 mm
    as much as one of 10 mm."""
    step_pa = 0.7 * saturation_pa(32.0)
    assert holes_kg_s_pa(25, 5e-3) * step_pa * H * 1e3 == pytest.approx(0.28, rel=0.03)
    assert holes_kg_s_pa(10, 1e-3) == pytest.approx(holes_kg_s_pa(1, 1e-2), rel=0.03)


def test_drops_form_under_the_dew_point_and_not_over_it() -> None:
    """A published design of a koji room: the dew point of air of 30 °C and 70 % is 23.9 °C."""
    dry = film_balance(30.0, 0.70, 18.2, 10.0, 10.0)
    wet = film_balance(30.0, 0.70, 17.0, 10.0, 10.0)
    assert dry.temp_c > 23.9 and dry.drops_kg_s_m2 == 0.0
    assert wet.temp_c < 23.9 and wet.drops_kg_s_m2 > 0.0
    # Wet rice at 35 under film in air of 30 °C: up to 33 g/(m2 h) with equal coefficients (derived).
    assert 15.0 <= film_balance(35.0, 0.97, 30.0, 10.0, 10.0).drops_kg_s_m2 * H * 1e3 <= 40.0


def test_wrapped_koji_keeps_its_water_and_open_koji_loses_it() -> None:
    """Film with 25 holes passes 2-4 g/(m2 h) (derived from the film and hole figures above)."""
    for seed in JUDGES:
        wrapped, bare = seeded("fan", seed, hands="none"), seeded("fan", seed, "open", hands="none")
        lost = []
        for world in (wrapped, bare):
            before = sum(tray.weight_kg for tray in world.incubator.trays)
            area = sum(tray.area for tray in world.incubator.trays)
            to_hour(world, 6.0)
            lost.append((before - sum(tray.weight_kg for tray in world.incubator.trays)) * 1e3 / 6.0 / area)
        assert 1.0 <= lost[0] <= 4.5
        assert lost[1] > 30.0 * lost[0]


# -- mat ---------------------------------------------------------------------------------------------------------------


def test_a_mat_is_as_strong_as_its_maker_says() -> None:
    """18 W on 250 x 530 mm (a maker's page)."""
    assert pytest.approx(18.0 / (0.25 * 0.53), rel=0.01) == MAT_W_M2


def test_bare_mat_is_as_warm_as_published() -> None:
    """35-40 °C bare at full power in a room of 21-24 °C: 13-16 °C above it (a page on seed mats). 10 W/(m2 K) from its
    upper face, the lower one insulated."""
    area = 0.1325
    params = BoxParams(volume_m3=0.5, outer_ua=500.0, inner_ua=500.0, leak_m3_s=0.05, setpoint_c=99.0,
                       towel_kg_s_pa=0.0, heater_w=MAT_W_M2 * area, heater_capacity=500.0,
                       heater_ua=10.0 * area, cold=True)  # fmt: skip
    inc = Incubator(IncubatorParams(trays=(), box=params, room=STILL_ROOM), Random(1), 20.0)
    inc.box.mains, inc.outside = True, False
    inc.advance(4 * H)
    assert 13.0 <= inc.box.heater_c - inc.room.temp_c <= 16.0


def test_food_on_a_mat_stands_as_far_over_the_room_as_makers_say() -> None:
    """Makers' pages: soil 5.5-11 °C over the room; fermenting food under a towel about 5.5."""
    found = []
    for seed in range(3000, 3030):
        world = seeded("heat-mat", seed, case="dead", hands="none")
        if world.scenario.params.box.setpoint_c > 90.0:
            to_hour(world, 14.0)
            found.append(hottest(world) - world.incubator.room.temp_c)
    print("koji on a mat without a thermostat over its room, K: " + " ".join(f"{one:.1f}" for one in sorted(found)))
    assert len(found) >= 5
    assert 5.5 <= median(found) <= 11.0


def test_all_heat_of_a_mat_through_rice_makes_a_lethal_underside() -> None:
    """Fourier, derived: 136 W/m2 through 3 cm at 0.2 W/(m K) drop 20.4 °C."""
    p = TrayParams(white_rice_kg=1.0, load_kg_m2=10.0, layers=12, conductivity=0.2, bottom_h=0.0001, top_h=10.0,
                   bulk_density=1.365 * 10.0 / 0.03)  # fmt: skip
    tray = Tray(p, GrowthParams(), 25.0)
    for _ in range(4000):
        tray.step(60.0, 22.0, 0.0, MAT_W_M2 * tray.area)
    across = (tray.temp[-1] - tray.temp[0]) * 12 / 11
    assert across == pytest.approx(20.4, rel=0.02)


# -- lamp --------------------------------------------------------------------------------------------------------------


def empty_box(power_w: float, params: BoxParams, room_c: float) -> Box:
    return Box(replace(params, heater_w=power_w, cold=True), Room(replace(STILL_ROOM, mean_c=room_c), 18.0, Random(1)))


BUCKET = BoxParams(volume_m3=0.015, outer_ua=4.0, inner_ua=16.0, air_capacity=100.0, wall_capacity=5000.0,
                   setpoint_c=99.0, leak_m3_s=5e-5, heater_capacity=200.0, heater_ua=1.0,
                   towel_kg_s_pa=0.0)  # fmt: skip


def test_bucket_with_a_bulb_warms_and_cools_as_written_down() -> None:
    """A cook's page: 40 W bulb in a bucket of 15 L, room 20 °C: 24 after 10 min, 27 after 20, 30 after 40; bulb off, 27
    after 4 min and 24 ten minutes later. Within 1.5 °C, cooling within 2: it cooled faster than it had warmed, which no
    box of constant walls does."""
    box, told = empty_box(40.0, BUCKET, 20.0), {}
    box.mains = True
    for second in range(0, 3241, 20):
        if second in (600, 1200, 2400, 2640, 3240):
            told[second] = box.air_c
        box.mains = second < 2400
        box.step(20.0, 0.0, 0.0, 1.0)
    print("bucket: " + ", ".join(f"{at // 60} min {air:.1f}" for at, air in told.items()))
    for second, written in ((600, 24.0), (1200, 27.0), (2400, 30.0), (2640, 27.0), (3240, 24.0)):
        assert told[second] == pytest.approx(written, abs=1.5 if second <= 2400 else 2.0), second


def test_tank_with_bulbs_holds_what_was_read() -> None:
    """A gardener's page: a glass tank of 33 gal in a room of about 24 °C: 34 °C with 40 W, 38-39 with 60 W. The wall's
    4.0 W/K is fitted to the first; the second judges."""
    tank = replace(BUCKET, volume_m3=0.125, outer_ua=4.7, inner_ua=28.0, leak_m3_s=1e-4, wall_capacity=20e3)
    airs = []
    for power_w in (40.0, 60.0):
        box = empty_box(power_w, tank, 24.0)
        box.mains = True
        for _ in range(3000):
            box.step(20.0, 0.0, 0.0, 1.0)
        airs.append(box.air_c)
    assert airs[0] == pytest.approx(34.0, abs=0.5)
    assert 38.0 <= airs[1] <= 39.5


def test_ovens_with_a_lamp_hold_what_cooks_read() -> None:
    """Cooks' pages: 23-26 °C after an hour or more, another 38; lamps of 15-40 W."""
    for seed in range(3000, 3020):
        params = kitchen("oven-light", seed=seed).params
        assert 15.0 <= params.box.heater_w <= 40.0
        assert 23.0 <= params.room.mean_c + params.box.heater_w / params.box.outer_ua <= 38.0


# -- air used up -------------------------------------------------------------------------------------------------------


def test_tight_box_uses_its_air_up_as_reckoned() -> None:
    """440 kJ/mol O2 (Biotechnol. Bioeng. 30(5):650-660), sake koji at its peak 1.5 L O2 an hour per kg dry, derived:
    28 L fall from 21 to 15 % in 1.1 h. And 1 W makes 0.20 L of carbon dioxide an hour at 25 °C."""
    box = Box(BoxParams(volume_m3=0.028, leak_m3_s=0.0), Room(STILL_ROOM, 18.0, Random(1)))
    box.air_c, hours = 25.0, 0.0
    while box.oxygen > 0.15:
        box.breathe(60.0, 8.33)
        hours += 1 / 60
    assert hours == pytest.approx(1.1, rel=0.1)
    assert box.carbon_dioxide * 28.0 / hours / 8.33 == pytest.approx(0.20, rel=0.03)


def test_fresh_air_that_holds_two_percent_is_what_was_reckoned() -> None:
    """0.08 m3/h of fresh air per kg dry hold 2 % of carbon dioxide at the peak of sake koji (derived)."""
    box = Box(BoxParams(volume_m3=0.03, leak_m3_s=0.08 / H), Room(STILL_ROOM, 18.0, Random(1)))
    for _ in range(600):
        box.breathe(60.0, 8.33)
    assert box.carbon_dioxide == pytest.approx(0.02, rel=0.1)


def test_koji_in_a_tight_cooler_runs_out_of_air() -> None:
    least = []
    for seed in JUDGES:
        world = World(replace(SCENARIOS["still-tight"](seed), probes=(), hands="bedside"), seed)
        lowest = 1.0
        while (world.hour or 0.0) < 40.0:
            world.advance(world.time_s + 600.0)
            lowest = min(lowest, world.incubator.box.oxygen)
        least.append(lowest)
    print("least oxygen, %: " + " ".join(f"{100 * one:.1f}" for one in least))
    assert median(least) < 0.15 and all(one < 0.17 for one in least)


# -- thin trays --------------------------------------------------------------------------------------------------------


def slab(load_kg_m2: float, depth_m: float, **given: float) -> Tray:
    p = TrayParams(white_rice_kg=1.0, load_kg_m2=load_kg_m2, layers=20, conductivity=0.2,
                   bulk_density=1.365 * load_kg_m2 / depth_m, **given)  # type: ignore[arg-type]  # fmt: skip
    return Tray(p, GrowthParams(), 30.0)


def test_thin_layer_with_a_source_stands_as_the_textbook_says() -> None:
    """Slab of 2 cm, 2465 W/m3, 0.2 W/(m K), 10 W/(m2 K) on both faces: q L/2h + q L^2/8k = 3.08 °C in the middle over
    the air. In steps of 20 s, where explicit conduction over 1 mm bears 3.6 s."""
    tray = slab(6.7, 0.02, top_h=10.0, bottom_h=10.0)
    tray._heat = [2465.0 * tray.area * 0.02 / 20] * 20
    for _ in range(3000):
        tray.step(20.0, 30.0, 0.0, 0.0)
    assert tray.at_depth(0.5) - 30.0 == pytest.approx(3.081, abs=0.02)
    assert tray.mean_c - 30.0 == pytest.approx(2.876, abs=0.02)


def test_layer_cools_with_the_time_of_the_textbook() -> None:
    """Slab cooled at one face: tau = L^2/(a z^2) with z tan z = Bi; for 3 cm, 10 W/(m2 K) 1.83 h at 1.43 MJ/(m3 K).
    Steps of 120 s."""
    tray = slab(10.0, 0.03, top_h=10.0, bottom_h=0.0001)
    heat = sum(d * 1500.0 + w * 4184.0 for d, w in zip(tray.dry, tray.water, strict=True)) / (tray.area * 0.03)
    low, high = 0.01, 1.5
    for _ in range(50):
        z = (low + high) / 2
        low, high = (z, high) if z * tan(z) < 10.0 * 0.03 / 0.2 else (low, z)
    tau_h = 0.03**2 / (0.2 / heat * z * z) / H
    assert tau_h * 1.4287e6 / heat == pytest.approx(1.83, rel=0.01)
    tray.temp = [40.0] * 20
    over = []
    for _ in range(2):
        for _ in range(60):
            tray.step(120.0, 30.0, 0.0, 0.0)
        over.append(tray.mean_c - 30.0)
    assert over[1] / over[0] == pytest.approx(2.718 ** (-2.0 / tau_h), rel=0.02)


@pytest.mark.parametrize("load_kg_m2", [3.0, 7.0, 10.0])
def test_thin_trays_go_through_a_batch(load_kg_m2: float) -> None:
    """Layers of 1.5-8 mm: before, the temperatures left all bounds between hours 32 and 47."""
    made = kitchen("fan", seed=3001)
    trays = tuple(replace(tray, load_kg_m2=load_kg_m2, layers=6) for tray in made.params.trays)
    world = World(replace(made, probes=(), params=replace(made.params, trays=trays)), 3001)
    while (world.hour or 0.0) < 47.0:
        world.advance(world.time_s + 600.0)
        assert all(10.0 < temp < 60.0 for tray in world.incubator.trays for temp in tray.temp)


# -- trays, hands, starters --------------------------------------------------------------------------------------------


def test_trays_of_a_still_box_stand_some_degrees_apart() -> None:
    """A miso maker swaps upper and lower trays after about 3 h, without numbers; heat below layers the air by 1-3 °C
    (from memory). Hot koji adds to it."""
    apart = []
    for seed in range(3000, 3012):
        world = seeded("still", seed)
        to_hour(world, 28.0)
        means = [tray.mean_c for tray in world.incubator.trays]
        apart.append(max(means) - min(means))
    print("trays apart at hour 28, K: " + " ".join(f"{one:.1f}" for one in sorted(apart)))
    assert 1.0 <= median(apart) <= 4.0
    assert max(apart) >= 2.0


def test_a_mixing_takes_one_to_eight_degrees_and_comes_back_within_hours() -> None:
    """Before and after on farm, makers' and brewery pages: 1-2, 2, 2.1, 3.4, more than 4, 5 °C. At the sake peak 4 °C
    are regained in 0.6-3.2 h, by how much of the heat is kept (derived); home batches: 1-3 h."""
    falls, backs = [], []
    for seed in range(3000, 3016):
        world = seeded("still", seed, hands="none")
        to_hour(world, 27.0)
        tray = world.incubator.trays[0]
        before = tray.mean_c
        world.act("mix", tray=0)
        falls.append(before - tray.mean_c)
        at_s = world.time_s
        while tray.mean_c < before and world.time_s - at_s < 8 * H:
            world.advance(world.time_s + 60.0)
        backs.append((world.time_s - at_s) / H)
    print("mixing takes " + " ".join(f"{one:.1f}" for one in sorted(falls)) + " K")
    print("back after " + " ".join(f"{one:.1f}" for one in sorted(backs)) + " h")
    assert all(0.8 <= one <= 8.0 for one in falls)
    assert 2.0 <= median(falls) <= 5.0
    assert max(falls) - min(falls) >= 2.0
    assert 0.6 <= median(backs) <= 3.5


def onset_h(world: World, over_c: float = 34.0, limit_h: float = 60.0) -> float:
    while world.hour is None or world.hour < 4.0:
        world.advance(world.time_s + 60.0)
    while (world.hour or 0.0) < limit_h and hottest(world) < over_c:
        world.advance(world.time_s + 300.0)
    return world.hour or 0.0


def test_a_tenth_of_the_starter_is_three_hours_late() -> None:
    """Technologist's note on ginjo koji: a tenth of the dose delays growth by about 3 h."""
    late = []
    for seed in JUDGES:
        made = replace(kitchen("still", seed=seed), probes=())
        growth = made.params.growth
        few = replace(made, params=replace(made.params, growth=replace(growth, dose_g_kg=growth.dose_g_kg / 10)))
        late.append(onset_h(World(few, seed)) - onset_h(World(made, seed)))
    assert median(late) == pytest.approx(3.0, abs=1.2)


def test_dead_slow_and_overcooled_starts_are_what_they_are_called() -> None:
    """Spores need 9.1 h at 28 °C and 17 at 22 where they need 7 at 32 (derived from published cardinal temperatures);
    here the same share of the time lies within a quarter."""

    def lag_h(temp_c: float) -> float:
        chain, hours, grown = Germination(GrowthParams()), 0.0, 0.0
        while grown < 0.5:
            grown += chain.advance(0.05, temperature_factor(temp_c))
            hours += 0.05
        return hours

    assert lag_h(28.0) / lag_h(32.0) == pytest.approx(9.1 / 7.0, rel=0.25)
    assert lag_h(22.0) / lag_h(32.0) == pytest.approx(17.0 / 7.0, rel=0.25)
    for seed in JUDGES:
        hours = {case: onset_h(seeded("still", seed, case=case, hands="none"))
                 for case in ("healthy", "slow", "overcooled", "dead")}  # fmt: skip
        assert hours["dead"] >= 60.0
        assert hours["slow"] > hours["healthy"] + 2.0
        assert hours["overcooled"] > hours["healthy"] + 0.5
        assert hours["slow"] < 60.0


# -- all of them -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_healthy_batch_of_every_kitchen_becomes_koji(kind: str) -> None:
    for seed in JUDGES:
        world = seeded(kind, seed)
        to_hour(world, 48.0)
        assert world.truth()["biomass"] > 0.6, seed
        assert all(tray.vigour[0] > 0.5 for tray in world.incubator.trays), seed


@pytest.mark.parametrize("seed", range(3000, 3000 + size(1, 4)))
def test_heat_and_water_close_in_every_kitchen(seed: int) -> None:
    """The koji's, the air's, the walls' and the heater's heat, of what went in and out, over six hours of steps."""
    for kind in KINDS:
        for cover in COVERS:
            world = seeded(kind, seed, cover, hands="none")
            inc, book = world.incubator, world.incubator.box.ledger
            water = sum(sum(tray.water) for tray in inc.trays) + inc.box.vapour_kg
            before = replace(book)
            world.advance(world.time_s + 6 * H)
            made = (book.metabolic_j - before.metabolic_j) / 440e3 * 5 * 0.018015 / 6
            got = made + book.towel_kg - before.towel_kg - book.aired_kg + before.aired_kg
            got -= book.condensed_kg - before.condensed_kg
            after = sum(sum(tray.water) for tray in inc.trays) + inc.box.vapour_kg
            assert after - water == pytest.approx(got, abs=2e-5), (kind, cover)


def test_every_kitchen_has_a_name_that_a_simulated_source_takes() -> None:
    assert set(KINDS) | {"fan-open", "heat-mat-dead", "still-tight"} <= set(NAMED) <= set(SCENARIOS)
    assert {f"{kind}-{case}" for kind in KINDS for case in CASES} <= set(NAMED)


def test_wet_surface_in_a_still_box_dries_as_derived() -> None:
    """Air of 30 °C and 60 %, 3 W/(m2 K): 25.6 °C and 58 g/(m2 h) with walls at the air's temperature (derived from the
    analogy of heat and vapour and 5.9 W/(m2 K) of radiation)."""
    low, high = 15.0, 30.0
    for _ in range(50):
        surface = (low + high) / 2
        lost = VAPOUR_PER_H * 3.0 * (saturation_pa(surface) - vapour_pa(30.0, 60.0))
        low, high = (surface, high) if (3.0 + 5.9) * (30.0 - surface) > lost * 2.43e6 else (low, surface)
    assert surface == pytest.approx(25.6, abs=0.5)
    assert lost * H * 1e3 == pytest.approx(58.0, rel=0.12)
