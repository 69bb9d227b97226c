"""The warm box as its air probe shows it: a thermostat, the room, and the bed that ends up heating it.

    Tair = max(set, c Tbed + (1 - c)(Troom + lift))

`set` is the thermostat's mean, not its ripple; a box without one (a heat mat of fixed power) has only the second
part. Air is fast beside the bed, so half-hour means are compared and no balance over time is kept.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from kojimon.forecast.ensemble import systematic
from kojimon.forecast.growth import Array
from kojimon.forecast.prior import BOX_PARAMETERS

EVERY_H: Final = 0.5
"""Span of one comparison: longer than most thermostats' cycle; chosen."""
MISS_K: Final = 0.4
"""Standard deviation of a half-hour mean about the model; chosen."""
NO_THERMOSTAT: Final = 0.15
"""Share of members that start without a thermostat; chosen."""
FRESH: Final = 0.04
"""Share of members whose setting is drawn anew at each resampling: people turn boxes down; chosen."""
OFF_C: Final = -50.0
"""Setting of a box without thermostat."""
_WALK: Final = np.array([p.walk for p in BOX_PARAMETERS])[:, None]


class Box:
    """Possible boxes, weighted on the air readings; rows set_c, couple (log-odds) and lift_k."""

    def __init__(self, mean: Array, cov: Array, members: int, rng: np.random.Generator) -> None:
        """Draws boxes from the prior (means and covariance on the scales of `prior.BOX_PARAMETERS`)."""
        self.rng = rng
        self.mean, self.spread = mean, np.sqrt(np.diag(cov))
        self.rows: Array = mean[:, None] + self.spread[:, None] * rng.standard_normal((3, members))
        bare = rng.random(members) < NO_THERMOSTAT
        self.rows[0, bare] = OFF_C
        # Without a thermostat the lift alone must reach a warm box, whatever its heater gives.
        self.rows[2, bare] += rng.uniform(4.0, 14.0, int(bare.sum()))
        self.log_weight: Array = np.zeros(members)

    def target(self, bed_c: Array, room_c: float) -> Array:
        """Air each box would settle at for this bed (one value, or one a member) and room, °C."""
        thermostat_c, couples, lift_k = self.rows[:3]
        couple = 1.0 / (1.0 + np.exp(-couples))
        floating: Array = couple * bed_c + (1.0 - couple) * (room_c + lift_k)
        target: Array = np.maximum(thermostat_c, floating)
        return target

    def weights(self) -> Array:
        """Weights of the boxes, summing to 1."""
        raw: Array = np.exp(self.log_weight - np.max(self.log_weight))
        share: Array = raw / raw.sum()
        return share

    def expected(self, bed_c: float, room_c: float) -> float:
        """Mean air for this bed and room."""
        return float(self.weights() @ self.target(np.asarray(bed_c), room_c))

    def learn(self, air_c: float, bed_c: float, room_c: float) -> None:
        """Weights the boxes by one half-hour mean of air, bed and room."""
        odd = ((air_c - self.target(np.asarray(bed_c), room_c)) / MISS_K) ** 2
        self.log_weight -= 0.6 * 2.5 * np.log1p(odd / 4.0)
        self.log_weight -= np.max(self.log_weight)
        self.rows += _WALK * np.sqrt(EVERY_H) * self.rng.standard_normal(self.rows.shape)
        weight = self.weights()
        if 1.0 / float(weight @ weight) < 0.5 * len(weight):
            self._resample(weight, air_c)

    def belief(self) -> tuple[Array, Array]:
        """Weighted mean and covariance on the scales, over the boxes that have a thermostat if most have."""
        weight = self.weights() * (self.rows[0] > OFF_C / 2)
        if weight.sum() < 0.5:
            return self.mean.copy(), np.diag(self.spread**2)
        weight = weight / weight.sum()
        mean = self.rows @ weight
        apart = self.rows - mean[:, None]
        return mean, (apart * weight) @ apart.T

    def _resample(self, weight: Array, air_c: float) -> None:
        size = len(weight)
        pick = systematic(weight, size, float(self.rng.random()))
        self.rows = self.rows[:, pick] + 0.1 * self.spread[:, None] * self.rng.standard_normal((3, size))
        fresh = self.rng.random(size) < FRESH
        self.rows[0, fresh] = air_c + 0.5 * self.rng.standard_normal(int(fresh.sum()))
        self.log_weight = np.zeros(size)
