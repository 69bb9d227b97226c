"""Which draws from the prior would make a batch as batches are known to go.

Ranges of parameters alone allow beds that never warm and beds that boil. What is published about whole batches
narrows them together: the members are run untouched in a box at 30 °C and weighted by three outcomes.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from kojimon.forecast.ensemble import GROWN, Ensemble, systematic
from kojimon.forecast.growth import Array
from kojimon.forecast.heat import balance, metabolism, speed_at

STEP_H: Final = 0.25
HOURS: Final = 64.0
BOX_C: Final = 30.0
RISE_C: Final = 35.0


class Outcome(NamedTuple):
    """A normal range of something a batch does, and where it is from."""

    middle: float
    spread: float
    source: str


RISE_H: Final = Outcome(24.0, 6.0, "bed at 34-36 degC at the middle work, 26-29 h after seeding, stirred on the way "
                        "(glossary of the Nada sake brewers; National Research Institute of Brewing, koji trials)")
PEAK_C: Final = Outcome(42.0, 4.5, "42-48 degC before the stir (a miso maker's page), low 40s by its own heat "
                        "(brewery page)")
DONE_H: Final = Outcome(45.0, 6.0, "taken out at 42-48 h (trays 43-48 h; farm page 42-45 h; textbook table 44 h)")


def outcomes(ensemble: Ensemble, complete_at: float, offset_k: Array | float = 0.0) -> tuple[Array, Array, Array]:
    """Hour the bed passes 35 °C, its highest temperature (°C) and hour of complete growth, of every member.

    An hour beyond the run counts as its end. The ensemble is not changed.
    """
    bed_c, log_odds, log_lag = (v.copy() for v in (ensemble.state[0], ensemble.state[GROWN], ensemble.log_lag))
    bed, air = ensemble.bed, np.asarray(BOX_C - offset_k)
    rise, done, peak = (np.full(ensemble.size, v) for v in (HOURS, HOURS, 0.0))
    full = np.log(complete_at / (1.0 - complete_at))
    for hour in np.arange(0.0, HOURS, STEP_H):
        flow = metabolism(bed, speed_at(bed, bed_c), log_odds, log_lag)
        change = balance(bed, bed_c, air, bed.humidity_pct / 100.0, flow.heat_k_per_h, ensemble.hold_c)
        bed_c = bed_c - change.rate_k_per_h * np.expm1(-change.damping_per_h * STEP_H) / change.damping_per_h
        log_odds = np.minimum(log_odds + flow.log_odds_per_h * STEP_H, 9.0)
        log_lag = np.minimum(log_lag + flow.lag_per_h * STEP_H, 20.0)
        if hour > 3.0:
            peak = np.maximum(peak, bed_c)
            rise = np.where(bed_c >= RISE_C, np.minimum(rise, hour), rise)
        done = np.where(log_odds >= full, np.minimum(done, hour), done)
    return rise, peak, done


def weigh(
    ensemble: Ensemble, members: int, complete_at: float, rng: np.random.Generator, offset_k: Array
) -> None:
    """Thins a large ensemble fresh from the prior to `members` that behave like batches.

    `offset_k`: how far each one's surroundings are usually above the air probe.
    """
    log_weight = np.zeros(ensemble.size)
    for found, known in zip(outcomes(ensemble, complete_at, offset_k), (RISE_H, PEAK_C, DONE_H), strict=True):
        # Student-t with 4 degrees of freedom: an odd batch is rare, not impossible.
        log_weight -= 2.5 * np.log1p(((found - known.middle) / known.spread) ** 2 / 4.0)
    weight = np.exp(log_weight - np.max(log_weight))
    ensemble.select(systematic(weight / weight.sum(), members, float(rng.random())))
