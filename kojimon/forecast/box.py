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
NO_THERMOSTAT: Final = {"still": 0.05, "fan": 0.05, "heat-mat": 1.0, "oven-light": 1.0}
USUAL: Final = 0.15
"""Share of members that start without a thermostat, by kind of box and where it is not known; chosen. A mat's is in the
koji or on the mat: it leaves the air to the room."""
LIFT_K: Final = {"heat-mat": (-1.0, 3.0)}
USUAL_LIFT_K: Final = (6.0, 16.0)
"""How far a box without one stands above its room; chosen: a lamp makes 30 °C of a room, a mat leaves the air alone."""
FRESH: Final = 0.04
"""Share of members whose setting is drawn anew at each resampling, and of those whose heater is off from there on:
people turn boxes down, plugs are pulled; chosen."""
NEAR: Final = 3.0
LOST: Final = 0.3
"""The same where most boxes are further than so many `MISS_K` from the air: something was done to the box; chosen."""
SET_STRAYS_K: Final = 2.0
"""How far a box is turned up or down when nobody says to what; chosen."""
DIAL_K: Final = 1.0
"""How far a dial is from what the air probe then shows; chosen."""
COOLS_H: Final = 1.5
"""How fast a box cools by itself, its walls too: no faster than this does its air fall; chosen."""
OFF_C: Final = -50.0
"""Setting of a box without thermostat."""
_WALK: Final = np.array([p.walk for p in BOX_PARAMETERS])[:, None]


class Box:
    """Possible boxes, weighted on the air readings; rows set_c, couple (log-odds) and lift_k."""

    def __init__(self, mean: Array, cov: Array, members: int, rng: np.random.Generator, kind: str = "unknown") -> None:
        """Draws boxes of a kind from the prior (means and covariance on the scales of `prior.BOX_PARAMETERS`)."""
        self.rng = rng
        self.mean, self.spread = mean, np.sqrt(np.diag(cov))
        self.rows: Array = mean[:, None] + self.spread[:, None] * rng.standard_normal((3, members))
        bare = rng.random(members) < NO_THERMOSTAT.get(kind, USUAL)
        self.rows[0, bare] = OFF_C
        # Without a thermostat the lift alone must reach a warm box, whatever its heater gives.
        self.rows[2, bare] = rng.uniform(*LIFT_K.get(kind, USUAL_LIFT_K), int(bare.sum()))
        self.log_weight: Array = np.zeros(members)
        self._air_c: float | None = None

    def target(self, bed_c: Array, room_c: float) -> Array:
        """Air each box would settle at for this bed (one value, or one a member) and room, °C."""
        return _settled(self.rows, bed_c, room_c)

    def settled(self, pick: Array, bed_c: Array, room_c: float) -> Array:
        """The same for the boxes picked (indices), a bed each."""
        return _settled(self.rows[:, pick], bed_c, room_c)

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
        goal = self.target(np.asarray(bed_c), room_c)
        before, self._air_c = self._air_c, air_c
        if before is not None:
            goal = np.maximum(goal, goal + (before - goal) * np.exp(-EVERY_H / COOLS_H))
        odd = ((air_c - goal) / MISS_K) ** 2
        self.log_weight -= 0.6 * 2.5 * np.log1p(odd / 4.0)
        self.log_weight -= np.max(self.log_weight)
        self.rows += _WALK * np.sqrt(EVERY_H) * self.rng.standard_normal(self.rows.shape)
        weight = self.weights()
        lost = float(weight @ (odd < NEAR**2)) < 0.5
        if lost or 1.0 / float(weight @ weight) < 0.5 * len(weight):
            self._resample(weight, air_c, LOST if lost else FRESH)

    def set_anew(self, to_c: float | None) -> None:
        """Somebody set the box to another temperature, where known to which; a box without a thermostat has none."""
        held = self.rows[0] > OFF_C / 2
        near = self.rows[0] if to_c is None else to_c
        strays_k = SET_STRAYS_K if to_c is None else DIAL_K
        self.rows[0] = np.where(held, near + strays_k * self.rng.standard_normal(len(held)), self.rows[0])

    def belief(self) -> tuple[Array, Array]:
        """Weighted mean and covariance on the scales, over the boxes that have a thermostat if most have."""
        weight = self.weights() * (self.rows[0] > OFF_C / 2)
        if weight.sum() < 0.5:
            return self.mean.copy(), np.diag(self.spread**2)
        weight = weight / weight.sum()
        mean = self.rows @ weight
        apart = self.rows - mean[:, None]
        return mean, (apart * weight) @ apart.T

    def _resample(self, weight: Array, air_c: float, anew: float) -> None:
        """Draws the boxes by weight; a share `anew` is set to the air there is now, as many have no heat any more."""
        size = len(weight)
        pick = systematic(weight, size, float(self.rng.random()))
        self.rows = self.rows[:, pick] + 0.1 * self.spread[:, None] * self.rng.standard_normal((3, size))
        chance = self.rng.random(size)
        fresh, gone = chance < anew, chance > 1.0 - anew
        self.rows[0, fresh] = air_c + 0.5 * self.rng.standard_normal(int(fresh.sum()))
        self.rows[0, gone] = OFF_C
        self.rows[1:, gone] = (self.mean + self.spread * self.rng.standard_normal((int(gone.sum()), 3))).T[1:]
        self.log_weight = np.zeros(size)


def _settled(rows: Array, bed_c: Array, room_c: float) -> Array:
    thermostat_c, couples, lift_k = rows[:3]
    couple = 1.0 / (1.0 + np.exp(-couples))
    settled: Array = np.maximum(thermostat_c, couple * bed_c + (1.0 - couple) * (room_c + lift_k))
    return settled
