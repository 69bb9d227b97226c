"""Named scenarios: a drawn batch (`kojisim.draw` states the spread) and a script of happenings.

Times of happenings are hours since inoculation, drawn from the seed. Nobody mixes by itself except in `mixed`:
the person is a `kojisim.cook.Cook`, or whoever drives the world. Kitchens of every kind: `kojisim.kitchens`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

from kojisim.draw import draw_params, draw_probes
from kojisim.kitchens import NAMED
from kojisim.world import Happening, Scenario


def healthy(seed: int) -> Scenario:
    """A batch that goes as it should when somebody mixes; nobody does by itself."""
    params = draw_params(seed)
    hot = Random(f"{seed}/steamed").uniform(55.0, 75.0)
    return Scenario("healthy", params, draw_probes(seed, len(params.trays)), start_bed_c=hot)


def _with(seed: int, name: str, *script: Happening) -> Scenario:
    return replace(healthy(seed), name=name, script=script)


def _hour(seed: int, name: str, low: float, high: float) -> float:
    return Random(f"{seed}/{name}").uniform(low, high)


def _fault(at_h: float, kind: str, probe: str, **args: Any) -> Happening:
    return Happening(at_h, "fault", {"kind": kind, "probe": probe, **args})


def mixed(seed: int) -> Scenario:
    """`healthy`, with a person who mixes in the windows by the true temperature and harvests."""
    return replace(healthy(seed), name="mixed", hands="bedside")


# -- the box and the koji -----------------------------------------------------------------------------


def runaway_heat(seed: int) -> Scenario:
    """The thermostat's contact welds between hour 24 and 34: the heater stays on."""
    return _with(seed, "runaway_heat", Happening(_hour(seed, "runaway", 24, 34), "runaway"))


def box_off(seed: int) -> Scenario:
    """The plug strip is switched off between hour 3 and 9 and stays off."""
    return _with(seed, "box_off", Happening(_hour(seed, "box_off", 3, 9), "box_off"))


def box_timer(seed: int) -> Scenario:
    """The box's own timer switches it off 10 or 12 h after the world's start, before the koji warms itself."""
    base = healthy(seed)
    box = replace(base.params.box, timer_h=Random(f"{seed}/timer").choice((10.0, 12.0)))
    return replace(base, name="box_timer", params=replace(base.params, box=box))


def cold_room(seed: int) -> Scenario:
    """The room falls to about 4 °C from hour 2 to 8 on, and the box's heater has only 3 K in hand."""
    base = healthy(seed)
    box, room = base.params.box, base.params.room
    weak = replace(box, heater_w=box.outer_ua * (box.setpoint_c - room.mean_c + 3.0))
    fall = Happening(_hour(seed, "cold", 2, 8), "room_drop", {"by_c": room.mean_c - 4.0})
    return replace(base, name="cold_room", params=replace(base.params, box=weak), script=(fall,))


def never_warms(seed: int) -> Scenario:
    """A dead starter: nothing grows."""
    base = healthy(seed)
    dead = replace(base.params.growth, viability=0.0)
    return replace(base, name="never_warms", params=replace(base.params, growth=dead))


def hot_tray(seed: int) -> Scenario:
    """The bottom tray sits near the heater and deeper than the others: it runs hotter."""
    base = healthy(seed)
    *others, last = base.params.trays
    hot = replace(last, heater_share=0.012, load_kg_m2=last.load_kg_m2 * 1.3)
    return replace(base, name="hot_tray", params=replace(base.params, trays=(*others, hot)))


def lid_openings(seed: int) -> Scenario:
    """The lid is opened eight times for 1 to 6 minutes without a word."""
    rng = Random(f"{seed}/lid")
    visits = [Happening(rng.uniform(1, 46), "open_lid", {"minutes": rng.uniform(1, 6)}) for _ in range(8)]
    return _with(seed, "lid_openings", *visits)


# -- probes -------------------------------------------------------------------------------------------


def probe_silent(seed: int) -> Scenario:
    """Every koji probe falls silent for good between hour 28 and 34."""
    base = healthy(seed)
    at = _hour(seed, "silent", 28, 34)
    script = tuple(_fault(at, "silent", probe.name) for probe in base.probes if probe.place == "bed")
    return replace(base, name="probe_silent", script=script)


def one_probe_silent(seed: int) -> Scenario:
    """The first koji probe falls silent for good between hour 5 and 35; the others go on."""
    return _with(seed, "one_probe_silent", _fault(_hour(seed, "one", 5, 35), "silent", "bed"))


def probe_stuck(seed: int) -> Scenario:
    """The first koji probe holds its last value from an hour between 15 and 30."""
    return _with(seed, "probe_stuck", _fault(_hour(seed, "stuck", 15, 30), "stuck", "bed"))


def probe_drift(seed: int) -> Scenario:
    """The first koji probe drifts 0.15 °C an hour, up or down, from an hour between 4 and 20."""
    way = Random(f"{seed}/way").choice((-0.15, 0.15))
    return _with(seed, "probe_drift", _fault(_hour(seed, "drift", 4, 20), "drift", "bed", size=way))


def probe_spikes(seed: int) -> Scenario:
    """One in 200 readings of the first koji probe is off by 12 °C; from hour 2."""
    return _with(seed, "probe_spikes", _fault(2.0, "spike", "bed", size=12.0, share=0.005))


def probe_sentinel(seed: int) -> Scenario:
    """One in 50 readings of the first koji probe is 85.0, of the air probe -127.0; from hour 2."""
    return _with(
        seed,
        "probe_sentinel",
        _fault(2.0, "sentinel", "bed", size=85.0, share=0.02),
        _fault(2.0, "sentinel", "air", size=-127.0, share=0.02),
    )


