"""Moist air against published values and a reference library."""

import pytest

from kojimon.air import (
    Ventilation,
    absolute_humidity_g_m3,
    boiling_point_c,
    dew_point_c,
    dry_wet_difference_k,
    humidity_from_wet_bulb_pct,
    pressure_pa,
    saturation_pressure_pa,
    vapour_pressure_deficit_kpa,
    wet_bulb_c,
)


def test_saturation_pressure_of_the_industrial_formulation() -> None:
    # IAPWS R7-97(2012), table 35 (region 4), as quoted in public test suites: 300 K -> 0.353658941e-2 MPa. (Its other
    # two rows, 500 and 600 K, lie beyond our span.)
    assert saturation_pressure_pa(300.0 - 273.15) == pytest.approx(3536.58941, rel=3e-4)


def test_boiling_point_of_the_industrial_formulation() -> None:
    # IAPWS R7-97(2012), table 36: 0.1 MPa -> 372.755919 K.
    assert boiling_point_c(1e5) == pytest.approx(372.755919 - 273.15, abs=2e-3)


@pytest.mark.parametrize(
    ("celsius", "pascal"),
    # ASHRAE Handbook - Fundamentals 2017, chapter 1, table 3, as quoted in the test file of PsychroLib.
    [(-20, 103.24), (-5, 401.74), (5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418.0), (150, 476101.4)],
)
def test_saturation_pressure_of_the_ashrae_table(celsius: float, pascal: float) -> None:
    assert saturation_pressure_pa(celsius) == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(
    ("metres", "pascal"),
    # ASHRAE Handbook - Fundamentals 2017, chapter 1, table 1.
    [(-500, 107478), (0, 101325), (500, 95461), (1000, 89875), (4000, 61640), (10000, 26436)],
)
def test_pressure_of_the_standard_atmosphere(metres: float, pascal: float) -> None:
    assert pressure_pa(metres) == pytest.approx(pascal, abs=1)


def test_example_1_of_the_ashrae_chapter() -> None:
    # 40 °C dry, 20 °C thermodynamic wet bulb, 101.325 kPa: dew point 7 °C, relative humidity 14 %.
    assert wet_bulb_c(40, 14) == pytest.approx(20, abs=0.2)
    assert dew_point_c(40, 14) == pytest.approx(7, abs=0.5)
    assert humidity_from_wet_bulb_pct(40, 20, Ventilation.ASPIRATED) == pytest.approx(14, abs=1)


@pytest.mark.parametrize(
    ("metres", "celsius"),
    # About 98.3 °C at 500 m and about 0.6 °C for each 168 m: two kitchen references on thermometer checks.
    [(500, 98.3), (168, 99.4)],
)
def test_boiling_point_by_altitude_as_cooks_have_it(metres: float, celsius: float) -> None:
    assert boiling_point_c(pressure_pa(metres)) == pytest.approx(celsius, abs=0.05)


PRINTED = """
20 91 83 75 67 59 52 45 38 32
21 91 83 75 68 60 53 47 40 34
22 92 84 76 69 61 54 48 41 35
23 92 84 77 69 62 56 49 43 37
24 92 84 77 70 63 57 50 44 38
25 92 85 77 71 64 57 51 45 40
26 92 85 78 71 65 58 52 46 41
27 93 85 78 72 65 59 53 47 42
28 93 86 79 72 66 60 54 49 43
29 93 86 79 73 67 61 55 50 44
30 93 86 80 73 67 61 56 50 45
31 93 86 80 74 68 62 57 51 46
32 93 87 80 74 68 63 57 52 47
33 93 87 81 75 69 63 58 53 48
34 93 87 81 75 69 64 59 54 49
"""
"""Relative humidity by dry bulb (rows, °C) and depression of 1 to 9 K: "2.3 Relative Humidity Table", a school table,
studylib.net/doc/18052207. Its figures are those of an aspirated psychrometer."""


@pytest.mark.parametrize("row", PRINTED.split("\n")[1:-1], ids=lambda row: row[:2])
def test_the_printed_psychrometric_table(row: str) -> None:
    dry_c, *humidities = (float(cell) for cell in row.split())
    for depression_k, printed_pct in enumerate(humidities, 1):
        computed_pct = humidity_from_wet_bulb_pct(dry_c, dry_c - depression_k, Ventilation.ASPIRATED)
        assert computed_pct == pytest.approx(printed_pct, abs=2)


def test_a_worked_example_in_fahrenheit() -> None:
    # SEG wiki, worked example to figure A-7: 95 °F dry, 80 °F wet, 750 ft: 52.4 %.
    humidity_pct = humidity_from_wet_bulb_pct(35.0, 80 / 1.8 - 32 / 1.8, Ventilation.ASPIRATED, pressure_pa(228.6))
    assert humidity_pct == pytest.approx(52.4, abs=1.0)


def test_an_example_of_a_technical_manual() -> None:
    # US Army TM 5-3610-285-14, humidity table: 68 °F dry, 62 °F wet -> 71 %.
    assert humidity_from_wet_bulb_pct(20.0, 30 / 1.8, Ventilation.ASPIRATED) == pytest.approx(71, abs=1)


