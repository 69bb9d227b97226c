"""Named scenarios: each draws box, room, trays and mould from a seed and adds its script.

The spread of the draw (all judgement unless said otherwise):
trays 2-4 of 1.0-2.0 kg at 18-24 kg/m2 (boxes: 14-33, glossary "Box koji method"); box 60-180 L, wall loss
sized by the cook to the batch (0.65-0.95 W/K per kg of rice); setpoint 29.2-30.4 °C (85 °F is 29.4),
hysteresis 0.6-1.4 °C; room 17-23 °C with 0.5-2.5 °C of day and night; starter 0.75-1.3 g/kg; growth, lag and
heat of the mould a few percent about their defaults; steamed rice spread out at 55-75 °C at the world's start.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

from kojisim.physics.params import BoxParams, GrowthParams, IncubatorParams, RoomParams, TrayParams
from kojisim.probes import ProbeSpec, Spot
from kojisim.world import Happening, Scenario

_NAMES = {2: ("top", "bottom"), 3: ("top", "middle", "bottom"), 4: ("top", "upper", "lower", "bottom")}


def draw_trays(rng: Random) -> tuple[TrayParams, ...]:
    """Trays from top to bottom."""
    count = rng.choice((2, 3, 3, 4))
    rice, load = rng.uniform(1.0, 2.0), rng.uniform(18.0, 24.0)
    weight, lift = rng.uniform(1.38, 1.44), rng.uniform(0.0, 0.06)
    share = rng.uniform(0.001, 0.006)
    trays = []
    for place, name in enumerate(_NAMES[count]):
        trays.append(
            TrayParams(
                name=name,
                white_rice_kg=rice * rng.uniform(0.97, 1.03),
                load_kg_m2=load * rng.uniform(0.97, 1.03),
                layers=4,
                steamed_weight=weight,
                offset_per_k=lift * (0.5 - place / (count - 1)),
                heater_share=share if place == count - 1 else 0.0,
            )
        )
    return tuple(trays)


def draw_box(rng: Random, rice_kg: float) -> BoxParams:
    """A box whose wall loss the cook has sized to the batch."""
    loss = rice_kg * rng.uniform(0.65, 0.95)
    return BoxParams(
        volume_m3=rng.uniform(0.06, 0.18),
        outer_ua=loss,
        inner_ua=loss * rng.uniform(2.0, 3.0),
        air_capacity=rng.uniform(1000.0, 2500.0),
        wall_capacity=rng.uniform(5e3, 15e3),
        leak_m3_s=rng.uniform(0.1e-3, 0.4e-3),
        setpoint_c=rng.uniform(29.2, 30.4),
        hysteresis_c=rng.uniform(0.6, 1.4),
        heater_w=loss * rng.uniform(22.0, 32.0),
        heater_ua=rng.uniform(3.0, 6.0),
        thermostat_lag_s=rng.uniform(40.0, 120.0),
        towel_kg_s_pa=rng.uniform(0.5e-9, 3e-9),
    )


def draw_params(seed: int) -> IncubatorParams:
    """Everything about one batch, from its seed."""
    rng = Random(f"{seed}/draw")
    trays = draw_trays(rng)
    rice = sum(tray.white_rice_kg for tray in trays)
    growth = GrowthParams(
        mu_opt_h=GrowthParams.mu_opt_h * rng.uniform(0.96, 1.04),
        germination_h=GrowthParams.germination_h * rng.uniform(0.94, 1.06),
        dose_g_kg=rng.uniform(0.75, 1.3),
        growth_heat=GrowthParams.growth_heat * rng.uniform(0.93, 1.07),
        maintenance_h=GrowthParams.maintenance_h * rng.uniform(0.8, 1.2),
        oxygen_depth_m=GrowthParams.oxygen_depth_m * rng.uniform(0.9, 1.1),
    )
    room = RoomParams(
        mean_c=rng.uniform(17.0, 23.0),
        swing_c=rng.uniform(0.5, 2.5),
        wander_c=rng.uniform(0.2, 0.6),
        humidity_pct=rng.uniform(35.0, 65.0),
    )
    return IncubatorParams(
        growth=growth,
        trays=trays,
        box=draw_box(rng, rice),
        room=room,
        mix_cooling=rng.uniform(0.10, 0.14),
        start_local_h=rng.uniform(15.0, 20.0),
    )


def draw_probes(seed: int, trays: int) -> tuple[ProbeSpec, ...]:
    """One probe a tray in the koji (named `bed`, `bed-2`, ...), air temperature and humidity, room.

    Koji probes: bias within 0.3 °C, 0.0625 °C steps (12-bit one-wire parts: 0.5 °C at most); air humidity
    within 2 % (SHT3x class), every 10 s.
    """
    rng = Random(f"{seed}/probes")
    out = []
    for tray in range(trays):
        koji = ProbeSpec(
            name="bed" if tray == 0 else f"bed-{tray + 1}",
            place="bed",
            quantity="temperature",
            spot=Spot("tray", tray, rng.uniform(0.4, 0.7)),
            lag_s=rng.uniform(25.0, 70.0),
            noise=rng.uniform(0.02, 0.05),
            bias=rng.uniform(-0.3, 0.3),
        )
        out.append(koji)
    air = ProbeSpec("air", "air", "temperature", Spot("air"), lag_s=60.0, resolution=0.01, board="air")
    out.append(replace(air, bias=rng.uniform(-0.2, 0.2)))
    humid = replace(air, name="air-humidity", quantity="humidity", lag_s=45.0, noise=0.3, wander=0.3)
    out.append(replace(humid, bias=rng.uniform(-2.0, 2.0)))
    out.append(ProbeSpec("room", "room", "temperature", Spot("room"), interval_s=30.0, lag_s=120.0))
    return tuple(out)


def healthy(seed: int) -> Scenario:
    """A batch that goes as it should when somebody mixes; nobody does by itself."""
    params = draw_params(seed)
    hot = Random(f"{seed}/steamed").uniform(55.0, 75.0)
    return Scenario("healthy", params, draw_probes(seed, len(params.trays)), start_bed_c=hot)


def _with(seed: int, name: str, *script: Happening) -> Scenario:
    return replace(healthy(seed), name=name, script=script)


def _hour(seed: int, name: str, low: float, high: float) -> float:
    return Random(f"{seed}/{name}").uniform(low, high)


def mixed(seed: int) -> Scenario:
    """`healthy`, with a person who mixes in the windows by the true temperature and harvests."""
    return replace(healthy(seed), name="mixed", hands="bedside")


def runaway_heat(seed: int) -> Scenario:
    """The thermostat's contact welds between hour 24 and 34: the heater stays on."""
    return _with(seed, "runaway_heat", Happening(_hour(seed, "runaway", 24, 34), "runaway"))


