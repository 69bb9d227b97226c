"""Ways a batch and its box begin, beside the box that is warm when the world starts.

A drawn batch (`kojisim.draw`) in a box of one kind: switched on late, slow, without a thermostat, with a wide one, set
to another temperature, or with rice that comes in cool. All numbers are judgement: what home boxes do, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

from kojisim.physics.params import BoxParams, RoomParams
from kojisim.scenarios import healthy
from kojisim.world import Happening, Scenario


def _lid(rng: Random) -> Happening:
    """The lid stands open while the trays go in."""
    return Happening(0.0, "open_lid", {"minutes": rng.uniform(3.0, 12.0)})


def _start(seed: int, name: str, box: dict[str, Any], *script: Happening) -> Scenario:
    base = healthy(seed)
    params = replace(base.params, box=replace(base.params.box, **box))
    lid = _lid(Random(f"{seed}/lid"))
    return replace(base, name=name, params=params, script=(lid, *script))


def _box(seed: int) -> tuple[BoxParams, RoomParams]:
    params = healthy(seed).params
    return params.box, params.room


def _soaked(seed: int, name: str, box: dict[str, Any], *script: Happening) -> Scenario:
    """The world starts with the rice in the water; it comes out of the steamer 8-14 h later."""
    base, rng = _start(seed, name, box, *script), Random(f"{seed}/soak")
    steam = Happening(_steamed_h(seed), "steam", {"temp_c": rng.uniform(55.0, 75.0)}, since="start")
    return replace(base, start_bed_c=base.params.room.mean_c, script=(*base.script, steam))


def _steamed_h(seed: int) -> float:
    return Random(f"{seed}/steamed-h").uniform(8.0, 14.0)


def warm(seed: int) -> Scenario:
    """The box has long been warm."""
    return _start(seed, "warm", {})


def switched_on(seed: int) -> Scenario:
    """The box is switched on as the trays go in, and warm within an hour or so."""
    box, _ = _box(seed)
    return _start(seed, "switched_on", {"cold": True, "heater_w": box.heater_w * 1.3}, Happening(0.0, "box_on"))


def soaked_before(seed: int) -> Scenario:
    """Opened at soaking; the box is switched on as the rice is steamed, an hour or so before the spores."""
    return _soaked(seed, "soaked_before", {"cold": True}, Happening(_steamed_h(seed), "box_on", since="start"))


def soaked_after(seed: int) -> Scenario:
    """Opened at soaking; the box is switched on one to two hours after the spores."""
    at_h = Random(f"{seed}/after").uniform(1.0, 2.0)
    return _soaked(seed, "soaked_after", {"cold": True}, Happening(at_h, "box_on"))


def slow(seed: int) -> Scenario:
    """A heavy box that takes about three hours to warm up."""
    box, room = _box(seed)
    rng = Random(f"{seed}/slow")
    heavy = {"cold": True, "wall_capacity": rng.uniform(40e3, 70e3)}
    power = box.outer_ua * (box.setpoint_c - room.mean_c) * rng.uniform(1.15, 1.35)
    return _start(seed, "slow", {**heavy, "heater_w": power}, Happening(0.0, "box_on"))


def oven(seed: int) -> Scenario:
    """An oven with its light: a constant heat, no thermostat, a heavy wall. Switched on at the start."""
    box, room = _box(seed)
    rng = Random(f"{seed}/oven")
    power = box.outer_ua * (rng.uniform(28.5, 31.0) - room.mean_c)
    steady = {"cold": True, "setpoint_c": 99.0, "heater_w": power, "wall_capacity": rng.uniform(12e3, 30e3)}
    return _start(seed, "oven", steady, Happening(0.0, "box_on", since="start"))


def mat(seed: int) -> Scenario:
    """A heat mat under thin walls: the air follows the room, up to 3 K either way."""
    base = healthy(seed)
    rng = Random(f"{seed}/mat")
    room = replace(base.params.room, mean_c=rng.uniform(20.0, 23.0), swing_c=rng.uniform(1.0, 3.0))
    power = base.params.box.outer_ua * (rng.uniform(29.0, 31.0) - room.mean_c)
    box = replace(base.params.box, cold=True, setpoint_c=99.0, heater_w=power)
    script = (_lid(rng), Happening(rng.choice((0.0, 1.0)), "box_on", since="start"))
    return replace(base, name="mat", params=replace(base.params, box=box, room=room), script=script)


def fan(seed: int) -> Scenario:
    """A fan box: little air, strong heater, a thermostat that swings its air 2-3 K up and down every 4-10 min."""
    box, _ = _box(seed)
    rng = Random(f"{seed}/fan")
    swing = {
        "hysteresis_c": rng.uniform(2.2, 3.2), "heater_capacity": rng.uniform(300.0, 600.0), "heater_ua": 12.0,
        "heater_w": box.heater_w * 2.2, "thermostat_lag_s": rng.uniform(30.0, 60.0), "air_capacity": 1500.0,
    }  # fmt: skip
    cold = rng.random() < 0.5
    on = (Happening(0.0, "box_on"),) if cold else ()
    return _start(seed, "fan", {**swing, "cold": cold}, *on)


def set_up(seed: int) -> Scenario:
    """The box is set 3-5 K warmer between hour 4 and 30, and nobody says so."""
    box, _ = _box(seed)
    rng = Random(f"{seed}/set-up")
    to_c = min(35.0, box.setpoint_c + rng.uniform(3.0, 5.0))
    return _start(seed, "set_up", {}, Happening(rng.uniform(4.0, 30.0), "set_box", {"temp_c": to_c}))


def set_down(seed: int) -> Scenario:
    """The box is set 3-5 K cooler between hour 4 and 30."""
    box, _ = _box(seed)
    rng = Random(f"{seed}/set-down")
    at_h, to_c = rng.uniform(4.0, 30.0), box.setpoint_c - rng.uniform(3.0, 5.0)
    return _start(seed, "set_down", {}, Happening(at_h, "set_box", {"temp_c": to_c}))


def early(seed: int) -> Scenario:
    """The batch is begun, the box warm; the rice comes in hours later, cooled to 24-28 °C."""
    return _soaked(seed, "early", {})


STARTS: dict[str, Callable[[int], Scenario]] = {
    make.__name__: make
    for make in (warm, switched_on, soaked_before, soaked_after, slow, oven, mat, fan, set_up, set_down, early)
}
