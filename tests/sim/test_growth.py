"""Growth factors, germination and the chemistry of respiration."""

import pytest

from kojisim.physics.growth import (
    Germination,
    heat_damage_h,
    starch_factor,
    temperature_factor,
    temperature_factor_fast,
    water_activity,
    water_factor,
)
from kojisim.physics.params import (
    HEAT_PER_MOL_O2,
    STARCH_PER_MOL_O2,
    WATER_PER_MOL_O2,
    GrowthParams,
)


def test_growth_is_fastest_near_38_degrees() -> None:
    # Narahara et al. 1982, J. Ferment. Technol. 60(4):311-319: optimum 38 °C on steamed rice; another series on
    # steamed rice (J. Brew. Soc. Japan) has about 37.5 °C.
    best = max((temperature_factor(t / 10), t / 10) for t in range(200, 500))
    assert best[1] == pytest.approx(38.0, abs=0.6)
    assert best[0] == pytest.approx(1.0, abs=1e-3)


def test_table_of_the_temperature_factor_is_close_to_the_formula() -> None:
    errors = [abs(temperature_factor(t / 7) - temperature_factor_fast(t / 7)) for t in range(7, 480)]
    assert max(errors) < 5e-4


@pytest.mark.parametrize(("temp_c", "share"), [(20, 0.251), (30, 0.638), (35, 0.918), (42, 0.806), (45, 0.515)])
def test_temperature_factor_has_not_changed(temp_c: float, share: float) -> None:
    assert temperature_factor(temp_c) == pytest.approx(share, abs=1e-3)


@pytest.mark.parametrize(("activity", "share"), [(0.99, 0.997), (0.97, 0.906), (0.95, 0.726), (0.90, 0.346)])
def test_water_factor_has_not_changed(activity: float, share: float) -> None:
    assert water_factor(activity) == pytest.approx(share, abs=2e-3)


def test_rice_too_dry_slows_growth_and_wetter_rice_does_not() -> None:
    # J. Brew. Soc. Japan (series on solid culture): the growth rate falls at 24 % water and below; above 33 %
    # it does not depend on water.
    def rate(water_pct: float) -> float:
        return water_factor(water_activity(water_pct / (100.0 - water_pct)))

    assert rate(33.0) > 0.95
    assert rate(40.0) > 0.95
    assert rate(24.0) < 0.75
    assert rate(18.0) < 0.35


def test_starch_factor_runs_from_one_to_zero() -> None:
    values = [starch_factor(x / 10, 1.0) for x in range(11)]
    assert values[0] == pytest.approx(1.0)
    assert values[-1] == 0.0
    assert values == sorted(values, reverse=True)


def test_hyphae_come_at_8_to_12_hours() -> None:
    # A spore maker's page: hyphae under the microscope at 8 h; shoyu koji: germination at 10-12 h, bed 30-35 °C.
    chain, hours, grown = Germination(GrowthParams()), 0.0, 0.0
    while grown < 0.5:
        grown += chain.advance(0.05, temperature_factor(30.5))
        hours += 0.05
    assert 8.0 <= hours <= 12.0


def test_every_spore_germinates_once() -> None:
    chain = Germination(GrowthParams(viability=0.8))
    grown = sum(chain.advance(0.1, 1.0) for _ in range(1000))
    assert grown == pytest.approx(0.8, abs=1e-6)


def test_dead_starter_never_germinates() -> None:
    chain = Germination(GrowthParams(viability=0.0))
    assert chain.advance(100.0, 1.0) == 0.0


def test_heat_of_respiration_agrees_with_calorimetry() -> None:
    # "Calorimetric investigation of aerobic fermentations", Biotechnol. Bioeng. 30(5):650-660: 440 kJ/mol O2, so
    # 0.5 mol O2 per kg and hour is 61.1 W/kg.
    assert pytest.approx(61.1, rel=0.01) == 0.5 * HEAT_PER_MOL_O2 / 3600.0


def test_starch_burns_to_carbon_dioxide_and_water() -> None:
    # C6H10O5 + 6 O2 -> 6 CO2 + 5 H2O conserves mass: per mole O2, 31.998 g oxygen and 44.010 g carbon dioxide.
    assert pytest.approx(0.044010 + WATER_PER_MOL_O2, rel=1e-4) == STARCH_PER_MOL_O2 + 0.031998


def test_heat_harms_only_above_45_degrees() -> None:
    assert heat_damage_h(45.0) == 0.0
    assert 0.0 < heat_damage_h(46.0) < heat_damage_h(49.0) <= heat_damage_h(60.0)
