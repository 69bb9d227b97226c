"""Some hundred possible batches, weighted and resampled on the readings of the real one.

A particle filter. Each member holds its own parameters and its own small Kalman filter for the two things that
move fast: the bed's temperature and the error of the heat balance (`heat`), so that a member is judged on
how well it foresaw the next readings and not on its luck with noise. When few members carry the weight, the ensemble
is resampled and its parameters are moved a little towards their mean and spread again by as much (kernel shrinkage:
Liu, J., West, M. 2001, "Combined parameter and state estimation in simulation-based filtering", from memory).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from kojimon.forecast.growth import Array, lag_work
from kojimon.forecast.heat import MEMORY_H, Bed, balance, bed_from, metabolism, speed_at
from kojimon.forecast.prior import PARAMETERS, ROW

SHRINK: Final = 0.99
"""Kernel shrinkage: each resampling keeps this much of a member's distance from the mean; chosen on tuning seeds."""
TEMPER: Final = 0.5
"""Power on the likelihood, since errors of neighbouring blocks are not independent; chosen on tuning seeds."""
TAIL: Final = 4.0
"""Degrees of freedom of the Student-t likelihood: one odd block does not kill a member."""
HOLD_JITTER_K: Final = 0.4
"""How far what a thermostat in the koji holds (`hold_c`; none: infinite) is spread anew at a resampling; chosen."""
LATE_H: Final = 2.5 / 60.0
"""A block's median was true at its middle, half a block before the members are corrected by it."""
READ_K: Final = 0.10
"""Standard deviation of a block's median reading: noise, resolution and thermostat ripple; chosen."""
WANDER_K: Final = 0.03
"""Standard deviation the bed's temperature picks up in a block besides the heat balance; chosen."""
STRAY_H: Final = 30.0
"""How long a member's growth rate strays from its own; chosen on tuning seeds."""
MOST_LOG_ODDS: Final = 9.0
BED, ERROR, GROWN, STRAY, UPSET = STATES = range(5)
"""Rows of the state: bed °C, error of the heat balance K/h, ln(x / (1 - x)), ln of the growth rate's straying, and what
work upset in the heat balance for a while, K/h."""
UPSET_H: Final = 1.0
"""How long work upsets the heat balance: threads are torn and pause, the open box and wet faces cool; published pairs
are back within 1-3 h."""
UNREST, UNREST_H = 0.8, 1.5
"""Share of that which goes on changing, and for how long: threads come back when they will; chosen."""
UPSET_SHARE, UPSET_K_PER_H = 0.7, 0.8
"""How far a mixing does: standard deviation as a share of the heat made, and besides; chosen."""
_WALK: Final = np.array([p.walk for p in PARAMETERS])[:, None]


class Effect(NamedTuple):
    """What work does to the bed, uncertain: mean and spread of each change.

    `cools`: fall of the bed as a multiple of what a mixing takes there (each member's `mix_share`, learnt from the
    mixings seen); `cool_spread_k`: besides; `loss`: factor on the exchange, as ln; `set_back`: ln of the odds of
    growth. All chosen; spreading thins the layer.
    """

    cools: float
    cool_spread_k: float
    loss: float
    loss_spread: float
    set_back: float
    set_back_spread: float


