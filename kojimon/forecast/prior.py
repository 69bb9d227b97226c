"""What is believed about a batch before it starts, and what a finished batch adds to that.

A prior is a normal distribution over the parameters of the bed and box model, each on its own scale (`log` for
what must stay positive, `plain`, `share` for a fraction between 0 and 1). The published prior is the root; each
finished batch of an incubator and schedule moves it, and what was learnt fades towards the root with every further
batch.
"""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple

import numpy as np

from kojimon.forecast.answers import Prior
from kojimon.forecast.growth import Array

Scale = Literal["log", "plain", "share"]


class Parameter(NamedTuple):
    """One uncertain parameter of the model.

    Attributes:
        name: with its unit.
        centre: middle of the published or chosen range, in that unit.
        spread: standard deviation on the scale (for `log`: of the natural logarithm; for `share`: of the log-odds).
        scale: `log`, `plain` or `share`.
        walk: how far it may drift within a batch, standard deviation on the scale per square root of an hour.
        own: share of the spread that belongs to each batch anew and is never learnt away.
        source: where centre and spread come from.
    """

    name: str
    centre: float
    spread: float
    scale: Scale
    walk: float
    own: float
    source: str


PARAMETERS: Final = (
    Parameter(
        "rate_per_h",
        0.27,
        0.35,
        "log",
        0.02,
        0.5,
        "fastest growth 0.236 1/h, Aspergillus in reactor models (Mitchell et al. 2006, case studies); "
        "0.20 1/h sustained in a chemostat (Zangirolami et al. 2002); centre and spread chosen on tuning seeds",
    ),
    Parameter(
        "opt_c",
        36.5,
        1.8,
        "plain",
        0.0,
        0.5,
        "37.5 on steamed rice by evolved CO2, 38 (Narahara et al. 1982), 30-36 on other media; chosen between, on 60 "
        "batches each of haze and grains, since what harms hot koji (want of air, drying) is not in the model",
    ),
    Parameter(
        "steep",
        1.25,
        0.25,
        "log",
        0.0,
        0.5,
        "power on the cardinal model; two published forms differ by 1.4 in how steeply growth rises from 28 to "
        "38 degC, so the steepness is uncertain",
    ),
    Parameter(
        "heat_k",
        112.0,
        0.35,
        "log",
        0.02,
        0.5,
        "80-158 K: 0.38-0.44 MJ per kg dry of sake rice, 0.46-0.75 of miso rice (Sato 1992, J. Brew. Soc. Japan "
        "87(12):874-879, as tabulated by a page on koji rooms), 13.5 % water, over 4,108 J/K per kg white rice",
    ),
    Parameter("keep", 0.03, 0.8, "log", 0.02, 0.5, "share of the growth rate spent on maintenance; chosen"),
    Parameter(
        "shape",
        1.2,
        0.9,
        "log",
        0.0,
        0.5,
        "1 is the logistic law (Mitchell et al. 2006), near 0 the Gompertz law, 3 and more growth until the food is "
        "gone; which holds for a batch is not known beforehand; spread chosen",
    ),
    Parameter(
        "start",
        0.006,
        0.9,
        "log",
        0.0,
        0.7,
        "0.001-0.002 of 0.25 kg/kg at the start (Mitchell et al. 2006, case studies); spread chosen, since "
        "starter doses reported for koji differ fivefold",
    ),
    Parameter(
        "lag_h",
        7.0,
        0.4,
        "log",
        0.0,
        0.7,
        "hyphae at 8 h on rice near 35 degC (starter maker's page); germination 10-12 h in shoyu koji",
    ),
    Parameter(
        "loss_per_h",
        0.45,
        0.5,
        "log",
        0.03,
        0.4,
        "0.5 W/K per kg white rice over 4,108 J/K gives 0.44 1/h; chosen for trays in a box",
    ),
    Parameter("offset_k", 0.0, 1.0, "plain", 0.04, 0.4, "where the air probe sits against the air at the bed; chosen"),
    Parameter(
        "wet",
        0.08,
        0.8,
        "log",
        0.05,
        0.4,
        "evaporation as a share of a free water surface's (psychrometric constant 0.066 kPa/K); chosen",
    ),
    Parameter("probe_lag_h", 0.1, 0.5, "log", 0.0, 0.4, "a metal sleeve in rice, minutes; chosen"),
    Parameter("unknown_k_per_h", 0.27, 0.5, "log", 0.0, 0.5, "size of what the model leaves out; chosen"),
    Parameter("restless", 0.25, 0.5, "log", 0.0, 0.5, "how far the growth rate strays from the model's, as ln; chosen"),
    Parameter("humidity_pct", 85.0, 8.0, "plain", 0.0, 0.4, "60-100 % reported for koji rooms, by no stage"),
    Parameter(
        "mix_share",
        0.15,
        0.5,
        "log",
        0.0,
        0.3,
        "what a mixing takes, as a share of the koji's height above the room: 1-5 K in pairs of before and after "
        "(farm, makers' and brewery pages), 8 K at the most; spread chosen",
    ),
)
"""Bed and mould. The order is the order of the rows in the ensemble."""

BOX_PARAMETERS: Final = (
    Parameter("set_c", 30.0, 1.5, "plain", 0.05, 0.3, "rooms near 30 degC (brewery pages)"),
    Parameter("couple", 0.25, 0.8, "share", 0.0, 0.3, "how far the box follows the bed once the heater is off; chosen"),
    Parameter("lift_k", 2.0, 3.0, "plain", 0.15, 0.3, "the box without its thermostat, above the room; chosen"),
)
"""The box: thermostat's mean, coupling to the bed, and what warms it apart from both."""