def box_off(seed: int) -> Scenario:
    """The plug strip is switched off between hour 4 and 14 and stays off."""
    return _with(seed, "box_off", Happening(_hour(seed, "box_off", 4, 14), "box_off"))


def cold_room(seed: int) -> Scenario:
    """The room's heating fails in the first night and the box's heater is too weak for it."""
    base = healthy(seed)
    weak = replace(base.params.box, heater_w=base.params.box.outer_ua * 11.0)
    fall = Happening(_hour(seed, "cold", 2, 8), "room_drop", {"by_c": 11.0})
    return replace(base, name="cold_room", params=replace(base.params, box=weak), script=(fall,))


def probe_silent(seed: int) -> Scenario:
    """Every koji probe falls silent for good between hour 28 and 34."""
    base = healthy(seed)
    at = _hour(seed, "silent", 28, 34)
    script = tuple(
        Happening(at, "fault", {"kind": "silent", "probe": p.name})
        for p in base.probes
        if p.place == "bed"
    )
    return replace(base, name="probe_silent", script=script)


def never_warms(seed: int) -> Scenario:
    """A dead starter: nothing grows."""
    base = healthy(seed)
    dead = replace(base.params.growth, viability=0.0)
    return replace(base, name="never_warms", params=replace(base.params, growth=dead))


def hot_tray(seed: int) -> Scenario:
    """The bottom tray sits on the heater and runs hotter than the others."""
    base = healthy(seed)
    *others, last = base.params.trays
    hot = replace(last, heater_share=0.05, load_kg_m2=last.load_kg_m2 * 1.3)
    return replace(base, name="hot_tray", params=replace(base.params, trays=(*others, hot)))


SCENARIOS: dict[str, Callable[[int], Scenario]] = {
    f.__name__: f
    for f in (healthy, mixed, runaway_heat, box_off, cold_room, probe_silent, never_warms, hot_tray)
}
