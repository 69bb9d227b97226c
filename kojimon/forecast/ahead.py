"""The ensemble run on from now: many possible nights at once, with and without a hand."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from kojimon.forecast.box import OFF_C, Box
from kojimon.forecast.ensemble import (
    EFFECTS,
    MOST_LOG_ODDS,
    STATES,
    STRAY_H,
    UNREST_H,
    UPSET_H,
    Ensemble,
    fall_k,
    systematic,
)
from kojimon.forecast.growth import Array
from kojimon.forecast.heat import MEMORY_H, Bed, balance, metabolism, speed_at

AIR_MEMORY_H: Final = 2.0
"""How long the air's present distance from where a box will settle lasts; chosen."""
ROOM_MEMORY_H: Final = 3.0
"""How long a room goes on falling or rising as it does; chosen."""
ROOM_DRIFT_K: Final = 0.6
"""How far the air may wander off in six hours: nights cool, people heat; chosen."""
ROOM_DRIFT_H: Final = 6.0
HARM_C: Final = 40.0
"""What the model leaves out (harm by heat, drying, want of air) can only cool koji that is so hot; chosen on tuning
seeds and the first 84 of haze's, and the same between 36 and 42 °C."""
ROOM_FALLS_K: Final = 5.0
"""Koji gets no colder than its room, by so much as a room falls at night and wet rice lies below it; chosen."""
HOTTEST_C: Final = 60.0
"""Paths are cut here: nothing is known about a bed beyond it."""


class Now(NamedTuple):
    """What is known at the start of a run besides the ensemble.

    Attributes:
        room_c: room, measured or assumed.
        room_k_per_h: how it has moved of late.
        air_c: air of the last half hour; None where it was not measured.
        humidity: measured, as a fraction, or None.
    """

    room_c: float
    room_k_per_h: float
    air_c: float | None
    humidity: Array | None


class Night(NamedTuple):
    """One scenario in a run: the same members, one thing done to them.

    Attributes:
        work: key of `EFFECTS`, or "" for none.
        at_h: when it is done, hours from now.
        lower_k: by how much the box is turned down at once.
    """

    work: str = ""
    at_h: float = 0.0
    lower_k: float = 0.0


class Paths(NamedTuple):
    """Result of a run; first axis time, second scenario, third member.

    Attributes:
        in_h: hours from now.
        bed_c: bed at its probe.
        seen_c: bed as its probe shows it, lagging a moving bed.
        air_c: air in the box.
        grown: share of full growth, 0-1.
    """

    in_h: Array
    bed_c: Array
    seen_c: Array
    air_c: Array
    grown: Array


def run(
    ensemble: Ensemble, box: Box, now: Now, rng: np.random.Generator, *, members: int, hours: float, step_h: float,
    nights: tuple[Night, ...] = (Night(),), latest_brake: float = 0.0,
) -> Paths:  # fmt: skip
    """Runs the ensemble ahead, all scenarios in one pass with the same members and the same chance.

    Args:
        ensemble: as it stands; not changed.
        box: possible boxes; each member gets one by weight.
        now: room, air, humidity.
        rng: randomness of this run alone.
        members: members per scenario.
        hours: how far.
        step_h: length of a step.
        nights: scenarios.
        latest_brake: growth is braked at least as late as by this shape; for the hour growth is complete.

    Returns:
        The paths, at 0, step, 2 steps, ... hours from now.
    """
    steps = round(hours / step_h)
    running = _Running(ensemble, box, now, rng, members, steps, step_h, nights)
    np.maximum(running.bed.shape, latest_brake, out=running.bed.shape)
    bed, seen, air, grown = (np.empty((steps + 1, len(nights), members)) for _ in range(4))
    for step in range(steps + 1):
        bed[step], seen[step], air[step], grown[step] = running.step(step)
    in_h: Array = np.arange(steps + 1, dtype=np.float64) * step_h
    return Paths(in_h, bed, seen, air, grown)


def corrected(paths_c: Array, room_c: float, factor: Array, lean: float) -> Array:
    """Paths drawn together (factor below 1) or apart about their middle at each time, and moved by `lean` spreads.

    None is made hotter than `HARM_C` by it, nor colder than the room may become. Time is the first axis, as long as
    `factor`; members are the last.
    """
    middle = np.median(paths_c, axis=-1, keepdims=True)
    moved = lean * np.std(paths_c, axis=-1, keepdims=True)
    drawn = middle + moved + factor.reshape(-1, *(1 for _ in paths_c.shape[1:])) * (paths_c - middle)
    cooled = np.minimum(drawn, np.maximum(paths_c + np.minimum(moved, 0.0), HARM_C))
    kept: Array = np.maximum(cooled, np.minimum(paths_c, room_c - ROOM_FALLS_K))
    return kept


