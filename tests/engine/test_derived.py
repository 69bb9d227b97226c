"""Values derived from two probes in the state document: numbers against outside, ages, qualities, what is lacking."""

from __future__ import annotations

import pytest

from kojimon.contract.state import Derived
from tests.engine.derived import box, values

DAMP = ("dew_point_c", "absolute_humidity_g_m3", "vapour_pressure_deficit_kpa", "dry_wet_difference_k")


@pytest.mark.parametrize(
    ("warm_c", "damp_pct"), [(20.0, 40.0), (30.0, 80.0), (33.5, 92.0), (38.0, 60.0), (36.0, 100.0)]
)
def test_the_air_of_the_box_against_coolprop(warm_c: float, damp_pct: float) -> None:
    """CoolProp (HAPropsSI, after Herrmann, Kretzschmar and Gatley 2009) beside PsychroLib's ASHRAE relations."""
    from CoolProp.HumidAirProp import HAPropsSI  # it takes seconds to load

    state = ("T", warm_c + 273.15, "P", 101325.0, "R", damp_pct / 100)
    dew_c, bulb_c = (HAPropsSI(name, *state) - 273.15 for name in ("D", "B"))
    vapour_pa = HAPropsSI("P_w", *state)
    found = values(box(air=warm_c, damp=damp_pct))
    assert found["air", "dew_point_c"] == pytest.approx(dew_c, abs=0.04)
    assert found["air", "dry_wet_difference_k"] == pytest.approx(warm_c - bulb_c, abs=0.04)
    full_pa = HAPropsSI("P_w", "T", warm_c + 273.15, "P", 101325.0, "R", 1.0)
    assert found["air", "vapour_pressure_deficit_kpa"] == pytest.approx(
        (full_pa - vapour_pa) / 1000, rel=0.0075, abs=1e-3
    )
    assert found["air", "absolute_humidity_g_m3"] == pytest.approx(
        1000 * vapour_pa / (461.5 * (warm_c + 273.15)), rel=0.0075
    )


def test_the_hottest_koji_above_the_middle_of_the_air() -> None:
    found = box(bed=36.5, bed_2=38.0, air=30.0, air_2=31.0)
    (row,) = found.derived
    assert row == Derived("above_air_k", "bed", 7.5, 0.0, 0, ("bed-2", "air", "air-2"))


def test_air_and_room_each_with_their_own() -> None:
    found = values(box(air=30.0, damp=80.0, room=20.0, room_damp=50.0))
    assert set(found) == {(place, name) for place in ("air", "room") for name in DAMP}
    assert found["room", "dew_point_c"] == pytest.approx(9.3, abs=0.1), "psychrometric chart: 20 °C and 50 %"


def test_a_wet_bulb_stands_in_for_a_humidity_probe() -> None:
    """A printed psychrometric table (tests/air) has 79 % for 30 °C and 27 °C with a fan; in still air a bit less."""
    found = values(box(air=30.0, wet=27.0))
    assert found["air", "humidity_pct"] == pytest.approx(79, abs=2)
    assert found["air", "dry_wet_difference_k"] == 3.0
    assert found["air", "dew_point_c"] is not None
    with_both = values(box(air=30.0, damp=60.0, wet=27.0))
    assert ("air", "humidity_pct") not in with_both, "what is measured is not worked out"


def test_a_bad_reading_gives_no_number_and_says_so() -> None:
    found = box(bed=(37.0, 12), air=30.0, damp=80.0)
    row = found.derived[0]
    assert (row.name, row.value, row.quality, row.lacking) == ("above_air_k", None, 12, "quality")
    assert row.age_s == 10.0, "its last good reading"
    assert found.probes[0].quality == 12 and found.probes[0].value == 37.0
    assert values(found)["air", "dew_point_c"] is not None


def test_of_several_the_good_ones_count() -> None:
    found = box(bed=(41.0, 12), bed_2=36.0, air=30.0)
    (row,) = found.derived
    assert (row.value, row.quality, row.probes) == (6.0, 0, ("bed-2", "air"))


@pytest.mark.parametrize("late_s", [91.0, 3600.0])
def test_an_old_reading_gives_no_number(late_s: float) -> None:
    found = box(bed=36.0, air=30.0, damp=80.0, late_s=late_s)
    assert {row.value for row in found.derived} == {None}
    assert {row.lacking for row in found.derived} == {"fresh"}
    assert {row.age_s for row in found.derived} == {late_s}


def test_a_probe_that_never_spoke_and_readings_that_contradict_each_other() -> None:
    never = box(bed=None, air=30.0).derived[0]
    assert (never.value, never.age_s, never.lacking) == (None, None, "fresh")
    assert box(bed=None, air=30.0).probes[0].quality is None
    dry_wick = box(air=30.0, wet=31.0).derived
    assert {(row.value, row.lacking) for row in dry_wick} == {(None, "contradiction")}
    assert {row.lacking for row in box(air=30.0, damp=0.0).derived} == {"contradiction"}


def test_nothing_is_derived_of_what_is_not_there() -> None:
    assert box(bed=30.0).derived == () and box(air=30.0).derived == ()


def test_a_wet_bulb_says_more_humidity_high_up() -> None:
    """e = p_sat(wet) - 0.0008 p (dry - wet), FAO Irrigation and Drainage Paper 56 (1998), equations 15 and 16.

    p_sat(25 °C) = 3.1697 and p_sat(30 °C) = 4.2467 kPa: IAPWS R7-97; 83.5 kPa is the standard atmosphere at 1600 m.
    """
    low, high = (values(box(air=30.0, wet=25.0, pressure_pa=one)) for one in (101_325.0, 83_524.0))
    assert low["air", "humidity_pct"] == pytest.approx(100 * (3.1697 - 0.0008 * 101.325 * 5) / 4.2467, abs=0.1)
    assert high["air", "humidity_pct"] == pytest.approx(100 * (3.1697 - 0.0008 * 83.524 * 5) / 4.2467, abs=0.1)