NAMES: Final = tuple(p.name for p in PARAMETERS)
ROW: Final = {name: i for i, name in enumerate(NAMES)}
HEAT_LOSS: Final = 0.6
HEAT_WET: Final = 0.3
"""Correlation of the heat yield with exchange and wetness, for beds are laid out so that they reach 40-48 °C when
left (a miso maker's page: 42-48 °C before the stir); sizes chosen."""


def to_scale(value: float, scale: Scale) -> float:
    """A natural value on its scale."""
    if scale == "log":
        return math.log(value)
    return math.log(value / (1.0 - value)) if scale == "share" else value


def from_scale(value: float, scale: Scale) -> float:
    """A value on its scale, back to nature."""
    if scale == "log":
        return math.exp(value)
    return 1.0 / (1.0 + math.exp(-value)) if scale == "share" else value


def published() -> Prior:
    """The root: from published ranges, each parameter apart from the others."""
    every = PARAMETERS + BOX_PARAMETERS
    variances = np.diag([p.spread**2 for p in every])
    heat, loss, wet = (NAMES.index(name) for name in ("heat_k", "loss_per_h", "wet"))
    for other, together in ((loss, HEAT_LOSS), (wet, HEAT_WET)):
        shared = together * every[heat].spread * every[other].spread
        variances[heat, other] = variances[other, heat] = shared
    return Prior(
        names=tuple(p.name for p in every),
        mean=tuple(to_scale(p.centre, p.scale) for p in every),
        cov=_rows(variances),
    )


KINDS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "fan": {"loss_per_h": (1.2, 0.5)},
    "heat-mat": {"offset_k": (7.0, 2.5), "loss_per_h": (-0.1, 0.5)},
}
COVERS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "open": {"wet": (0.4, 0.8)},
    "cloth-and-plastic": {"wet": (-1.0, 0.6)},
}
"""What box and cover move in the published prior: by how much on the scale, and the spread there. Moving air reaches
both faces of thin mesh trays: 13-24 W/(m2 K) in all (laminar plate; from memory) over 7-10 kg white rice per m2 and
4,108 J/K per kg give 1.2-3 1/h, where a still tray has 0.45; a mat heats the koji from below, its air is the room's; a
film with a few holes passes a small part of the vapour of a free face. Sizes chosen on tuning and choosing worlds."""


def for_box(root: Prior, kind: str, cover: str) -> Prior:
    """The published prior for a kind of box and a cover; what own batches left holds these already."""
    if root.batches:
        return root
    mean, cov = np.array(root.mean), np.array(root.cov)
    for name, (by, spread) in (*KINDS.get(kind, {}).items(), *COVERS.get(cover, {}).items()):
        row = ROW[name]
        narrower = spread / math.sqrt(cov[row, row])
        mean[row] += by
        cov[row, :] *= narrower
        cov[:, row] *= narrower
    return Prior(root.names, tuple(float(value) for value in mean), _rows(cov))


def learn(before: Prior, posterior_mean: Array, posterior_cov: Array, *, keep: float = 0.7) -> Prior:
    """The prior of the next batch of the same incubator and schedule.

    Args:
        before: prior of the finished batch.
        posterior_mean: of bed, mould and box at its end, on the scales.
        posterior_cov: likewise.
        keep: share of what was learnt earlier that survives one more batch (forgetting).

    Returns:
        mean: weighted between the root, what earlier batches left and this one. Covariance: the root's, shrunk by
        what has been learnt, but never below each parameter's own batch-to-batch share.
    """
    root = published()
    root_mean, root_cov = np.array(root.mean), np.array(root.cov)
    held = before.weight * keep
    weight = held + 1.0
    # A prior's mean is drawn towards the root; what earlier batches said by themselves is found by undoing that.
    said = root_mean
    if before.weight > 0.0:
        said = root_mean + (np.array(before.mean) - root_mean) * (before.weight + 1.0) / before.weight
    target = (held * said + posterior_mean) / weight
    # The root counts as one batch: a single odd batch moves half of the way.
    trust = weight / (weight + 1.0)
    mean = root_mean + trust * (target - root_mean)
    own = np.array([p.own for p in PARAMETERS + BOX_PARAMETERS]) * np.sqrt(np.diag(root_cov))
    learnt = (1.0 - trust) * root_cov + trust * posterior_cov
    short = np.maximum(own**2 - np.diag(learnt), 0.0)
    return Prior(root.names, tuple(float(v) for v in mean), _rows(learnt + np.diag(short)), before.batches + 1, weight)


class Belief(NamedTuple):
    """One line of a prior for a person to read."""

    name: str
    low: float
    middle: float
    high: float
    source: str


def inspect(prior: Prior) -> tuple[Belief, ...]:
    """Middle and 80 % range of every parameter in its own unit, with the source of its published range."""
    lines = []
    for i, p in enumerate(PARAMETERS + BOX_PARAMETERS):
        spread = 1.2816 * math.sqrt(prior.cov[i][i])
        low, middle, high = (from_scale(prior.mean[i] + d, p.scale) for d in (-spread, 0.0, spread))
        lines.append(Belief(p.name, low, middle, high, p.source))
    return tuple(lines)


def _rows(matrix: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)
