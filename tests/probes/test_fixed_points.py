"""Fixed points against published values, and the guided calibration built on them."""

import random
from math import exp

import pytest

from kojimon.air import pressure_pa
from kojimon.correction import correction
from kojimon.errors import RefusedError
from kojimon.probes.calibration.fixed_points import SALTS, salt_humidity_pct
from kojimon.probes.calibration.guide import (
    CRITERIA,
    FOR,
    Build,
    Method,
    Point,
    Steadiness,
    Steady,
    certificate,
    point,
    true_value,
)


@pytest.mark.parametrize(
    ("salt", "celsius", "humidity_pct"),
    # Greenspan, J. Res. NBS 81A (1977) p. 89, polynomials as quoted in public code; LiCl at 25 °C is 11.30 (10.89 is
    # a sign error found in one public file), NaCl at 25 °C 75.29 +- 0.12 as printed.
    [
        ("LiCl", 25, 11.30),
        ("MgCl2", 25, 32.79),
        ("NaCl", 25, 75.29),
        ("NaCl", 30, 75.09),
        ("KCl", 30, 83.63),
        ("K2SO4", 30, 97.01),
        ("Mg(NO3)2", 25, 52.90),
        ("KNO3", 25, 93.59),
    ],
)
def test_greenspans_fixed_points(salt: str, celsius: float, humidity_pct: float) -> None:
    assert salt_humidity_pct(salt, celsius) == pytest.approx(humidity_pct, abs=0.05)


@pytest.mark.parametrize(
    ("salt", "a", "b"),
    # CRC Handbook of Chemistry and Physics, "Constant humidity solutions": RH = A exp(B / T), +- 2 %; a fit of others.
    [("LiCl", 14.53, -75), ("MgCl2", 29.26, 34), ("NaCl", 69.20, 25), ("KCl", 49.38, 159), ("K2SO4", 86.75, 34)],
)
def test_the_salts_against_an_independent_fit(salt: str, a: float, b: float) -> None:
    for celsius in (20, 25, 30, 35, 40):
        assert salt_humidity_pct(salt, celsius) == pytest.approx(a * exp(b / (celsius + 273.15)), abs=2.0)


def test_a_salt_that_is_not_there_and_a_temperature_beyond_its_span() -> None:
    with pytest.raises(ValueError, match="NaCl"):
        salt_humidity_pct("sugar", 25)
    with pytest.raises(ValueError, match="20 to 50"):
        salt_humidity_pct("LiCl", 15)
    assert len(SALTS) == 7


@pytest.mark.parametrize(("hectopascals", "celsius"), [(950, 98.178), (1000, 99.606), (1013.25, 99.974)])
def test_boiling_water_is_true_by_the_pressure_where_it_boils(hectopascals: float, celsius: float) -> None:
    """1000 hPa: IAPWS R7-97(2012), table 36, 372.755919 K; the others by CoolProp's equation of state (calculated)."""
    assert true_value(Method.BOILING, pressure=100 * hectopascals) == pytest.approx(celsius, abs=0.02)


def test_a_pressure_of_another_unit_or_planet_is_refused() -> None:
    with pytest.raises(RefusedError, match="500 to 1100 hPa"):
        true_value(Method.BOILING, pressure=1013.25)


def settle(method: Method, values: list[float], every_s: float = 5.0) -> Steadiness:
    steady = Steady(CRITERIA[method])
    return [steady.take(round(at * every_s * 1000), value) for at, value in enumerate(values)][-1]


def test_a_reading_that_still_moves_is_not_steady() -> None:
    falling = [20 * 0.97**at for at in range(60)]
    assert not settle(Method.ICE, falling).steady
    assert settle(Method.ICE, [20 * 0.97**at for at in range(300)]).steady
    slowly = [at / 150 for at in range(60)]
    assert settle(Method.ICE, slowly).spread < CRITERIA[Method.ICE].spread and not settle(Method.ICE, slowly).steady
    jumping = [0.0, 0.5] * 40
    assert not settle(Method.ICE, jumping).steady


def test_a_short_look_or_a_gap_is_not_enough() -> None:
    assert not settle(Method.ICE, [0.1] * 10).steady
    steady = Steady(CRITERIA[Method.ICE])
    steady.take(0, 0.1)
    assert not steady.take(115_000, 0.1).steady


def test_a_noisy_probe_in_ice_becomes_a_certificate() -> None:
    noise = random.Random(1)
    values = [round((0.4 + noise.gauss(0, 0.03)) / 0.0625) * 0.0625 for _ in range(60)]
    now = settle(Method.ICE, values)
    ice = point(Method.ICE, Build.SEALED_HOT, now, true_value(Method.ICE))
    boiling = Point(Method.BOILING, 98.9, true_value(Method.BOILING, pressure=pressure_pa(500)), 0.1)
    made = certificate([ice, boiling], "temperature", "2025-11-03", "by hand")
    function = correction(made.points, "temperature")
    assert function is not None
    # Regression check (arithmetic): ice read 0.4 and boiling water 98.9 at 500 m turn 30.0 into 29.54.
    assert function(30.0) == pytest.approx(29.54, abs=0.03)
    assert made.date == "2025-11-03"
    assert "ice" in made.note
    assert "by hand" in made.note


def test_humidity_elements_and_unsealed_cables_never_enter_water() -> None:
    water = {Method.ICE, Method.FEVER_THERMOMETER, Method.BOILING}
    assert not water & set(FOR[Build.HUMIDITY])
    assert not water & set(FOR[Build.BARE])
    now = Steadiness(True, 0.1, 0.1, 0.0, 200.0)
    with pytest.raises(RefusedError, match="not for a humidity probe: ice; salt, reference would do"):
        point(Method.ICE, Build.HUMIDITY, now, 0.0)
    with pytest.raises(RefusedError, match="not for a sealed probe: boiling"):
        point(Method.BOILING, Build.SEALED, now, 99.0)


def test_nonsense_is_refused_in_words() -> None:
    with pytest.raises(RefusedError, match="not steady yet"):
        point(Method.ICE, Build.SEALED, Steadiness(False, 5.0, 3.0, -2.0, 60.0), 0.0)
    with pytest.raises(RefusedError, match="no probe is so far off"):
        point(Method.ICE, Build.SEALED, Steadiness(True, 21.0, 0.1, 0.0, 200.0), 0.0)
    with pytest.raises(RefusedError, match="34 to 42"):
        true_value(Method.FEVER_THERMOMETER, reading=25.0)
    with pytest.raises(RefusedError, match="other instrument"):
        true_value(Method.REFERENCE)
    with pytest.raises(RefusedError, match="5 to 50"):
        true_value(Method.SALT, reading=60.0)
    with pytest.raises(RefusedError, match="one point at least"):
        certificate([], "temperature", "2025-11-03")
    twice = Point(Method.ICE, 0.4, 0.0, 0.1)
    with pytest.raises(RefusedError, match="different readings"):
        certificate([twice, twice], "temperature", "2025-11-03")


def test_true_values() -> None:
    assert true_value(Method.FEVER_THERMOMETER, reading=37.1) == 37.1
    assert true_value(Method.REFERENCE, reading=61.0) == 61.0
    assert true_value(Method.SALT, salt="NaCl", reading=25.0) == pytest.approx(75.3, abs=0.05)
