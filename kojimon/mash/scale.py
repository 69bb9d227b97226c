"""What the weights of a batch say that no probe can: uptake, water lost an hour, moisture of the koji. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final

from msgspec import Struct

from kojimon.mash.facts import DRY_LOSS, GRAINS, MOISTURE, Fact
from kojimon.units import KG_PER_LB

WATER_OF_STARCH: Final = 0.556
"""Water that burning 1 g of starch leaves in the koji, g (stoichiometry: C6H10O5 + 6 O2 -> 6 CO2 + 5 H2O)."""
KOJI_WATER: Final = Fact(0.22, 0.28, 0.33, "ordinary loose koji about 22 %: J. Brew. Soc. Japan 94(10), 1999; fresh "
                                           "shop "
                         "koji 25-30 %; the Japanese food table 33 %")  # fmt: skip
WATER_LOST: Final = Fact(0.0029, 0.004, 0.0105, "a technologist's note on ginjo koji: 133 to 117 on 100 in about 40 h; "
                         "at its hottest 10.5 g on 1 kg an hour, derived from a blog's summary of Brewing Society "
                         "papers")  # fmt: skip
"""Weight lost an hour on dry grain; the low end is 133 to 120 in 45 h."""
BURNT_H: Final = 0.0018
"""Share of its dry matter that koji burns in an hour at its hottest: 7 of the 100 kcal that 25.7 g give, by the same
summary of Brewing Society papers."""
DRIEST: Final = 0.076
"""Water of the driest koji published (dried for the shelf, 7.6 and 10.7 %: Brewing Society of Japan abstract)."""
SOAKED_MOST: Final = 2.0
"""Soaked or steamed grain on dry: more cannot be (judgement; rice takes up 30 %)."""
SOY_MOST: Final = 3.0
"""The same of soybeans and wheat: cooked beans weigh 2.0 to 2.4 times the dry ones (judgement)."""
HEAVIER_MOST: Final = 1.02
"""Grain gains no weight once it is steamed; so much is the scale's (judgement)."""
SCALE: Final = (1 - 0.01, 1.0, 1 + 0.01)
"""What a kitchen scale and the rice that sticks to a bowl may make of a weight (judgement): part of each range."""
DIVISION: Final = 0.002
"""The same of each of two weights that are held against each other: what the scale shows too much falls out of their
difference, its division and what sticks do not (judgement)."""
FASTEST: Final = 5.0
"""On the most published: more water an hour does not dry off in a box, part of it was not weighed (judgement)."""
APART_S: Final = 1800.0
"""Weights nearer to each other tell the scale's error, not the water lost (judgement)."""
ALIVE: Final = ("seeded", "work", "harvest")
"""Stages with the spores on; from there on what is lost is water and a little burnt starch."""
WET: Final = ("soaked", "steamed", "seeded")
"""Stages that hold more water than the dry grain, whatever the grain."""


class Weight(Struct, frozen=True):
    """What was weighed: a stage, kg without the vessel, and when, s."""

    stage: str
    kg: float
    at_s: float


class Impossible(Struct, frozen=True):
    """A weight that cannot be, and why: nothing is worked out from it."""

    of: Weight
    why: str


class Share(Struct, frozen=True):
    """A stage against the dry grain: `ratio` by weight, and what is published, where something is."""

    stage: str
    ratio: float
    fact: Fact | None


class Loss(Struct, frozen=True):
    """Water lost between two weights, kg an hour: `low` if as much was burnt as is ever assumed, `high` if nothing; in
    both what the scale may make of it.

    `usual`: what is published for as much rice, low and high; None without the dry weight, or for other grain.
    `verdict`: `dry` where all of the range is above, `damp` where all of it is below once the koji makes heat,
    `unclear` where it reaches beyond an end and is not all beyond it, `false` where so much cannot dry off, else "".
    """

    begins: Weight
    ends: Weight
    low: float
    high: float
    usual: tuple[float, float] | None = None
    verdict: str = ""


class Moisture(Struct, frozen=True):
    """Water of the koji, share of its weight. `finish`: damp, normal or dry; "" before the harvest."""

    of: Weight
    low: float
    usual: float
    high: float
    finish: str = ""


class Scale(Struct, frozen=True):
    """All that the weights of a batch say."""

    shares: tuple[Share, ...] = ()
    losses: tuple[Loss, ...] = ()
    moisture: tuple[Moisture, ...] = ()
    impossible: tuple[Impossible, ...] = ()


def moisture(dry_kg: float, kg: float, moisture_of_dry: float, dry_loss: float) -> float:
    """Water of the koji, share of its weight: 1 - W0 (1 - m0)(1 - L) / W. Derived; 0 where it would be less.

    Args:
        dry_kg: W0, the grain as it was bought. kg: W, now. moisture_of_dry: m0. dry_loss: L, share of dry matter burnt.
    """
    return max(0.0, 1 - dry_kg * (1 - moisture_of_dry) * (1 - dry_loss) / kg)


