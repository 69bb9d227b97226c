"""The ensemble run on from now: many possible nights at once, with and without a hand."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from kojimon.forecast.box import OFF_C, Box
from kojimon.forecast.ensemble import EFFECTS, ERROR, MOST_LOG_ODDS, STRAY, STRAY_H, Ensemble
from kojimon.forecast.growth import Array
from kojimon.forecast.heat import MEMORY_H, Bed, balance, metabolism, speed_at

AIR_MEMORY_H: Final = 2.0
"""How long the air's present distance from the box model lasts; chosen."""
ROOM_DRIFT_K: Final = 0.6
"""How far the air may wander off in six hours: nights cool, people heat; chosen."""
HOTTEST_C: Final = 60.0
"""Paths are cut here: nothing is known about a bed beyond it."""


class Now(NamedTuple):
    """What is known at the start of a run besides the ensemble.

    Attributes:
        room_c: room, measured or assumed.
        air_apart_k: air measured over the last half hour less what the box model says.
        humidity: measured, as a fraction, or None.
        widen: factor on the unknown part of the heat balance.
    """

    room_c: float
    air_apart_k: float
    humidity: Array | None
    widen: float


class Night(NamedTuple):
    """One scenario in a run: the same members, one thing done to them.

    Attributes:
        task: key of `EFFECTS`, or "" for none.
        at_h: when it is done, hours from now.
        lower_k: by how much the box is turned down at once.
    """

    task: str = ""
    at_h: float = 0.0
    lower_k: float = 0.0


class Paths(NamedTuple):
    """Result of a run; first axis time, second scenario, third member.

    Attributes:
        in_h: hours from now.
        seen_c: bed as its probe shows it.
        air_c: air in the box.
        grown: share of full growth, 0-1.
        heat_k_per_h: metabolic heat.
    """

    in_h: Array
    seen_c: Array
    air_c: Array
    grown: Array
    heat_k_per_h: Array


def run(
    ensemble: Ensemble,
    box: Box,
    now: Now,
    rng: np.random.Generator,
    *,
    members: int,
    hours: float,
    step_h: float,
    nights: tuple[Night, ...] = (Night(),),
    ceiling_c: float = HOTTEST_C,
) -> Paths:
    """Runs the ensemble ahead, all scenarios in one pass with the same members and the same chance.

    Args:
        ensemble: as it stands; not changed.
        box: possible boxes; each member gets one by weight.
        now: room, air, humidity, widening.
        rng: randomness of this run alone.
        members: members per scenario.
        hours: how far.
        step_h: length of a step.
        nights: scenarios.
        ceiling_c: a bed never passes it (somebody acts); for the hour growth is complete.

    Returns:
        The paths, at 0, step, 2 steps, ... hours from now.
    """
    pick, boxes = ensemble.draw(members, rng), rng.permutation(_systematic_boxes(box, members, rng))
    count, steps = len(nights), round(hours / step_h)
    shape = (count, members)
    state = _Start(ensemble, pick, rng, now.widen, count)
    lower = np.array([night.lower_k for night in nights])[:, None]
    setting, couple, lift = _boxes(box, boxes, lower)
    wander = np.linspace(0.0, hours / 6.0, steps + 1).clip(0.0, 1.0) * ROOM_DRIFT_K
    drift, chance = rng.standard_normal(members), rng.standard_normal((steps, 2, members))
    keep, hold = float(np.exp(-step_h / MEMORY_H)), float(np.exp(-step_h / STRAY_H))
    kick = np.sqrt(1.0 - keep**2) * now.widen * state.bed.unknown_k_per_h[:members]
    sway = np.sqrt(1.0 - hold**2) * now.widen * state.bed.restless[:members]
    seen, airs, grown, made = (np.empty((steps + 1, *shape)) for _ in range(4))
    touch = {i: max(0, round(night.at_h / step_h)) for i, night in enumerate(nights) if night.task}
    draws = rng.standard_normal((2, members))
    for step in range(steps + 1):
        for i, when in touch.items():
            if when == step:
                state.touch(i, nights[i].task, draws)
        fade = float(np.exp(-step * step_h / AIR_MEMORY_H))
        floating = couple * state.bed_c.reshape(shape) + (1.0 - couple) * (now.room_c + lift)
        air = np.maximum(setting, floating) + now.air_apart_k * fade + wander[step] * drift
        airs[step] = air
        flat = air.reshape(-1)
        damp = state.bed.humidity_pct / 100.0 if now.humidity is None else now.humidity
        speed = speed_at(state.bed, state.bed_c) * np.exp(state.stray)
        flow = metabolism(state.bed, speed, state.log_odds, state.log_lag)
        change = balance(state.bed, state.bed_c, flat, damp, flow.heat_k_per_h + state.error)
        seen[step] = (state.bed_c - state.bed.probe_lag_h * change.rate_k_per_h).reshape(shape)
        grown[step] = (1.0 / (1.0 + np.exp(-state.log_odds))).reshape(shape)
        made[step] = flow.heat_k_per_h.reshape(shape)
        if step == steps:
            break
        reach = -np.expm1(-change.damping_per_h * step_h) / change.damping_per_h
        state.bed_c = np.minimum(state.bed_c + change.rate_k_per_h * reach, ceiling_c)
        state.log_odds = np.minimum(state.log_odds + flow.log_odds_per_h * step_h, MOST_LOG_ODDS)
        state.log_lag = np.minimum(state.log_lag + flow.lag_per_h * step_h, 20.0)
        state.error = keep * state.error + np.tile(kick * chance[step, 0], count)
        state.stray = hold * state.stray + np.tile(sway * chance[step, 1], count)
    return Paths(np.arange(steps + 1) * step_h, seen, airs, grown, made)