@pytest.mark.parametrize(
    ("ventilation", "pascal", "humidity_pct"),
    # Regression check (computed from FAO-56 eq. 15/16 with R7-97 pressures): 30 °C dry, 26 °C wet.
    [
        (Ventilation.ASPIRATED, 101325, 72.89),
        (Ventilation.NATURAL, 101325, 71.57),
        (Ventilation.ASPIRATED, 85000, 73.91),
        (Ventilation.NATURAL, 85000, 72.80),
    ],
)
def test_coefficient_and_pressure_matter(ventilation: Ventilation, pascal: float, humidity_pct: float) -> None:
    assert humidity_from_wet_bulb_pct(30, 26, ventilation, pascal) == pytest.approx(humidity_pct, abs=0.05)


def test_the_coefficients_are_those_of_fao_56() -> None:
    # FAO Irrigation and Drainage Paper 56, eq. 16: 0.000662 aspirated, 0.000800 naturally ventilated, 0.001200 indoors.
    assert [way.value for way in Ventilation] == [0.000662, 0.0008, 0.0012]


@pytest.mark.parametrize(("dry_c", "wet_c", "what"), [(25, 25.01, "look at the wick"), (40, 5, "too cold")])
def test_impossible_pairs_are_refused(dry_c: float, wet_c: float, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        humidity_from_wet_bulb_pct(dry_c, wet_c)


@pytest.mark.parametrize("humidity_pct", [-0.1, 100.1, float("nan")])
def test_humidity_outside_0_to_100_is_refused(humidity_pct: float) -> None:
    for function in (dew_point_c, wet_bulb_c, absolute_humidity_g_m3, vapour_pressure_deficit_kpa):
        with pytest.raises(ValueError, match="humidity"):
            function(30, humidity_pct)


def test_other_spans_are_refused() -> None:
    with pytest.raises(ValueError, match="altitude"):
        pressure_pa(20_000)
    with pytest.raises(ValueError, match=r"expected .* °C"):
        saturation_pressure_pa(float("nan"))
    with pytest.raises(ValueError, match="hPa"):
        boiling_point_c(1013.25)
    with pytest.raises(ValueError, match="above 0"):
        dew_point_c(30, 0)


def test_self_heating_keeps_the_dew_point() -> None:
    # Regression check (computed): 30.0 °C / 90 % and 30.5 °C / 87.46 % are the same air.
    assert dew_point_c(30.5, 87.46) == pytest.approx(dew_point_c(30.0, 90.0), abs=0.01)


class Worst:
    """The largest difference of each quantity and where it was."""

    def __init__(self) -> None:
        self.found: dict[str, tuple[float, str]] = {}

    def note(self, name: str, difference: float, where: str) -> None:
        if abs(difference) > abs(self.found.get(name, (0.0, ""))[0]):
            self.found[name] = (difference, where)


def compare(worst: Worst, celsius: float, humidity: float, pressure: float) -> None:
    """One point of the grid against CoolProp HAPropsSI (ASHRAE RP-1485)."""
    from CoolProp.HumidAirProp import HAPropsSI

    where = f"{celsius} °C, {humidity} %, {pressure:g} Pa"
    given = ("T", celsius + 273.15, "P", pressure, "R", humidity / 100)
    water = HAPropsSI("W", *given)
    worst.note("dew or frost point, K", dew_point_c(celsius, humidity) - (HAPropsSI("D", *given) - 273.15), where)
    wet = HAPropsSI("B", *given) - 273.15
    if wet > 0.5:  # over water; with ice on the wick the two count differently
        worst.note("wet bulb, K", wet_bulb_c(celsius, humidity, pressure) - wet, where)
        difference = dry_wet_difference_k(celsius, humidity, pressure) - (celsius - wet)
        worst.note("dry/wet difference, K", difference, where)
    grams = 1000 * water / HAPropsSI("V", *given)
    worst.note("absolute humidity, %", 100 * (absolute_humidity_g_m3(celsius, humidity) / grams - 1), where)
    if humidity < 100:
        deficit = HAPropsSI("P_w", *given) * (100 / humidity - 1) / 1000
        worst.note("deficit, %", 100 * (vapour_pressure_deficit_kpa(celsius, humidity) / deficit - 1), where)


def test_against_coolprop_over_the_working_range(capsys: pytest.CaptureFixture[str]) -> None:
    worst = Worst()
    for pressure in (101325.0, 85000.0):
        for celsius in range(0, 61, 3):
            for humidity in range(5, 101, 5):
                compare(worst, celsius, humidity, pressure)
    with capsys.disabled():
        for name, (difference, where) in worst.found.items():
            print(
                f"\n  largest difference from CoolProp, 0-60 °C, 5-100 %: {name}: {difference:+.4f} at {where}", end=""
            )
    assert len(worst.found) == 5
    for name, (difference, _) in worst.found.items():
        assert abs(difference) <= (0.03 if name.endswith("K") else 0.75), name
