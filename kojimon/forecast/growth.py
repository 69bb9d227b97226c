"""How fast the mould grows: temperature, water, lag and saturation.

Every function takes and gives plain floats or numpy arrays (elementwise). Temperatures are °C, times hours.

Sources, named once here and pointed at from each function:

* Rosso, L., Lobry, J. R., Flandrois, J. P. (1993): see `thermal`.
* Mitchell, D. A., Krieger, N., Berovic, M. (eds.) (2006), "Solid-State Fermentation Bioreactors", Springer.
* Gibson, A. M., Baranyi, J., Pitt, J. I., Eyles, M. J., Roberts, T. A. (1994), "Predicting fungal growth: the
  effect of water activity on Aspergillus flavus and related species", Int. J. Food Microbiol. 23:419-431.
* Zwietering, M. H., Jongenburger, I., Rombouts, F. M., van 't Riet, K. (1990), "Modeling of the bacterial growth
  curve", Appl. Environ. Microbiol. 56(6):1875-1881.
* Baranyi, J., Roberts, T. A. (1994), "A dynamic approach to predicting bacterial growth in food", Int. J. Food
  Microbiol. 23:277-294 (from memory).
"""

from __future__ import annotations

from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from kojimon.forecast.thermal import Cardinal, fraction

Array = NDArray[np.float64]
Num = TypeVar("Num", float, Array)

GAS_J_PER_MOL_K: Final = 8.314
"""Gas constant as used with the Saucedo-Castaneda constants (Mitchell et al. 2006, reactor model parameters)."""


A_FLAVUS: Final = Cardinal(10.0, 33.0, 43.0)
"""Growth limits of A. flavus, the nearest relative (table of growth limits in a HACCP manual, Appendix 1)."""

B_FULVA: Final = Cardinal(9.1, 32.1, 46.4)
"""Byssochlamys fulva on malt agar, fitted with this model (Byssochlamys growth modelling, Food Microbiol., 2010)."""


def ctmi(temperature_c: Num, min_c: Num, opt_c: Num, max_c: Num) -> Num:
    """Cardinal temperature model with inflection, as a fraction of the rate at the optimum; 0 beyond Tmin and Tmax.

    Sensible only for Topt above the middle of Tmin and Tmax (`ctmi_is_sensible`). Source: Rosso, Lobry & Flandrois
    1993 (`thermal.fraction`).
    """
    inside: Num = np.clip(temperature_c, min_c, max_c)
    return fraction(inside, min_c, opt_c, max_c)


def ctmi_is_sensible(cardinal: Cardinal) -> bool:
    """Whether the cardinal model has one optimum for this set: Topt above the middle (from memory)."""
    return cardinal.min_c < cardinal.opt_c < cardinal.max_c and cardinal.opt_c > (cardinal.min_c + cardinal.max_c) / 2


def saucedo(temperature_c: Num) -> Num:
    """Activation and heat loss of the growth enzymes, as a fraction of the rate at 38 °C. It has no upper limit.

    mu(T) = A exp(-Ea1 / R(T + 273)) / (1 + B exp(-Ea2 / R(T + 273))), Ea1 = 70,225 and Ea2 = 283,356 J/mol.
    Kept for comparison with `ctmi`; the two differ by up to 0.12 below the optimum and by 0.2 at 45 °C.

    Source: Saucedo-Castaneda et al. 1990, as used by Mitchell et al. 2006; A = 8.31e11 and B = 1.3e47 from memory
    (they reproduce the published optimum of 38 °C).
    """
    kelvin = temperature_c + 273.0
    rise = 8.31e11 * np.exp(-70225.0 / (GAS_J_PER_MOL_K * kelvin))
    fall = 1.0 + 1.3e47 * np.exp(-283356.0 / (GAS_J_PER_MOL_K * kelvin))
    fraction: Num = rise / fall
    return fraction


class WaterFit(NamedTuple):
    """One strain's fit of ln(rate) = c0 + c1 b + c2 b^2 with b = sqrt(1 - water activity)."""

    c0: float
    c1: float
    c2: float


A_ORYZAE_WATER: Final = (
    WaterFit(-0.3915, 5.571, -25.16),
    WaterFit(-0.7385, 6.720, -27.08),
    WaterFit(-0.4344, 6.904, -29.72),
)
"""A. oryzae, three strains, basal medium, water activity 0.80-0.998 (Gibson et al. 1994 as re-coded in the public
collection of predictive models GroPIN, models 1361, 1365 and 1369). The rate's unit is not stated: use ratios."""