def humidity_pinned(seed: int) -> Scenario:
    """The humidity element is wet from an hour between 10 and 30: 100 % for good."""
    return _with(seed, "humidity_pinned", _fault(_hour(seed, "wet", 10, 30), "pinned", "air-humidity", size=100.0))


def _moved(seed: int, name: str, low: float, high: float, **args: Any) -> Scenario:
    return _with(seed, name, Happening(_hour(seed, name, low, high), "move_probe", {"probe": "bed", **args}))


def probe_left_out(seed: int) -> Scenario:
    """The first koji probe is left lying on the rim from an hour between 20 and 28."""
    return _moved(seed, "probe_left_out", 20, 28, kind="rim")


def towel_on_probe(seed: int) -> Scenario:
    """The first koji probe lies under the wet towel from an hour between 4 and 28."""
    return _moved(seed, "towel_on_probe", 4, 28, kind="towel")


def probe_on_heater(seed: int) -> Scenario:
    """The first koji probe touches the heater from an hour between 4 and 28."""
    return _moved(seed, "probe_on_heater", 4, 28, kind="heater")


def probe_on_metal(seed: int) -> Scenario:
    """The first koji probe touches the tray's metal from an hour between 4 and 28."""
    return _moved(seed, "probe_on_metal", 4, 28, kind="metal")


def probe_in_hot_rice(seed: int) -> Scenario:
    """The first koji probe is borrowed for freshly steamed rice at an hour between 6 and 14, for 40 minutes."""
    at = _hour(seed, "hot", 6, 14)
    there = Happening(at, "move_probe", {"probe": "bed", "kind": "hot_rice"})
    back = Happening(at + 40 / 60, "restore_probe", {"probe": "bed"})
    return _with(seed, "probe_in_hot_rice", there, back)


def probes_swapped(seed: int) -> Scenario:
    """First koji probe and air probe are mixed up from an hour between 18 and 26."""
    swap = Happening(_hour(seed, "swap", 18, 26), "swap_probes", {"a": "bed", "b": "air"})
    return _with(seed, "probes_swapped", swap)


def _gaps(seed: int, longest_min: float) -> tuple[Happening, ...]:
    rng = Random(f"{seed}/gaps")
    times = [1.0 + 7.5 * count + rng.uniform(0.0, 7.0) for count in range(6)]
    return tuple(Happening(at, "gap", {"minutes": rng.uniform(2.0, longest_min)}) for at in times)


def radio_gaps(seed: int) -> Scenario:
    """Six gaps of 2 to 20 minutes in which nothing is heard from any probe."""
    return _with(seed, "radio_gaps", *_gaps(seed, 20.0))


def short_gaps(seed: int) -> Scenario:
    """Six gaps of 2 to 12 minutes in which nothing is heard from any probe."""
    return _with(seed, "short_gaps", *_gaps(seed, 12.0))


def serial_unplugged(seed: int) -> Scenario:
    """The serial device is pulled out twice and comes back after 3 and 8 minutes under another number."""
    first, second = _hour(seed, "pull", 3, 12), _hour(seed, "pull2", 14, 30)
    return _with(
        seed,
        "serial_unplugged",
        Happening(first, "unplug"),
        Happening(first + 3 / 60, "plug"),
        Happening(second, "unplug"),
        Happening(second + 8 / 60, "plug"),
    )


def eventful(seed: int) -> Scenario:
    """A whole batch with a bit of everything: a probe silent for 40 min, and nobody there when it wants mixing."""
    outage = _fault(8.0, "silent", "bed-2", minutes=40)
    return replace(_with(seed, "eventful", outage), absent_h=((17.0, 34.5),))


# -- nights -------------------------------------------------------------------------------------------


def nuisances(seed: int) -> Scenario:
    """Two or three things that must wake nobody: short gaps, lid openings, spikes, sentinels, a wet humidity probe."""
    rng = Random(f"{seed}/nuisances")
    kinds = (short_gaps, lid_openings, probe_spikes, probe_sentinel, humidity_pinned)
    script = [item for make in rng.sample(kinds, rng.choice((2, 3))) for item in make(seed).script]
    return _with(seed, "nuisances", *script)


#: Scenarios in which a hand is truly needed.
EXCURSIONS = (runaway_heat, box_off, cold_room, probe_silent)


def night(seed: int) -> Scenario:
    """`nuisances`, and in one of three with a real excursion from `EXCURSIONS` besides."""
    base, rng = nuisances(seed), Random(f"{seed}/night")
    if rng.random() >= 1 / 3:
        return replace(base, name="night")
    real = rng.choice(EXCURSIONS)(seed)
    return replace(real, name=f"night/{real.name}", script=base.script + real.script)


SCENARIOS: dict[str, Callable[[int], Scenario]] = {
    make.__name__: make
    for make in (
        healthy,
        mixed,
        runaway_heat,
        box_off,
        box_timer,
        cold_room,
        never_warms,
        hot_tray,
        lid_openings,
        probe_silent,
        one_probe_silent,
        probe_stuck,
        probe_drift,
        probe_spikes,
        probe_sentinel,
        humidity_pinned,
        probe_left_out,
        towel_on_probe,
        probe_on_heater,
        probe_on_metal,
        probe_in_hot_rice,
        probes_swapped,
        radio_gaps,
        short_gaps,
        serial_unplugged,
        eventful,
        nuisances,
        night,
    )
} | NAMED
