"""How fast the mould grows: temperature, lag and saturation.

Every function takes and gives plain floats or numpy arrays (elementwise). Temperatures are °C, times hours.

Sources, named once here and pointed at from each function:

* Rosso, L., Lobry, J. R., Flandrois, J. P. (1993): see `thermal`.
* Baranyi, J., Roberts, T. A. (1994), "A dynamic approach to predicting bacterial growth in food", Int. J. Food
  Microbiol. 23:277-294 (from memory).
"""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from kojimon.forecast.thermal import fraction

Array = NDArray[np.float64]
Num = TypeVar("Num", float, Array)


def ctmi(temperature_c: Num, min_c: Num | float, opt_c: Num, max_c: Num | float) -> Num:
    """Cardinal temperature model with inflection, as a fraction of the rate at the optimum; 0 beyond Tmin and Tmax.

    Sensible only for Topt above the middle of Tmin and Tmax. Source: Rosso, Lobry & Flandrois
    1993 (`thermal.fraction`).
    """
    inside: Num = np.clip(temperature_c, min_c, max_c)
    return fraction(inside, min_c, opt_c, max_c)


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