def read(weights: Sequence[Weight], grain: str) -> Scale:
    """What can be said.

    Args:
        weights: of one batch; the last of `dry`, `soaked`, ... counts, and every one of `work`.
        grain: of its schedule; what is not known has no published range.
    """
    taken = sorted(weights, key=lambda weight: weight.at_s)
    cannot = tuple(impossible(taken, grain))
    ordered = [weight for weight in taken if not any(one.of is weight for one in cannot)]
    dry = next((weight for weight in reversed(ordered) if weight.stage == "dry"), None)
    alive = [weight for weight in ordered if weight.stage in ALIVE]
    if dry is None:
        return Scale(losses=tuple(_losses(alive, None, grain)), impossible=cannot)
    known = GRAINS.get(grain)
    facts: Mapping[str, Fact | None] = (
        {"soaked": known.soaked, "steamed": known.steamed, "harvest": known.koji} if known else {}
    )
    last = {weight.stage: weight for weight in ordered if weight.stage in ("soaked", "steamed", "harvest")}
    shares = tuple(Share(stage, weight.kg / dry.kg, facts.get(stage)) for stage, weight in last.items())
    wet = tuple(_moisture(dry, weight) for weight in ordered if weight.stage != "dry") if _rice(grain) else ()
    return Scale(shares, tuple(_losses(alive, dry, grain)), wet, cannot)


def impossible(weights: Sequence[Weight], grain: str) -> Iterator[Impossible]:
    """Of the weights that count, those that cannot be beside the dry or the steamed one.

    Args:
        weights: of one batch, in the order of their time. grain: of its schedule.
    """
    last = {weight.stage: weight for weight in weights}
    for weight in weights:
        if weight.stage != "dry" and (weight.stage == "work" or weight is last[weight.stage]):
            why = _why_not(weight, last.get("dry"), last.get("steamed"), grain)
            if why:
                yield Impossible(weight, why)


def _why_not(weight: Weight, dry: Weight | None, steamed: Weight | None, grain: str) -> str:
    if dry and weight.stage in WET and weight.kg <= dry.kg:
        return "no heavier than the dry grain"
    if dry and moisture(dry.kg, weight.kg * SCALE[2], MOISTURE.high, DRY_LOSS.high) < DRIEST:
        return "drier than koji dried for the shelf (weigh all of it)"
    if dry and weight.kg > dry.kg * _most(grain):
        return f"more than {'twice' if _most(grain) == SOAKED_MOST else 'three times'} the dry grain"
    if steamed and weight.stage in ALIVE and weight.kg > steamed.kg * HEAVIER_MOST:
        return "more than it weighed steamed"
    return ""


def _most(grain: str) -> float:
    return SOY_MOST if grain == "soybeans-wheat" else SOAKED_MOST


def impossible_yield(dry_kg: float, koji_kg: float, grain: str) -> str:
    """Why so much koji cannot come of so much dry grain; "" where it can. Under what is published is no reason: part of
    it may have been thrown away."""
    most, known = _most(grain), GRAINS.get(grain)
    if koji_kg <= dry_kg * most:
        return ""
    fact = known.koji if known else None
    usual = f"{fact.low:.2f} to {fact.high:.2f} ({fact.source})" if fact else "not published for this grain"
    return (
        f"{both(koji_kg)} of koji cannot come of {both(dry_kg)} of dry grain: usual per dry weight is {usual}, and "
        f"more than {most:g} would be more water than the grain takes up; check the number and its unit"
    )


def both(value_kg: float) -> str:
    """A mass in both units, for a reason that `Speech.refusal` puts into the reader's own."""
    return f"{value_kg:.2f} kg ({value_kg / KG_PER_LB:.1f} lb)"


def _rice(grain: str) -> bool:
    """Whether the moisture of the dry grain is published."""
    return grain in GRAINS and GRAINS[grain].koji is not None


def _losses(alive: Sequence[Weight], dry: Weight | None, grain: str) -> list[Loss]:
    """Weight lost is water, less what burnt starch takes with it: evaporated = lost - (1 - 0.556) x burnt."""
    burns = (1 - MOISTURE.low) * dry.kg * (1 - WATER_OF_STARCH) if dry else 0.0
    found = []
    for begins, ends in pairwise(alive):
        lost_kg, hours = begins.kg - ends.kg, (ends.at_s - begins.at_s) / 3600
        errs_kg, most = DIVISION * (begins.kg + ends.kg), burns * min(DRY_LOSS.high, BURNT_H * hours)
        if hours * 3600 >= APART_S:
            low, high = max(0.0, lost_kg - errs_kg - most) / hours, (lost_kg + errs_kg) / hours
            known = (WATER_LOST.low * dry.kg, WATER_LOST.high * dry.kg) if dry and _rice(grain) else None
            found.append(Loss(begins, ends, low, high, known, _verdict(begins.stage, low, high, known)))
    return found


def _verdict(begins: str, low: float, high: float, known: tuple[float, float] | None) -> str:
    """Before its first mixing koji is kept damp, and loses little."""
    if known is None or high < 0:
        return ""
    asked = begins == "work"
    if low > known[1]:
        return "false" if low > known[1] * FASTEST else "dry"
    if asked and high < known[0]:
        return "damp"
    return "unclear" if high > known[1] or (asked and low < known[0]) else ""


def _moisture(dry: Weight, weight: Weight) -> Moisture:
    """Nothing is burnt before the spores; at a work anything up to the most; at the harvest what is assumed."""
    losses = (0.0, 0.0, 0.0)
    if weight.stage == "harvest":
        losses = (DRY_LOSS.low, DRY_LOSS.usual, DRY_LOSS.high)
    elif weight.stage == "work":
        losses = (0.0, DRY_LOSS.usual / 2, DRY_LOSS.high)
    low, usual, high = (
        moisture(dry.kg, weight.kg * errs, of_dry, loss)
        for of_dry, loss, errs in zip((MOISTURE.low, MOISTURE.usual, MOISTURE.high), losses, SCALE, strict=True)
    )
    finish = "dry" if usual < KOJI_WATER.low else "damp" if usual > KOJI_WATER.high else "normal"
    return Moisture(weight, low, usual, high, finish if weight.stage == "harvest" else "")