EFFECTS: Final = {
    "mix": Effect(1.0, 2.0, 0.05, 0.15, -0.1, 0.25),
    "spread": Effect(1.0, 2.0, 0.50, 0.35, -0.1, 0.25),
    "furrow": Effect(0.4, 1.0, 0.20, 0.20, 0.0, 0.10),
    "wrap": Effect(0.0, 0.5, -0.40, 0.30, 0.0, 0.02),
    "unwrap": Effect(0.2, 0.5, 0.60, 0.50, 0.0, 0.02),
    "swap": Effect(0.2, 1.0, 0.0, 0.15, 0.0, 0.05),
    "unmarked": Effect(1.0, 2.0, 0.05, 0.25, -0.1, 0.25),
    "unknown": Effect(0.0, 2.0, 0.0, 0.25, 0.0, 0.20),
    "moved": Effect(0.0, 2.0, 0.0, 0.30, 0.0, 0.10),
}
"""Steps that change the bed. Of those that nobody told, `unmarked` is a fall of the readings that looks like a mixing,
`unknown` any other jump. `moved`: the probe lies elsewhere now."""
FALL_SPREAD: Final = 0.25
"""How far two mixings of a batch differ in what they take, as ln; chosen."""
LEAST_SHARE: Final = 0.01
"""A mixing that took nothing, or warmed the probe, counts as this much; chosen."""
MIX_MOST_K: Final = 8.0
"""No mixing takes more; chosen above the published pairs."""


def fall_k(effect: Effect, mix_share: Array, bed_c: Array, room_c: float) -> Array:
    """By how much work cools each member's bed, K."""
    fall: Array = effect.cools * np.clip(mix_share * (bed_c - room_c), 0.0, MIX_MOST_K)
    return fall


