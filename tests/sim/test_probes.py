"""Probes and their faults."""

from __future__ import annotations

import itertools
from dataclasses import replace
from random import Random
from statistics import mean, pstdev

import pytest

from kojisim.draw import draw_params
from kojisim.physics.air import saturation_pa, wet_bulb_c
from kojisim.physics.incubator import Incubator
from kojisim.probes import Fault, Probes, ProbeSpec, Sample, Spot

AIR = ProbeSpec("air", "air", "temperature", Spot("air"), noise=0.0, wander=0.0, resolution=0.001)
KOJI = replace(AIR, name="bed", place="bed", spot=Spot("tray", 0, 0.5))
HUMID = replace(AIR, name="air-humidity", quantity="humidity", resolution=0.01)


def _rig(*specs: ProbeSpec) -> tuple[Incubator, Probes]:
    inc = Incubator(draw_params(2), Random(1), 33.0)
    inc.outside = False
    return inc, Probes(specs, 2, inc)


def _run(inc: Incubator, probes: Probes, to_s: float) -> list[Sample]:
    out: list[Sample] = []
    while inc.time_s < to_s:
        inc.step()
        probes.follow()
        out += probes.sample(inc.time_s)
    return out


def _freeze(inc: Incubator, air_c: float = 30.0) -> None:
    """Keep the air where it is: the box becomes huge."""
    inc.box.p = replace(inc.box.p, air_capacity=1e12, wall_capacity=1e12)
    inc.box.air_c = inc.box.wall_c = air_c


def test_probe_follows_with_its_lag() -> None:
    # First order: 63 % of a step after one time constant, 95 % after three.
    inc, probes = _rig(replace(AIR, lag_s=100.0))
    _freeze(inc, 30.0)
    _run(inc, probes, 1000.0)
    inc.box.air_c = 40.0
    shown = {round(s.at_s - 1000.0): s.value for s in _run(inc, probes, 1400.0)}
    nearest = {wanted: shown[min(shown, key=lambda at: abs(at - wanted))] for wanted in (100, 300)}
    assert nearest[100] == pytest.approx(36.3, abs=0.4)
    assert nearest[300] == pytest.approx(39.5, abs=0.2)


def test_noise_bias_and_resolution_are_as_stated() -> None:
    inc, probes = _rig(replace(AIR, noise=0.2, wander=0.3, bias=0.5, resolution=0.0625, interval_s=10.0))
    _freeze(inc, 30.0)
    values = [s.value for s in _run(inc, probes, 400_000.0)][100:]
    assert mean(values) == pytest.approx(30.5, abs=0.05)
    assert pstdev(values) == pytest.approx((0.2**2 + 0.3**2) ** 0.5, rel=0.1)
    assert all(value / 0.0625 == round(value / 0.0625) for value in values)


def test_slow_noise_is_correlated_and_white_noise_is_not() -> None:
    def correlation(noise: float, wander: float) -> float:
        inc, probes = _rig(replace(AIR, noise=noise, wander=wander, wander_s=600.0))
        _freeze(inc)
        values = [s.value - 30.0 for s in _run(inc, probes, 200_000.0)][100:]
        pairs = list(itertools.pairwise(values))
        return sum(a * b for a, b in pairs) / sum(a * a for a, _ in pairs)

    assert abs(correlation(0.2, 0.0)) < 0.05
    assert correlation(0.0, 0.2) > 0.9


def test_humidity_stays_between_0_and_100() -> None:
    inc, probes = _rig(replace(HUMID, bias=8.0, noise=3.0))
    inc.box.vapour_kg *= 3.0
    values = [s.value for s in _run(inc, probes, 600.0)]
    assert max(values) == 100.0
    assert min(values) >= 0.0


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("air", lambda inc: inc.box.air_c),
        ("room", lambda inc: inc.room.temp_c),
        ("wet_bulb", lambda inc: wet_bulb_c(inc.box.air_c, inc.box.vapour_pa)),
        ("towel", lambda inc: wet_bulb_c(inc.box.air_c, inc.box.vapour_pa)),
        ("tray", lambda inc: inc.trays[0].at_depth(0.5)),
    ],
)
def test_probe_shows_the_temperature_of_its_place(kind: str, expected) -> None:  # type: ignore[no-untyped-def]
    inc, probes = _rig(replace(KOJI, spot=Spot(kind), lag_s=1.0))  # type: ignore[arg-type]
    _run(inc, probes, 3600.0)
    assert probes.true_value("bed") == pytest.approx(expected(inc))


def test_probe_out_of_the_koji_follows_the_air_more_than_the_koji() -> None:
    inc, probes = _rig(KOJI)
    inc.trays[0].temp = [38.0] * 4
    inc.box.air_c = 30.0
    probes.move("bed", Spot("rim"))
    assert probes.true_value("bed") < 32.0
    probes.move("bed", Spot("metal"))
    assert probes.true_value("bed") == pytest.approx(34.0)


