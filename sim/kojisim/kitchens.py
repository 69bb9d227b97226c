"""Kitchens: the boxes people have, how the rice in them is covered, and what happens there.

`kitchen(kind, cover, case, seed)` draws one. Kinds: `still` (a box with a heater and its thermostat), `fan` (warm air
blown over the trays), `heat-mat` (a mat under the tray, the air is the room's), `oven-light` (a lamp, no thermostat).
Covers: `open`, `cloth`, `plastic` (with holes). Numbers with a source have it beside them; all others are judgement.

Seeds: 1-999 were looked at while constants were chosen, here and in the monitor; from 3000 on they only judge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Final

from kojisim.draw import draw_params, draw_probes
from kojisim.physics.params import BoxParams, Cover, GrowthParams, IncubatorParams, Sense, TrayParams
from kojisim.world import Happening, Scenario

COVERS: Final[tuple[Cover, ...]] = ("open", "cloth", "plastic")
MAT_W_M2 = 136.0
"""Heat of a mat: 18 W on 250 x 530 mm (a maker's page)."""
LAMPS_W = (15.0, 25.0, 40.0)
"""Lamps of ovens (pages on cooking; they differ)."""


def _trays(rng: Random, names: tuple[str, ...], rice: tuple[float, float], load: tuple[float, float],
           cover: Cover, apart: float) -> list[TrayParams]:  # fmt: skip
    """Trays of one stack; `apart`: air between the top and the bottom one, K per K of the box over its room."""
    rice_kg, load_kg_m2, last = rng.uniform(*rice), rng.uniform(*load), len(names) - 1
    offsets = [apart * (0.5 - place / last) if last else 0.0 for place in range(len(names))]
    return [
        TrayParams(
            name=name, white_rice_kg=rice_kg, load_kg_m2=load_kg_m2, cover=cover, layers=4,
            steamed_weight=rng.uniform(1.335, 1.395), offset_per_k=offset,
        )
        for name, offset in zip(names, offsets, strict=True)
    ]  # fmt: skip


def still(rng: Random, cover: Cover, base: IncubatorParams) -> IncubatorParams:
    """The drawn box of other scenarios; heat layers its air by 0.4-2.2 K (from memory: 1-3 heated below)."""
    room_k = base.box.setpoint_c - base.room.mean_c
    apart, last = rng.uniform(0.4, 2.2) / room_k, len(base.trays) - 1
    trays = tuple(
        replace(tray, cover=cover, offset_per_k=apart * (0.5 - place / last)) for place, tray in enumerate(base.trays)
    )
    return replace(base, trays=trays)


def fan(rng: Random, cover: Cover, base: IncubatorParams) -> IncubatorParams:
    """A fan box: mesh trays of 2-3 cm in moving air, a dial from 29.4 °C (85 °F) up whose air swings.

    Loosened rice has 455 kg/m3 and 0.2 W/(m K) (2.2 L per kg steamed in the design table of a koji room; a value
    between bran and cooked rice). 0.5-1.5 m/s along a plate of 35 cm: 5-16 W/(m2 K) (laminar plate, dryer formula,
    from memory). Trays alike: with a fan they dry evenly (USDA handbook on drying).
    """
    names = ("top", "middle", "bottom")[: rng.choice((2, 3))]
    trays = _trays(rng, names, (0.6, 1.1), (7.0, 10.0), cover, rng.uniform(0.0, 0.15))
    blown = rng.uniform(8.0, 14.0)
    own = tuple(
        replace(tray, bulk_density=455.0, conductivity=0.2, top_h=blown, cover_h=blown, bottom_h=blown * 0.7,
                evaporation_share=1.0, mesh=0.3, spread_most=1.2)
        for tray in trays
    )  # fmt: skip
    box = BoxParams(
        volume_m3=rng.uniform(0.06, 0.12), outer_ua=rng.uniform(1.8, 3.0), inner_ua=12.0, wall_capacity=6000.0,
        leak_m3_s=rng.uniform(1.2e-3, 4e-3), setpoint_c=rng.uniform(29.4, 31.5),
        hysteresis_c=rng.uniform(2.2, 4.0), heater_w=rng.uniform(250.0, 400.0),
        heater_capacity=rng.uniform(500.0, 900.0), heater_ua=15.0,
        thermostat_lag_s=rng.uniform(30.0, 60.0), towel_kg_s_pa=0.0, cold=True,
    )  # fmt: skip
    return replace(base, trays=own, box=box)


def heat_mat(rng: Random, cover: Cover, base: IncubatorParams) -> IncubatorParams:
    """A mat of 136 W/m2 under one or two trays of 3-4 cm, a cloth over all: the air about the tray is the room's.

    Its thermostat (29-31 °C, swings of 1-2 K and the mat's own overshoot, from memory) has its probe in the koji, or on
    the mat; one in three has none, and things are put between until the koji stands near 30 °C.
    """
    names = ("left", "right")[: rng.choice((1, 1, 2))]
    trays = _trays(rng, names, (0.9, 1.5), (10.0, 14.0), cover, 0.0)
    own = tuple(
        replace(tray, bulk_density=455.0, conductivity=0.25, mat_h=rng.uniform(8.0, 14.0), bottom_h=1.0,
                spread_most=1.2)
        for tray in trays
    )  # fmt: skip
    area = sum(tray.white_rice_kg / tray.load_kg_m2 for tray in own)
    room = replace(base.room, mean_c=rng.uniform(20.0, 24.0))
    set_c: dict[Sense, float] = {"koji": rng.uniform(29.0, 31.5), "heater": rng.uniform(32.0, 35.0), "air": 99.0}
    sense = rng.choice(list(set_c))
    power = MAT_W_M2 * area
    below_h = rng.uniform(1.0, 3.0)
    if sense == "air":
        # Under a cover 3-4 W/(m2 K) go upwards.
        power = area * (3.9 + below_h) * (rng.uniform(29.0, 31.0) - room.mean_c)
    box = BoxParams(
        volume_m3=0.03, outer_ua=20.0, inner_ua=20.0, air_capacity=800.0, wall_capacity=3000.0, leak_m3_s=2e-3,
        setpoint_c=set_c[sense], hysteresis_c=rng.uniform(1.0, 2.0), heater_w=power, heater_capacity=2500.0 * area * 4,
        heater_ua=0.1, heater_below_ua=below_h * area, sense=sense,
        thermostat_lag_s=rng.uniform(60.0, 120.0), towel_kg_s_pa=0.0, cold=True,
    )  # fmt: skip
    return replace(base, trays=own, box=box, room=room)


def oven_light(rng: Random, cover: Cover, base: IncubatorParams) -> IncubatorParams:
    """An oven with its lamp of 15, 25 or 40 W: a steady heat, 2-4 W/K of wall (from memory), no thermostat."""
    base = still(rng, cover, base)
    room = replace(base.room, mean_c=rng.uniform(20.0, 24.0))
    lift_k = rng.uniform(29.5, 32.0) - room.mean_c
    lamp_w = rng.choice([lamp for lamp in LAMPS_W if 2.0 <= lamp / lift_k <= 4.0] or LAMPS_W[1:2])
    loss = lamp_w / lift_k
    rice = sum(tray.white_rice_kg for tray in base.trays)
    few = tuple(replace(tray, white_rice_kg=tray.white_rice_kg * min(1.0, 2.0 / rice)) for tray in base.trays)
    box = replace(
        base.box, cold=True, setpoint_c=99.0, heater_w=lamp_w, outer_ua=loss, inner_ua=loss * 2.5,
        wall_capacity=rng.uniform(12e3, 30e3), volume_m3=rng.uniform(0.05, 0.08), leak_m3_s=rng.uniform(0.2e-3, 0.5e-3),
    )  # fmt: skip
    return replace(base, trays=few, box=box, room=room)


KINDS: Final[dict[str, Callable[[Random, Cover, IncubatorParams], IncubatorParams]]] = {
    "still": still, "fan": fan, "heat-mat": heat_mat, "oven-light": oven_light,
}  # fmt: skip
USUAL: Final[dict[str, Cover]] = {"still": "cloth", "fan": "plastic", "heat-mat": "plastic", "oven-light": "cloth"}


# -- what happens there ------------------------------------------------------------------------------------------------


def _growth(scenario: Scenario, growth: GrowthParams) -> Scenario:
    return replace(scenario, params=replace(scenario.params, growth=growth))


def _then(scenario: Scenario, at_h: float, act: str) -> Scenario:
    return replace(scenario, script=(*scenario.script, Happening(at_h, act)))


def dead(scenario: Scenario, rng: Random) -> Scenario:
    """A dead starter: nothing grows."""
    return _growth(scenario, replace(scenario.params.growth, viability=0.0))


def slow(scenario: Scenario, rng: Random) -> Scenario:
    """An old starter: one spore in ten lives, and they are slow to sprout; the koji warms itself hours late.

    Few spores act as a small dose (a tenth of it: about 3 h, technologist's note on ginjo koji).
    """
    old = scenario.params.growth
    alive, late = old.dose_g_kg * rng.uniform(0.05, 0.2), old.germination_h * rng.uniform(1.3, 1.7)
    return _growth(scenario, replace(old, dose_g_kg=alive, germination_h=late))


def overcooled(scenario: Scenario, rng: Random) -> Scenario:
    """The rice was left to cool too long and is seeded at 18-21 °C."""
    return replace(scenario, start_bed_c=rng.uniform(18.0, 21.0))


def box_off(scenario: Scenario, rng: Random) -> Scenario:
    """The plug is out from an hour between 4 and 16 on."""
    return _then(scenario, rng.uniform(4.0, 16.0), "box_off")


def runaway(scenario: Scenario, rng: Random) -> Scenario:
    """The heater stays on from an hour between 10 and 30; where it has no thermostat it gives twice its heat."""
    sticks = scenario.params.box.setpoint_c < 90.0
    return _then(scenario, rng.uniform(10.0, 30.0), "runaway" if sticks else "boost")


def dried_out(scenario: Scenario, rng: Random) -> Scenario:
    """The cover comes off at an hour between 1 and 4, no wet towel is in the box, and its vents stand open."""
    at_h = rng.uniform(1.0, 4.0)
    dry = Happening(at_h, "towel", {"there": False})
    vent = Happening(at_h, "vent", {"level": 0.5})
    return replace(scenario, script=(*scenario.script, Happening(at_h, "unwrap", {"bare": True}), dry, vent))


def tight(scenario: Scenario, rng: Random) -> Scenario:
    """A cooler of 30-40 L that shuts tight, with 1-1.3 kg of rice: its air is used up in the hot hours."""
    rice = rng.uniform(1.0, 1.3)
    trays = tuple(replace(tray, white_rice_kg=rice / len(scenario.params.trays)) for tray in scenario.params.trays)
    # 30 L of polyurethane foam lose 0.6 W/K (25 mm, 0.025 W/(m K)); 0.004-0.014 m3/h leak.
    box = replace(
        scenario.params.box, volume_m3=rng.uniform(0.03, 0.04), outer_ua=rng.uniform(0.55, 0.75), inner_ua=1.6,
        heater_w=20.0, leak_m3_s=rng.uniform(1e-6, 4e-6),
    )  # fmt: skip
    return replace(scenario, params=replace(scenario.params, trays=trays, box=box))


CASES: Final[dict[str, Callable[[Scenario, Random], Scenario]]] = {
    "dead": dead, "slow": slow, "overcooled": overcooled, "box-off": box_off, "runaway": runaway,
    "dried-out": dried_out,
}  # fmt: skip


def kitchen(kind: str, cover: Cover | None = None, case: str = "healthy", seed: int = 0) -> Scenario:
    """One kitchen.

    Args:
        kind: of `KINDS`; cover: of `COVERS`, None for what is usual there; case: "healthy" or of `CASES`.
        seed: draws the rest.

    Raises KeyError for a kind or a case that does not exist.
    """
    rng = Random(f"{seed}/kitchen/{kind}")
    base = draw_params(seed)
    # A mixing takes 1-5 K in published pairs of before and after (farm, maker's and brewery pages); 8 at the most.
    base = replace(base, mix_cooling=rng.uniform(0.06, 0.28), mix_most_k=8.0)
    params = KINDS[kind](rng, cover or USUAL[kind], base)
    hot_c = rng.uniform(55.0, 75.0)
    on = (Happening(0.0, "box_on", since="start"),) if params.box.cold else ()
    probes = tuple(spec for spec in draw_probes(seed, len(params.trays)) if spec.place != "room")
    scenario = Scenario(kind, params, probes, on, start_bed_c=hot_c, keeps_cover=True)
    if case == "healthy":
        return scenario
    return replace(CASES[case](scenario, Random(f"{seed}/{case}")), name=f"{kind}-{case}")


def _named(kind: str, cover: Cover | None, case: str, doc: str) -> Callable[[int], Scenario]:
    def make(seed: int) -> Scenario:
        return kitchen(kind, cover, case, seed)

    make.__doc__ = doc
    return make


def _first(text: str | None) -> str:
    return (text or "").strip().splitlines()[0]


def _tight(seed: int) -> Scenario:
    """A still box, tight: its air is used up in the hot hours."""
    return replace(tight(kitchen("still", seed=seed), Random(f"{seed}/tight")), name="still-tight")


NAMED: Final[dict[str, Callable[[int], Scenario]]] = {
    **{kind: _named(kind, None, "healthy", _first(make.__doc__)) for kind, make in KINDS.items()},
    **{f"{kind}-{cover}": _named(kind, cover, "healthy", f"{kind}, {cover}.") for kind in KINDS for cover in COVERS
       if cover != USUAL[kind]},
    **{f"{kind}-{case}": _named(kind, None, case, f"{kind}: {_first(make.__doc__)}")
       for kind in KINDS for case, make in CASES.items()},
    "still-tight": _tight,
}  # fmt: skip
"""By name, as `scenario:` and `--scenario` take them: `fan`, `fan-open`, `heat-mat-dead`."""
