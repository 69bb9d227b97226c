"""Growth against published tables, and regression checks of our own arithmetic (named so)."""

from __future__ import annotations

import numpy as np
import pytest

from kojimon.forecast import growth, thermal
from kojimon.forecast.growth import A_FLAVUS, B_FULVA
from kojimon.forecast.thermal import KOJI, Cardinal


def at(temperature_c: float, cardinal: Cardinal) -> float:
    return float(growth.ctmi(np.array(temperature_c), *(np.array(v) for v in cardinal)))


# -- outside checks: published numbers and facts of the trade -----------------------------------------------


def test_growth_stops_at_published_limits_of_a_flavus() -> None:
    """A. flavus grows from 10 to 43 °C, best at 33 (growth limits, HACCP manual, Appendix 1)."""
    assert at(43.0, A_FLAVUS) == 0.0
    assert at(5.0, A_FLAVUS) == 0.0
    assert at(33.0, A_FLAVUS) == pytest.approx(1.0, abs=1e-6)
    assert max(range(5, 48), key=lambda t: at(float(t), A_FLAVUS)) == 33


def test_saucedo_form_peaks_at_the_published_optimum() -> None:
    """Optimum of 38 °C for the activation energies 70,225 and 283,356 J/mol (Mitchell et al. 2006)."""
    grid = np.arange(20.0, 50.0, 0.01)
    fraction = growth.saucedo(grid)
    assert grid[fraction.argmax()] == pytest.approx(38.0, abs=0.1)
    assert fraction.max() == pytest.approx(1.0, abs=1e-3)


def test_best_water_activity_near_that_of_relatives() -> None:
    """Optimum water activity 0.984-0.985 for Byssochlamys (Food Microbiol. 2010), 0.97 for section Nigri
    (Astoreca et al. 2007, Int. J. Food Microbiol. 119:314-318): the three A. oryzae fits must lie around there."""
    assert [growth.best_water_activity(fit) for fit in growth.A_ORYZAE_WATER] == pytest.approx([0.985] * 3, abs=0.006)


def test_water_halves_growth_near_the_published_activity() -> None:
    """Growth of section Nigri halves at water activity 0.93 (Astoreca et al. 2007); A. oryzae's fit lies close."""
    assert float(growth.water_factor(np.array(0.93))) == pytest.approx(0.5, abs=0.1)


def test_thermal_time_of_a_common_batch_exceeds_reported_germination_by_visible_white() -> None:
    """On rice hyphae show from about 8 h near 35 °C and white from 18 h (a starter maker's page); at 29.4 °C a batch
    takes 40-50 h (common practice, no source). In hours at the optimum: the whole batch is worth 25-45, and
    what is visible at 18-24 h at 30 °C has had the 8 h at 35 °C that hyphae want."""
    white, early, late = (thermal.worth([(0.0, 29.4, h, 29.4)], KOJI.opt_c) for h in (18.0, 40.0, 50.0))
    assert thermal.worth([(0.0, 35.0, 8.0, 35.0)], KOJI.opt_c) < white
    assert 25.0 < early < late < 45.0


# -- regression checks: derived from the equations, not published -------------------------------------------


def test_regression_ctmi_values() -> None:
    assert at(25.0, A_FLAVUS) == pytest.approx(0.6933, abs=1e-3)
    assert [at(t, B_FULVA) for t in (15.0, 25.0, 35.0, 45.0)] == pytest.approx([0.204, 0.814, 0.963, 0.196], abs=1e-3)
    koji = Cardinal(8.0, 37.5, 46.0)
    assert [at(t, koji) for t in (20.0, 30.0, 40.0, 44.0)] == pytest.approx([0.270, 0.762, 0.949, 0.518], abs=1e-3)


@pytest.mark.parametrize("cardinal", [A_FLAVUS, B_FULVA, KOJI])
def test_ctmi_is_one_at_its_optimum_and_nowhere_above(cardinal: Cardinal) -> None:
    assert at(cardinal.opt_c, cardinal) == pytest.approx(1.0, abs=1e-6)
    grid = np.linspace(0.0, 60.0, 2401)
    values = growth.ctmi(grid, *(np.full_like(grid, v) for v in cardinal))
    assert values.max() <= 1.0 + 1e-9
    assert values.min() >= 0.0
    assert values[(grid <= cardinal.min_c) | (grid >= cardinal.max_c)].max() == 0.0


def test_a_set_with_its_optimum_below_the_middle_is_not_sensible() -> None:
    assert growth.ctmi_is_sensible(KOJI)
    assert not growth.ctmi_is_sensible(Cardinal(4.0, 20.0, 37.0))
    assert not growth.ctmi_is_sensible(Cardinal(10.0, 50.0, 45.0))