def water_factor(water_activity: Num, fit: WaterFit = A_ORYZAE_WATER[0]) -> Num:
    """Growth at a water activity as a fraction of the best one; 1 wetter than the best, where the fit is not meant.

    Source: Gibson et al. 1994, quadratic in sqrt(1 - aw); combining it with temperature as a product of fractions
    follows Mitchell et al. 2006 (the product itself from memory).
    """
    best = -fit.c1 / (2.0 * fit.c2)
    b = np.maximum(np.sqrt(np.clip(1.0 - water_activity, 0.0, 0.2)), best)
    fraction: Num = np.exp(fit.c2 * (b - best) ** 2)
    return fraction


def best_water_activity(fit: WaterFit = A_ORYZAE_WATER[0]) -> float:
    """Water activity of fastest growth: the vertex of the quadratic (Gibson et al. 1994)."""
    return 1.0 - (fit.c1 / (2.0 * fit.c2)) ** 2


def logistic(hours: Num, start: float, full: float, rate_per_h: float) -> Num:
    """Biomass by logistic growth at a constant rate: full / (1 + (full/start - 1) exp(-rate t)).

    `start` and `full` in any one unit. Source: Mitchell et al. 2006, growth kinetics of the reactor models.
    """
    grown: Num = full / (1.0 + (full / start - 1.0) * np.exp(-rate_per_h * hours))
    return grown


def logistic_inflection_h(start: float, full: float, rate_per_h: float) -> float:
    """Hour of fastest growth of `logistic`: ln(full/start - 1) / rate. There the growth rate is rate * full / 4."""
    return float(np.log(full / start - 1.0) / rate_per_h)


def richards_brake(grown: Num, shape: Num) -> Num:
    """What is left of the growth rate at `grown` (0-1 of what the rice can carry): 1 - grown^shape.

    Shape 1 is the logistic brake; below 1 growth slows earlier, as in the Gompertz law, above 1 later. Uncertain,
    because the law of an unseen batch is (Richards, F. J. 1959, J. Exp. Bot. 10:290-301, from memory).
    """
    brake: Num = 1.0 - grown**shape
    return brake


EARLY: Final = 0.1
"""Share of full growth at which a member's growth rate is meant, whatever its brake."""


def early_brake(shape: Num) -> Num:
    """The brake at `EARLY`. Rates divided by it are all meant at one point, so an early brake alone slows no member:
    what is known of growth rates is from growing cultures, not from the first cells."""
    brake: Num = 1.0 - EARLY**shape
    return brake


def readiness(log_work: Num) -> Num:
    """How far past the lag the culture is, 0-1: q / (1 + q), with ln q growing at the rate growth would have.

    Source: Baranyi & Roberts 1994, adjustment function (from memory). A lag of L hours at the rate mu starts from
    ln q = -ln(exp(mu L) - 1), see `lag_work`.
    """
    ready: Num = 1.0 / (1.0 + np.exp(-log_work))
    return ready


def lag_work(rate_times_lag: Num) -> Num:
    """ln q at inoculation for a lag, given the rate (1/h) times the lag (h): -ln(exp(mu L) - 1)."""
    work: Num = -np.log(np.expm1(rate_times_lag))
    return work


def modified_gompertz(hours: Num, rise: float, rate_per_h: float, lag_h: float) -> Num:
    """A exp(-exp((mu e / A)(lambda - t) + 1)); steepest (slope mu) at t = lambda + A / (mu e).

    Source: Zwietering et al. 1990, modified Gompertz equation.
    """
    grown: Num = rise * np.exp(-np.exp(rate_per_h * np.e / rise * (lag_h - hours) + 1.0))
    return grown


def modified_logistic(hours: Num, rise: float, rate_per_h: float, lag_h: float) -> Num:
    """A / (1 + exp((4 mu / A)(lambda - t) + 2)); steepest (slope mu) at t = lambda + A / (2 mu).

    Source: Zwietering et al. 1990, modified logistic equation.
    """
    grown: Num = rise / (1.0 + np.exp(4.0 * rate_per_h / rise * (lag_h - hours) + 2.0))
    return grown