class _Start:
    """Members at the start of a run, laid out scenario after scenario."""

    def __init__(self, ensemble: Ensemble, pick: Array, rng: np.random.Generator, widen: float, count: int) -> None:
        # The four states are drawn together from each member's own normal distribution.
        cov = ensemble.cov[pick]
        cov[:, (ERROR, STRAY), (ERROR, STRAY)] *= widen**2
        root = np.linalg.cholesky(cov + 1e-8 * np.eye(4))
        drawn = ensemble.state[:, pick] + np.einsum("nij,jn->in", root, rng.standard_normal((4, len(pick))))
        self.size = len(pick)
        self.bed_c, self.error, self.log_odds, self.stray = (np.tile(row, count) for row in drawn)
        self.log_odds = np.minimum(self.log_odds, MOST_LOG_ODDS)
        self.log_lag: Array = np.tile(ensemble.log_lag[pick], count)
        self.bed = Bed(*(np.tile(part[pick], count) for part in ensemble.bed))

    def touch(self, scenario: int, task: str, draws: Array) -> None:
        """Does a task in one scenario."""
        effect = EFFECTS[task]
        part = slice(scenario * self.size, (scenario + 1) * self.size)
        self.bed_c[part] -= effect.cool_k
        self.bed.loss_per_h[part] *= np.exp(effect.loss + effect.loss_spread * draws[0])
        self.log_odds[part] += effect.set_back + effect.set_back_spread * draws[1]


def _systematic_boxes(box: Box, members: int, rng: np.random.Generator) -> Array:
    marks = (np.arange(members) + float(rng.random())) / members
    found: Array = np.minimum(np.searchsorted(np.cumsum(box.weights()), marks), len(box.log_weight) - 1)
    return found


def _boxes(box: Box, pick: Array, lower: Array) -> tuple[Array, Array, Array]:
    """Setting, coupling and lift of each scenario and member, the box turned down by `lower` where it can be."""
    bare = box.rows[0, pick] <= OFF_C / 2
    setting = box.rows[0, pick] - lower
    couple = 1.0 / (1.0 + np.exp(-box.rows[1, pick]))
    lift = box.rows[2, pick] - np.where(bare, lower, 0.0)
    return setting, couple, lift