def test_probe_on_the_heater_is_hotter_than_the_air_while_it_heats() -> None:
    inc, probes = _rig(AIR)
    inc.box.stuck_on = True
    probes.move("air", Spot("heater"))
    _run(inc, probes, 1800.0)
    assert probes.true_value("air") > inc.box.air_c + 3.0


def test_probe_in_hot_rice_starts_hot_and_cools() -> None:
    inc, probes = _rig(KOJI)
    probes.move("bed", Spot("hot_rice"))
    first = probes.true_value("bed")
    _run(inc, probes, 3600.0)
    assert first > 80.0
    assert probes.true_value("bed") < 40.0


def test_wet_bulb_and_dry_bulb_give_the_humidity_of_the_box() -> None:
    inc, probes = _rig(replace(AIR, name="wet-bulb", place="wet-bulb", spot=Spot("wet_bulb")))
    wet = probes.true_value("wet-bulb")
    vapour = saturation_pa(wet) - 8.0e-4 * 101_325.0 * (inc.box.air_c - wet)
    assert vapour == pytest.approx(inc.box.vapour_pa, rel=1e-3)


# -- faults ---------------------------------------------------------------------------------------------


def _with_fault(fault: Fault, spec: ProbeSpec = AIR, to_s: float = 4000.0) -> list[Sample]:
    inc, probes = _rig(spec)
    _freeze(inc)
    probes.faults.append(fault)
    return _run(inc, probes, to_s)


def test_silent_probe_says_nothing_and_comes_back() -> None:
    times = [s.at_s for s in _with_fault(Fault("silent", "air", 1000.0, 2000.0))]
    assert not [at for at in times if 1000.0 <= at < 2000.0]
    assert [at for at in times if at < 1000.0]
    assert [at for at in times if at >= 2000.0]


def test_stuck_probe_holds_its_last_value() -> None:
    noisy = replace(AIR, noise=0.2)
    held = [s.value for s in _with_fault(Fault("stuck", "air", 1000.0, 2000.0), noisy) if 1000.0 <= s.at_s < 2000.0]
    free = [s.value for s in _with_fault(Fault("stuck", "air", 1000.0, 2000.0), noisy) if s.at_s < 1000.0]
    assert set(held) == {free[-1]}


def test_spikes_hit_the_stated_share() -> None:
    values = [s.value for s in _with_fault(Fault("spike", "air", 0.0, size=10.0, share=0.1), to_s=40_000.0)]
    hit = [value for value in values if value > 35.0]
    assert len(hit) / len(values) == pytest.approx(0.1, abs=0.02)
    assert all(value == pytest.approx(40.0, abs=0.5) for value in hit)


def test_drift_grows_with_time() -> None:
    samples = _with_fault(Fault("drift", "air", 0.0, size=1.0), to_s=7200.0)
    assert samples[-1].value == pytest.approx(32.0, abs=0.05)


@pytest.mark.parametrize("sentinel", [85.0, -127.0])
def test_sentinel_is_sent_as_it_is(sentinel: float) -> None:
    values = {s.value for s in _with_fault(Fault("sentinel", "air", 0.0, size=sentinel, share=0.3))}
    assert sentinel in values
    assert any(value == pytest.approx(30.0, abs=0.5) for value in values)


def test_pinned_humidity_shows_100() -> None:
    samples = _with_fault(Fault("pinned", "air-humidity", 1000.0, size=100.0), HUMID)
    assert {s.value for s in samples if s.at_s >= 1000.0} == {100.0}
    assert all(s.value < 100.0 for s in samples if s.at_s < 1000.0)


def test_offset_shifts_all_values() -> None:
    assert _with_fault(Fault("offset", "air", 0.0, size=-2.0))[-1].value == pytest.approx(28.0, abs=0.1)


def test_fault_of_one_probe_leaves_the_others_as_they_were() -> None:
    def others(faults: list[Fault]) -> list[Sample]:
        inc, probes = _rig(replace(AIR, noise=0.1), replace(KOJI, noise=0.1))
        probes.faults += faults
        return [s for s in _run(inc, probes, 3000.0) if s.name == "air"]

    assert others([Fault("spike", "bed", 0.0, size=9.0, share=0.5)]) == others([])


def test_star_hits_every_probe() -> None:
    inc, probes = _rig(AIR, KOJI)
    probes.faults.append(Fault("silent", "*", 100.0, 200.0))
    assert not [s for s in _run(inc, probes, 300.0) if 100.0 <= s.at_s < 200.0]


def test_swapped_probes_show_each_others_values() -> None:
    inc, probes = _rig(AIR, KOJI)
    _freeze(inc)
    inc.trays[0].temp = [40.0] * 4
    probes.swapped = {"air": "bed", "bed": "air"}
    last = {s.name: s for s in _run(inc, probes, 300.0)}
    assert last["air"].value > last["bed"].value
    assert last["air"].place == "air"
