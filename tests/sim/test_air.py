"""Moist-air formulas of the simulator against published values."""

import pytest

from kojisim.physics.air import (
    PSYCHROMETER_A_ASPIRATED,
    humidity_pct,
    saturation_pa,
    vapour_from_wet_bulb,
    vapour_pa,
    wet_bulb_c,
)


@pytest.mark.parametrize(
    ("temp_c", "published_pa"),
    [
        # IAPWS R7-97(2012), table 35: 0.353658941e-2 MPa at 300 K.
        (26.85, 3536.58941),
        # ASHRAE Handbook - Fundamentals 2017, chapter 1, table 3.
        (5.0, 872.6),
        (25.0, 3169.7),
        (50.0, 12351.3),
    ],
)
def test_saturation_pressure_agrees_with_steam_tables(temp_c: float, published_pa: float) -> None:
    assert saturation_pa(temp_c) == pytest.approx(published_pa, rel=1e-3)


# "2.3 Relative Humidity Table" (wet- and dry-bulb table, whole % RH): dry bulb, depression, RH.
TABLE = [
    (20, 1, 91), (20, 5, 59), (20, 9, 32), (24, 3, 77), (26, 6, 58), (28, 2, 86), (28, 8, 49),
    (30, 1, 93), (30, 4, 73), (30, 5, 67), (30, 9, 45), (32, 3, 80), (32, 7, 57), (34, 2, 87), (34, 6, 64),
]  # fmt: skip


@pytest.mark.parametrize(("dry_c", "depression_k", "published_pct"), TABLE)
def test_humidity_from_wet_bulb_agrees_with_a_published_table(
    dry_c: float, depression_k: float, published_pct: float
) -> None:
    vapour = vapour_from_wet_bulb(dry_c, dry_c - depression_k, PSYCHROMETER_A_ASPIRATED)
    assert humidity_pct(vapour, dry_c) == pytest.approx(published_pct, abs=2.0)


def test_humidity_agrees_with_the_handbook_example() -> None:
    # ASHRAE Handbook - Fundamentals 2017, chapter 1, example 1: 40 °C dry, 20 °C wet: 14 % RH.
    vapour = vapour_from_wet_bulb(40.0, 20.0, PSYCHROMETER_A_ASPIRATED)
    assert humidity_pct(vapour, 40.0) == pytest.approx(14.0, abs=1.0)


@pytest.mark.parametrize("rh_pct", [30.0, 60.0, 85.0, 99.0])
def test_wet_bulb_undoes_the_psychrometer_equation(rh_pct: float) -> None:
    vapour = vapour_pa(30.0, rh_pct)
    wet = wet_bulb_c(30.0, vapour)
    assert vapour_from_wet_bulb(30.0, wet) == pytest.approx(vapour, abs=0.5)
    assert wet < 30.0


def test_wet_bulb_of_saturated_air_is_the_dry_bulb() -> None:
    assert wet_bulb_c(30.0, saturation_pa(30.0)) == 30.0