class _Running:
    """Members on their way, laid out scenario after scenario."""

    def __init__(
        self, ensemble: Ensemble, box: Box, now: Now, rng: np.random.Generator,
        members: int, steps: int, step_h: float, nights: tuple[Night, ...],
    ) -> None:  # fmt: skip
        self.now, self.step_h, self.nights = now, step_h, nights
        self.members, count = members, len(nights)
        pick = ensemble.draw(members, rng)
        drawn = _states(ensemble, pick, rng)
        self.bed_c, self.error, self.log_odds, self.stray, self.upset = (np.tile(row, count) for row in drawn)
        self.log_odds = np.minimum(self.log_odds, MOST_LOG_ODDS)
        self.log_lag, self.hold_c = (np.tile(row[pick], count) for row in (ensemble.log_lag, ensemble.hold_c))
        self.bed = Bed(*(np.tile(part[pick], count) for part in ensemble.bed))
        boxes = rng.permutation(systematic(box.weights(), members, float(rng.random())))
        self.box = _boxes(box, boxes, np.array([night.lower_k for night in nights])[:, None])
        self.apart: Array = np.zeros(members)
        if now.air_c is not None:
            self.apart = now.air_c - box.settled(boxes, self.bed_c[:members], now.room_c)
        self.drift = rng.standard_normal(members) * ROOM_DRIFT_K
        self.draws = rng.standard_normal((2, members))
        self.keep, self.hold = float(np.exp(-step_h / MEMORY_H)), float(np.exp(-step_h / STRAY_H))
        self.calm = float(np.exp(-step_h / UPSET_H))
        chance = rng.standard_normal((steps + 1, 3, members))
        one = Bed(*(part[:members] for part in self.bed))
        self.kicks = chance[:, 0] * np.sqrt(1.0 - self.keep**2) * one.unknown_k_per_h
        self.sways = chance[:, 1] * np.sqrt(1.0 - self.hold**2) * one.restless
        fading = np.exp(-step_h * np.arange(steps + 1) / UNREST_H)[:, None]
        self.stirs = chance[:, 2] * np.sqrt(1.0 - self.calm**2) * ensemble.unrest[pick] * fading

    def step(self, step: int) -> tuple[Array, Array, Array, Array]:
        """A step's bed, bed as seen, air and growth, then on to the next."""
        count, hour = len(self.nights), step * self.step_h
        for i, night in enumerate(self.nights):
            if night.work and step == max(0, round(night.at_h / self.step_h)):
                self._touch(i, night.work)
        air = self._air(hour)
        damp = self.bed.humidity_pct / 100.0 if self.now.humidity is None else self.now.humidity
        speed = speed_at(self.bed, self.bed_c) * np.exp(self.stray)
        flow = metabolism(self.bed, speed, self.log_odds, self.log_lag)
        made = flow.heat_k_per_h + self.error + self.upset
        change = balance(self.bed, self.bed_c, air.reshape(-1), damp, made, self.hold_c)
        seen = self.bed_c - self.bed.probe_lag_h * change.rate_k_per_h
        bed_c, grown = self.bed_c, 1.0 / (1.0 + np.exp(-self.log_odds))
        reach = -np.expm1(-change.damping_per_h * self.step_h) / change.damping_per_h
        self.bed_c = np.minimum(self.bed_c + change.rate_k_per_h * reach, HOTTEST_C)
        self.log_odds = np.minimum(self.log_odds + flow.log_odds_per_h * self.step_h, MOST_LOG_ODDS)
        self.log_lag = np.minimum(self.log_lag + flow.lag_per_h * self.step_h, 20.0)
        self.error = self.keep * self.error + np.tile(self.kicks[step], count)
        self.stray = self.hold * self.stray + np.tile(self.sways[step], count)
        self.upset = self.calm * self.upset + np.tile(self.stirs[step], count)
        shape = (count, self.members)
        return bed_c.reshape(shape), seen.reshape(shape), air, grown.reshape(shape)

    def _air(self, hour: float) -> Array:
        setting, couple, lift = self.box
        bed_c = self.bed_c.reshape(len(self.nights), self.members)
        room_c = self.now.room_c - self.now.room_k_per_h * ROOM_MEMORY_H * float(np.expm1(-hour / ROOM_MEMORY_H))
        floating = couple * bed_c + (1.0 - couple) * (room_c + lift)
        apart = self.apart * float(np.exp(-hour / AIR_MEMORY_H))
        air: Array = np.maximum(setting, floating) + apart + self.drift * min(hour / ROOM_DRIFT_H, 1.0)
        return air

    def _touch(self, scenario: int, work: str) -> None:
        """Does work in one scenario."""
        effect = EFFECTS[work]
        part = slice(scenario * self.members, (scenario + 1) * self.members)
        self.bed_c[part] -= fall_k(effect, self.bed.mix_share[part], self.bed_c[part], self.now.room_c)
        self.bed.loss_per_h[part] *= np.exp(effect.loss + effect.loss_spread * self.draws[0])
        self.log_odds[part] += effect.set_back + effect.set_back_spread * self.draws[1]


def _states(ensemble: Ensemble, pick: Array, rng: np.random.Generator) -> Array:
    """The states of the members picked, drawn together from each one's own normal distribution."""
    # A square root by eigenvalues, since rounding may leave a covariance a hair short of positive.
    values, vectors = np.linalg.eigh(ensemble.cov[pick])
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    chance = rng.standard_normal((len(STATES), len(pick)))
    drawn: Array = ensemble.state[:, pick] + np.einsum("nij,jn->in", root, chance)
    return drawn


def _boxes(box: Box, pick: Array, lower: Array) -> tuple[Array, Array, Array]:
    """Setting, coupling and lift of each scenario and member, the box turned down by `lower` where it can be."""
    bare = box.rows[0, pick] <= OFF_C / 2
    setting = box.rows[0, pick] - lower
    couple = 1.0 / (1.0 + np.exp(-box.rows[1, pick]))
    lift = box.rows[2, pick] - np.where(bare, lower, 0.0)
    return setting, couple, lift