class Ensemble:
    """The members. Pure arithmetic on arrays: time comes in as steps, randomness from the generator given."""

    def __init__(self, mean: Array, cov: Array, members: int, rng: np.random.Generator, start_c: float) -> None:
        """Draws the members at inoculation.

        Args:
            mean: of the parameters on their scales.
            cov: covariance likewise.
            members: how many.
            rng: the only source of randomness.
            start_c: bed temperature at inoculation as far as known.
        """
        self.rng = rng
        self.rows: Array = mean[:, None] + _root(cov) @ rng.standard_normal((len(mean), members))
        self.log_weight: Array = np.zeros(members)
        self.bed: Bed = bed_from(self.rows)
        self.state: Array = np.zeros((len(STATES), members))
        self.state[BED] = start_c
        self.state[GROWN] = np.log(self.bed.start / (1.0 - self.bed.start))
        self.log_lag: Array = lag_work(np.minimum(self.bed.rate_per_h * self.bed.lag_h, 20.0))
        self.cov: Array = np.zeros((members, len(STATES), len(STATES)))
        self.cov[:, BED, BED] = 1.5**2
        self.cov[:, ERROR, ERROR] = self.bed.unknown_k_per_h**2
        self.cov[:, STRAY, STRAY] = self.bed.restless**2
        self.hold_c: Array = np.full(members, np.inf)
        self.made: Array = np.zeros(members)
        self.unrest: Array = np.zeros(members)
        self.moving: Array = np.zeros(members)

    @property
    def size(self) -> int:
        """How many members."""
        return int(self.log_weight.shape[0])

    def weights(self) -> Array:
        """Weights of the members, summing to 1."""
        raw: Array = np.exp(self.log_weight - np.max(self.log_weight))
        share: Array = raw / raw.sum()
        return share

    def advance(self, hours: float, air_c: Array, humidity: Array | None) -> None:
        """One step of all members without readings.

        Args:
            hours: length of the step.
            air_c: air at the bed over the step, one value or one a member.
            humidity: measured, as a fraction; None uses each member's own.
        """
        bed, state = self.bed, self.state
        damp = bed.humidity_pct / 100.0 if humidity is None else humidity
        stray = np.exp(state[STRAY])
        speed = speed_at(bed, state[BED]) * stray
        warmer = speed_at(bed, state[BED] + 0.5) * stray
        flow = metabolism(bed, speed, state[GROWN], self.log_lag)
        change = balance(bed, state[BED], air_c, damp, flow.heat_k_per_h + state[ERROR] + state[UPSET], self.hold_c)
        steeper = (warmer / speed - 1.0) / 0.5
        fade = np.exp(-change.damping_per_h * hours)
        reach = (1.0 - fade) / change.damping_per_h
        step = np.zeros_like(self.cov)
        step[:, BED, BED] = fade + reach * flow.heat_k_per_h * steeper
        step[:, BED, ERROR] = step[:, BED, UPSET] = reach
        step[:, BED, GROWN] = reach * flow.heat_by_log_odds
        step[:, BED, STRAY] = reach * flow.heat_k_per_h
        step[:, ERROR, ERROR] = keep = np.exp(-hours / MEMORY_H)
        step[:, GROWN, GROWN] = 1.0
        step[:, GROWN, BED] = flow.log_odds_per_h * steeper * hours
        step[:, GROWN, STRAY] = flow.log_odds_per_h * hours
        step[:, STRAY, STRAY] = hold = np.exp(-hours / STRAY_H)
        step[:, UPSET, UPSET] = calm = np.exp(-hours / UPSET_H)
        self.cov = step @ self.cov @ step.transpose(0, 2, 1)
        self.cov[:, BED, BED] += WANDER_K**2
        self.cov[:, ERROR, ERROR] += (1.0 - keep**2) * bed.unknown_k_per_h**2
        self.cov[:, STRAY, STRAY] += (1.0 - hold**2) * bed.restless**2
        self.cov[:, UPSET, UPSET] += (1.0 - calm**2) * self.unrest**2
        self.unrest *= np.exp(-hours / UNREST_H)
        state[BED] += change.rate_k_per_h * reach
        state[ERROR] *= keep
        state[GROWN] = np.minimum(state[GROWN] + flow.log_odds_per_h * hours, MOST_LOG_ODDS)
        state[STRAY] *= hold
        state[UPSET] *= calm
        self.log_lag = np.minimum(self.log_lag + flow.lag_per_h * hours, 20.0)
        self.made, self.moving = flow.heat_k_per_h, change.rate_k_per_h

    def expected(self) -> tuple[float, float]:
        """Mean and standard deviation of the next bed reading."""
        weight = self.weights()
        seen = self.seen()
        mean = float(weight @ seen)
        return mean, float(np.sqrt(weight @ ((seen - mean) ** 2 + self.cov[:, BED, BED]) + READ_K**2))

    def seen(self) -> Array:
        """What a block's median shows: it lags a moving bed by the probe's time constant and half a block."""
        seen: Array = self.state[BED] - (self.bed.probe_lag_h + LATE_H) * self.moving
        return seen

    def learn(self, reading_c: float, extra_k: float = 0.0) -> None:
        """Weights the members by one reading (a block's median) and corrects their states.

        `extra_k`: more standard deviation on the reading (after work, while the probe settles).
        """
        missed = reading_c - self.seen()
        own = self.cov[:, BED, BED]
        noise = READ_K**2 + extra_k**2
        odd = missed**2 / (own + noise)
        self.log_weight += TEMPER * (-0.5 * (TAIL + 1.0) * np.log1p(odd / TAIL) - 0.5 * np.log(own + noise))
        # The Kalman step uses the spread the Student-t form implies for this miss.
        spread = own + noise * np.maximum((TAIL + odd) / (TAIL + 1.0), 1.0)
        column = self.cov[:, :, BED]
        gain = column / spread[:, None]
        self.state += gain.T * missed
        np.minimum(self.state[GROWN], MOST_LOG_ODDS, out=self.state[GROWN])
        self.cov = self.cov - gain[:, :, None] * column[:, None, :]
        self.log_weight -= np.max(self.log_weight)
        weight = self.weights()
        if 1.0 / float(weight @ weight) < 0.5 * self.size:
            self._resample(weight)

    def shift(self, name: str, by: Array) -> None:
        """Moves a parameter of each member, on its scale."""
        self.rows[ROW[name]] += by
        self.bed = bed_from(self.rows)

    def select(self, pick: Array) -> None:
        """Keeps the members picked (indices, with repeats), all of one weight."""
        self.rows, self.log_lag = self.rows[:, pick], self.log_lag[pick]
        self.state, self.cov = self.state[:, pick], self.cov[pick]
        self.made, self.moving, self.hold_c = self.made[pick], self.moving[pick], self.hold_c[pick]
        self.unrest = self.unrest[pick]
        self.log_weight = np.zeros(len(pick))
        self.bed = bed_from(self.rows)

    def drift(self, hours: float) -> None:
        """Lets the parameters wander as far as they may in this time (a batch is not the model)."""
        self.rows += _WALK * np.sqrt(hours) * self.rng.standard_normal(self.rows.shape)
        self.bed = bed_from(self.rows)

    def work(self, effect: Effect, room_c: float) -> None:
        """Changes every member as work might have."""
        self.state[BED] -= fall_k(effect, self.bed.mix_share, self.state[BED], room_c)
        self.state[GROWN] += effect.set_back
        self.cov[:, BED, BED] += effect.cool_spread_k**2
        self.cov[:, GROWN, GROWN] += effect.set_back_spread**2
        self.cov[:, STRAY, STRAY] += effect.set_back_spread**2
        upset = effect.cools * (UPSET_SHARE * self.made + UPSET_K_PER_H)
        self.cov[:, UPSET, UPSET] += upset**2
        self.unrest = np.maximum(self.unrest, UNREST * upset)
        self.rows[ROW["loss_per_h"]] += effect.loss + effect.loss_spread * self.rng.standard_normal(self.size)
        self.bed = bed_from(self.rows)

    def saw_fall(self, share: float) -> None:
        """Learns what a mixing takes from one that was seen, `share` of the koji's height above the room.

        Each member goes part of the way to what was seen, with its uncertainty (an ensemble Kalman step: Evensen 1994,
        from memory): the weights alone hardly tell members apart that differ in nothing else.
        """
        row = self.rows[ROW["mix_share"]]
        spread = float(np.var(row))
        seen = np.log(share) + FALL_SPREAD * self.rng.standard_normal(self.size)
        self.rows[ROW["mix_share"]] = row + spread / (spread + FALL_SPREAD**2) * (seen - row)
        self.bed = bed_from(self.rows)

    def belief(self) -> tuple[Array, Array]:
        """Weighted mean and covariance of the parameters on their scales."""
        weight = self.weights()
        mean = self.rows @ weight
        apart = self.rows - mean[:, None]
        return mean, (apart * weight) @ apart.T

    def draw(self, members: int, rng: np.random.Generator) -> Array:
        """Indices of `members` members picked by weight (systematic), leaving the ensemble as it is."""
        return systematic(self.weights(), members, float(rng.random()))

    def _resample(self, weight: Array) -> None:
        """Systematic resampling, then kernel shrinkage over parameters, growth and lag together.

        Together, because the heat seen fixes products of them: moving the heat yield alone would undo the fit.
        """
        joint = np.vstack((self.rows, self.state[GROWN], self.log_lag))
        mean = joint @ weight
        apart = joint - mean[:, None]
        cov = (apart * weight) @ apart.T
        pick = systematic(weight, self.size, float(self.rng.random()))
        noise = _root(cov * (1.0 - SHRINK**2)) @ self.rng.standard_normal(joint.shape)
        joint = mean[:, None] + SHRINK * apart[:, pick] + noise
        self.select(pick)
        self.rows, self.log_lag = joint[:-2].copy(), joint[-1].copy()
        self.state[GROWN] = np.minimum(joint[-2], MOST_LOG_ODDS)
        self.hold_c = self.hold_c + HOLD_JITTER_K * self.rng.standard_normal(self.size)
        self.bed = bed_from(self.rows)


def systematic(weight: Array, members: int, offset: float) -> Array:
    """Systematic resampling: one offset, equal steps through the cumulated weights."""
    marks = (np.arange(members) + offset) / members
    found: Array = np.minimum(np.searchsorted(np.cumsum(weight), marks), len(weight) - 1)
    return found


def _root(cov: Array) -> Array:
    """A square root of a covariance that may be singular."""
    values, vectors = np.linalg.eigh(cov)
    root: Array = vectors * np.sqrt(np.maximum(values, 0.0))
    return root