def test_regression_saucedo_values() -> None:
    assert growth.saucedo(np.array([30.0, 38.0, 42.0])) == pytest.approx([0.638, 1.000, 0.806], abs=0.01)


def test_the_two_temperature_forms_agree_as_far_as_they_do() -> None:
    """Regression: within 0.15 from 20 to 42 °C, apart at 45 °C where only one has an upper limit."""
    grid = np.arange(20.0, 42.01, 0.5)
    cardinal = growth.ctmi(grid, *(np.full_like(grid, v) for v in (8.0, 37.5, 46.0)))
    assert np.abs(cardinal - growth.saucedo(grid)).max() < 0.15
    assert float(growth.saucedo(np.array(45.0))) - at(45.0, Cardinal(8.0, 37.5, 46.0)) > 0.15


def test_regression_logistic() -> None:
    found = growth.logistic(np.array([20.0, 30.0, 48.0]), 0.001, 0.25, 0.236)
    assert found == pytest.approx([0.0776, 0.2067, 0.2492], abs=1e-3)
    assert growth.logistic_inflection_h(0.001, 0.25, 0.236) == pytest.approx(23.38, abs=0.01)
    assert growth.logistic_inflection_h(0.002, 0.25, 0.236) == pytest.approx(20.42, abs=0.01)


def test_logistic_solves_its_differential_equation() -> None:
    hours = np.linspace(0.0, 48.0, 4801)
    grown = growth.logistic(hours, 0.001, 0.25, 0.236)
    rate = np.gradient(grown, hours)
    assert rate == pytest.approx(0.236 * grown * growth.richards_brake(grown / 0.25, np.ones_like(grown)), abs=1e-4)


def test_regression_water_factor() -> None:
    fit = growth.A_ORYZAE_WATER[0]
    assert growth.best_water_activity(fit) == pytest.approx(0.9877, abs=0.0005)
    assert float(growth.water_factor(np.array(0.95), fit)) == pytest.approx(0.726, abs=0.005)
    table = growth.water_factor(np.array([0.98, 0.93, 0.90, 0.85]), fit)
    assert table == pytest.approx([0.977, 0.551, 0.346, 0.146], abs=0.005)


def test_wetter_than_the_best_is_no_worse() -> None:
    assert growth.water_factor(np.array([0.99, 0.998, 1.0])) == pytest.approx(1.0, abs=1e-9)


def test_regression_modified_gompertz_and_logistic() -> None:
    rise = float(np.log(1.43 / 0.14))
    grown = 0.14 * np.exp(growth.modified_gompertz(np.array([0.0, 60.0, 100.0]), rise, 0.07, 40.0))
    assert grown == pytest.approx([0.1400, 0.5509, 1.3658], rel=1e-3)
    assert growth.modified_logistic(np.array([10.0, 15.0]), 1.0, 0.1, 10.0) == pytest.approx([0.1192, 0.5], abs=1e-4)


def test_modified_forms_are_steepest_where_they_say() -> None:
    hours = np.linspace(0.0, 200.0, 200_001)
    for form, steepest_h in (
        (growth.modified_gompertz, 40.0 + 2.0 / (0.07 * np.e)),
        (growth.modified_logistic, 40.0 + 2.0 / (2 * 0.07)),
    ):
        slope = np.gradient(form(hours, 2.0, 0.07, 40.0), hours)
        assert hours[slope.argmax()] == pytest.approx(steepest_h, abs=0.01)
        assert slope.max() == pytest.approx(0.07, rel=1e-4)


def test_the_lag_lasts_as_long_as_it_says() -> None:
    """After a lag of L at rate mu growth has lost just mu L against growth without lag (Baranyi & Roberts 1994)."""
    rate, lag_h, step = 0.2, 8.0, 0.01
    work = float(growth.lag_work(np.array(rate * lag_h)))
    log_grown = 0.0
    for _ in range(int(80 / step)):
        log_grown += rate * float(growth.readiness(np.array(work))) * step
        work += rate * step
    assert log_grown == pytest.approx(rate * (80.0 - lag_h), abs=0.01)


def test_thermal_time_of_a_steady_bed_is_its_hours() -> None:
    assert thermal.worth([(1.0, 30.0, 9.0, 30.0)]) == pytest.approx(8.0)
    assert thermal.worth([(0.0, 37.5, 2.0, 37.5), (4.0, 37.5, 5.0, 37.5)], KOJI.opt_c) == pytest.approx(3.0)
    assert thermal.worth([(0.0, 5.0, 9.0, 5.0), (9.0, 60.0, 20.0, 60.0)]) == 0.0
    assert thermal.worth([]) == 0.0


def test_one_temperature_and_many_are_one_formula() -> None:
    grid = np.linspace(-5.0, 70.0, 151)
    assert [thermal.speed(float(c)) for c in grid] == pytest.approx(growth.ctmi(grid, *KOJI))
