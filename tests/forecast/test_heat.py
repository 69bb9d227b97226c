"""The heat balance against handbook figures, and regression checks of our own arithmetic (named so)."""

from __future__ import annotations

import numpy as np
import pytest

from kojimon.forecast import growth, heat
from kojimon.forecast.heat import Bed
from kojimon.forecast.thermal import KOJI
from tests.forecast import published

# -- outside checks ------------------------------------------------------------------------------------------


def test_vapour_pressure_against_iapws() -> None:
    """Saturation pressure of water by the reference library CoolProp (IAPWS-95), 20-50 °C, within 0.5 %."""
    from CoolProp.CoolProp import PropsSI  # it takes seconds to load

    for celsius in range(20, 51, 5):
        reference = PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water") / 1000.0
        assert float(heat.vapour_kpa(np.array(float(celsius)))) == pytest.approx(reference, rel=5e-3)


# -- regression checks: derived ------------------------------------------------------------------------------


def bed(**changed: float) -> Bed:
    """One member with the constants of the worked curve: logistic, Saucedo-like steepness left out."""
    nature = {
        "rate_per_h": 0.236, "opt_c": 37.5, "steep": 1.0, "heat_k": 94.0, "keep": 0.0,
        "shape": 1.0, "start": 0.004, "lag_h": 0.01, "loss_per_h": 0.438, "offset_k": 0.0, "wet": 0.0,
        "probe_lag_h": 0.0, "unknown_k_per_h": 0.1, "restless": 0.1, "humidity_pct": 85.0,
        "mix_share": 0.15,
    } | changed  # fmt: skip
    return Bed(*(np.array([nature[name]]) for name in Bed._fields))


def run(member: Bed, hours: float, air_c: float, saucedo: bool = False) -> tuple[list[float], list[float]]:
    """Bed temperatures and heats, once a minute, by the model's own functions."""
    bed_c, log_odds, step_h = np.array([32.0]), np.log(member.start / (1 - member.start)), 1 / 60
    beds, heats = [], []
    for _ in range(round(hours / step_h)):
        speed = 0.236 * published.saucedo(bed_c) if saucedo else heat.speed_at(member, bed_c)
        # The example's rate is that of the first cells, the model's that at a tenth of full growth.
        speed = speed * growth.early_brake(member.shape)
        flow = heat.metabolism(member, speed, log_odds, np.array([20.0]))
        change = heat.balance(member, bed_c, np.array(air_c), np.array(0.85), flow.heat_k_per_h)
        bed_c, log_odds = bed_c + change.rate_k_per_h * step_h, log_odds + flow.log_odds_per_h * step_h
        beds.append(float(bed_c[0]))
        heats.append(float(flow.heat_k_per_h[0]))
    return beds, heats


def test_regression_worked_curve() -> None:
    """The lumped bed of the worked example: peak 40.98 °C at 31.95 h, 5.81 W/kg at 28.9 h, 35 °C at 24 h. It was made
    by choosing the wall loss, so it validates nothing and only guards our arithmetic."""
    per_k = 4108.0 / 3600.0
    beds, heats = run(bed(heat_k=0.386e6 / 4108.0, loss_per_h=0.5 / per_k), 48.0, 30.0, saucedo=True)
    assert max(beds) == pytest.approx(40.98, abs=0.3)
    assert beds.index(max(beds)) / 60 == pytest.approx(31.95, abs=0.3)
    assert max(heats) * per_k == pytest.approx(5.81, abs=0.1)
    assert heats.index(max(heats)) / 60 == pytest.approx(28.9, abs=0.3)
    assert next(i for i, c in enumerate(beds) if c >= 35.0) / 60 == pytest.approx(24.0, abs=0.3)


def test_all_heat_is_given_in_the_end() -> None:
    """What growth makes over a whole batch is the heat yield, whatever the temperature did."""
    _, heats = run(bed(), 200.0, 30.0)
    assert sum(heats) / 60 == pytest.approx(94.0 * (1 - 0.004), rel=0.01)


def test_an_inert_bed_goes_to_the_air_and_a_wet_one_below_it() -> None:
    dry, _ = run(bed(heat_k=0.0), 30.0, 28.0)
    wet, _ = run(bed(heat_k=0.0, wet=0.3), 30.0, 28.0)
    assert dry[-1] == pytest.approx(28.0, abs=0.01)
    assert 25.0 < wet[-1] < 27.5


def test_heat_slope_is_the_derivative() -> None:
    member, log_odds, step = bed(keep=0.03, shape=2.0), np.array([-0.5]), 1e-4
    speed = heat.speed_at(member, np.array([36.0]))
    low, here, high = (heat.metabolism(member, speed, log_odds + d, np.array([3.0])) for d in (-step, 0.0, step))
    slope = (high.heat_k_per_h - low.heat_k_per_h) / (2 * step)
    assert here.heat_by_log_odds == pytest.approx(slope, rel=1e-4)


def test_damping_is_the_derivative() -> None:
    member, step = bed(wet=0.2), 1e-4
    low, here, high = (
        heat.balance(member, np.array([36.0 + d]), np.array(30.0), np.array(0.8), np.array([2.0]))
        for d in (-step, 0.0, step)
    )
    assert -(high.rate_k_per_h - low.rate_k_per_h) / (2 * step) == pytest.approx(here.damping_per_h, rel=1e-4)


def test_members_are_kept_where_the_formulas_make_sense() -> None:
    rng = np.random.default_rng(1)
    from kojimon.forecast.prior import PARAMETERS, published

    mean, spread = np.array(published().mean[: len(PARAMETERS)]), np.array([p.spread for p in PARAMETERS])
    wild = heat.bed_from(mean[:, None] + 3.0 * spread[:, None] * rng.standard_normal((len(PARAMETERS), 2000)))
    assert (wild.opt_c > (KOJI.min_c + KOJI.max_c) / 2).all()
    assert (wild.opt_c <= KOJI.max_c - 0.5).all()
    speed = heat.speed_at(wild, np.full(2000, 36.0))
    assert np.isfinite(speed).all()
    assert (speed > 0).all()
