"""Draws box, room, trays, mould and probes from a seed.

The spread of the draw (all judgement unless said otherwise):
trays 2-4 of 1.0-2.0 kg at 18-24 kg/m2 (boxes: 14-33, glossary "Box koji method"); box 60-180 L, wall loss
sized by the cook to the batch (0.36-0.52 W/K per kg of rice); setpoint 29.4-30.6 °C (85 °F is 29.4),
hysteresis 0.6-1.4 °C; room 17-23 °C with 0.5-2.5 °C of day and night; starter 0.75-1.3 g/kg; growth, lag and
heat of the mould a few percent about their defaults; steamed rice spread out at 55-75 °C at the world's start.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

from kojisim.physics.params import BoxParams, GrowthParams, IncubatorParams, RoomParams, TrayParams
from kojisim.probes import ProbeSpec, Spot

_NAMES = {2: ("top", "bottom"), 3: ("top", "middle", "bottom"), 4: ("top", "upper", "lower", "bottom")}


def draw_trays(rng: Random) -> tuple[TrayParams, ...]:
    """Trays from top to bottom."""
    count = rng.choice((2, 3, 3, 4))
    rice, load = rng.uniform(1.0, 2.0), rng.uniform(18.0, 24.0)
    weight, lift = rng.uniform(1.335, 1.395), rng.uniform(0.0, 0.05)
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
    loss = rice_kg * rng.uniform(0.36, 0.52)
    return BoxParams(
        volume_m3=rng.uniform(0.06, 0.18),
        outer_ua=loss,
        inner_ua=loss * rng.uniform(2.0, 3.0),
        air_capacity=rng.uniform(1000.0, 2500.0),
        wall_capacity=rng.uniform(5e3, 15e3),
        leak_m3_s=rng.uniform(0.1e-3, 0.3e-3),
        setpoint_c=rng.uniform(29.4, 30.6),
        hysteresis_c=rng.uniform(0.6, 1.4),
        heater_w=loss * rng.uniform(22.0, 32.0),
        heater_ua=rng.uniform(3.0, 6.0),
        thermostat_lag_s=rng.uniform(40.0, 120.0),
        towel_kg_s_pa=rng.uniform(2e-9, 5e-9),
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
