"""The bed's heat balance: what the mould makes, what the box takes, what evaporates.

One lump of koji with box air around it, for many members at once: every array has one element a member. Times are
hours, temperatures °C; heat is counted per heat capacity of the bed, so it reads as K/h and needs no mass.

    dT/dt = H + e - k (T - Tair - d) - k w (es(T) - RH es(Tair)) / 0.066 kPa/K

H metabolic heat of growth and maintenance, e what the model leaves out (a random process with a memory of
`MEMORY_H`), k exchange with the air, d offset of the air probe, w wetness. Term list: Mitchell et al. 2006,
lumped balance of a well-mixed bed (Fig. 12.4), without forced aeration; wall loss k (T - Tair) as their Eq. 18.6.
Evaporation from the heat and mass transfer analogy, with the psychrometric constant (Lewis number near 1).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from kojimon.forecast.growth import Array, ctmi, early_brake, readiness
from kojimon.forecast.prior import NAMES, PARAMETERS
from kojimon.forecast.thermal import KOJI

MEMORY_H: Final = 8.0
"""How long an error of the heat balance lasts; chosen on tuning seeds."""
HOLD_BAND_K: Final = 3.0
"""Between full heat and none of a thermostat in the koji, as its swings and spots leave it; chosen."""
PSYCHROMETRIC_KPA_PER_K: Final = 0.066
"""Psychrometric constant near 101 kPa (0.00066 1/K times 101.3 kPa, psychrometer formula in the AMS glossary)."""


class Bed(NamedTuple):
    """Parameters of the members in natural units; names and units as in `prior.PARAMETERS`."""

    rate_per_h: Array
    opt_c: Array
    steep: Array
    heat_k: Array
    keep: Array
    shape: Array
    start: Array
    lag_h: Array
    loss_per_h: Array
    offset_k: Array
    wet: Array
    probe_lag_h: Array
    unknown_k_per_h: Array
    restless: Array
    humidity_pct: Array
    mix_share: Array


assert Bed._fields == NAMES, "the rows of the ensemble and the bed's parameters must be one list"

_LOG_ROWS: Final = np.array([p.scale == "log" for p in PARAMETERS])


def bed_from(rows: Array) -> Bed:
    """Members in natural units from their rows on the scales, kept where the formulas make sense."""
    nature = rows.copy()
    nature[_LOG_ROWS] = np.exp(nature[_LOG_ROWS])
    bed = Bed(*nature)
    np.clip(bed.opt_c, 30.0, 43.0, out=bed.opt_c)
    np.clip(bed.start, 1e-6, 0.3, out=bed.start)
    np.clip(bed.humidity_pct, 30.0, 100.0, out=bed.humidity_pct)
    return bed


def vapour_kpa(temperature_c: Array) -> Array:
    """Saturation vapour pressure over water, kPa: exp((16.78 T - 116.9) / (T + 237.3)).

    Source: the formula beside the AMS glossary's psychrometer equation; within 0.2 % of steam tables at 20-50 °C.
    """
    pressure: Array = np.exp((16.78 * temperature_c - 116.9) / (temperature_c + 237.3))
    return pressure


class Flow(NamedTuple):
    """One instant of the members: growth and heat at their present state.

    Attributes:
        log_odds_per_h: rate of ln(x / (1 - x)), x the share of full growth reached.
        lag_per_h: rate of ln q, the work of the lag.
        heat_k_per_h: metabolic heat over the bed's heat capacity.
        heat_by_log_odds: slope of the heat in ln(x / (1 - x)).
    """

    log_odds_per_h: Array
    lag_per_h: Array
    heat_k_per_h: Array
    heat_by_log_odds: Array


def speed_at(bed: Bed, bed_c: Array) -> Array:
    """Specific growth rate at a bed temperature, 1/h: cardinal model of Rosso et al. 1993 to a power near 1."""
    fraction = ctmi(bed_c, KOJI.min_c, bed.opt_c, KOJI.max_c)
    return bed.rate_per_h * np.maximum(fraction, 1e-6) ** bed.steep


def metabolism(bed: Bed, speed: Array, log_odds: Array, log_lag: Array) -> Flow:
    """Growth and heat of every member at a specific growth rate (`speed_at`, strayed as the member does).

    Growth: speed x readiness x (1 - x^shape) / (1 - 0.1^shape), with the lag of Baranyi & Roberts 1994 and the brake
    of Richards 1959, one at a tenth of full growth (`growth.early_brake`). Heat: in proportion to growth (Mitchell et
    al. 2006, Q = YQ dX/dt) plus maintenance in proportion to what has grown.
    """
    odds = np.exp(log_odds)
    rest = 1.0 / (1.0 + odds)
    grown = odds * rest
    full = grown**bed.shape
    ready = readiness(log_lag)
    ready = ready / early_brake(bed.shape)
    growth = speed * ready * (1.0 - full)
    yielded = bed.heat_k * speed * grown
    heat = yielded * (ready * (1.0 - full) + bed.keep)
    slope = yielded * rest * (ready * (1.0 - (1.0 + bed.shape) * full) + bed.keep)
    return Flow(growth / rest, speed, heat, slope)


class Change(NamedTuple):
    """How the bed's temperature moves: its rate (K/h) and its damping (1/h, for an exact linear step)."""

    rate_k_per_h: Array
    damping_per_h: Array


def balance(
    bed: Bed, bed_c: Array, air_c: Array, humidity: Array, made_k_per_h: Array, hold_c: Array | float = np.inf
) -> Change:
    """Rate of the bed's temperature from heat made and losses. `humidity` is a fraction of saturation.

    `hold_c`: what a thermostat in the koji holds: it takes the offset away (a mat's warmth) from koji that is warmer.
    """
    on = np.clip((hold_c - bed_c) / HOLD_BAND_K + 0.5, 0.0, 1.0)
    own_kpa = vapour_kpa(bed_c)
    drying = bed.loss_per_h * bed.wet / PSYCHROMETRIC_KPA_PER_K
    rate = (
        made_k_per_h
        - bed.loss_per_h * (bed_c - air_c - on * bed.offset_k)
        - drying * (own_kpa - humidity * vapour_kpa(air_c))
    )
    # Slope of the vapour pressure curve, from the derivative of the formula above.
    damping = bed.loss_per_h + drying * own_kpa * (4098.8 / (bed_c + 237.3) ** 2)
    damping = damping + np.where((on > 0.0) & (on < 1.0), bed.loss_per_h * bed.offset_k / HOLD_BAND_K, 0.0)
    return Change(rate, damping)
