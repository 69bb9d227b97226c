"""A mash from the amounts that are given: every other one, its published range, and what goes beyond. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from kojimon.mash.facts import (
    ALCOHOL_L_KG,
    BULK_KG_L,
    DRY_LOSS,
    FERMENTED,
    GRAINS,
    MOISTURE,
    PURPOSES,
    RIPE,
    STARCH,
    STARTER,
    Fact,
    Grain,
    Ratio,
)
from kojimon.mash.scale import impossible_yield
from kojimon.mash.solve import ContradictionError, Equation, solve

ROUNDED = 0.005
"""Published ratios are rounded: 13.04 % stands as 13 % where it was read (judgement: half a hundredth of it)."""

NOUNS = {
    "water_kg": "the water to pour in",
    "mash_rice_kg": "the rice beside the koji's",
    "all_rice_kg": "the rice",
    "koji_rice_kg": "the rice for the koji",
    "beans_kg": "the beans",
    "koji_kg": "the koji",
    "salt_kg": "the salt",
    "product_kg": "what it makes",
    "koji_water_kg": "the water in the koji",
    "koji_soaked_kg": "the soaked rice",
    "lees_kg": "what stays in the press",
}
"""Amounts that a refusal names, those a person gives first."""


class TooFullError(ValueError):
    """The vessel holds less than the mash: `volume_l` over `vessel_l`."""

    def __init__(self, volume_l: float, vessel_l: float) -> None:
        self.volume_l, self.vessel_l = volume_l, vessel_l
        super().__init__(f"the mash takes {volume_l:.2f} L and the vessel holds {vessel_l:.2f} L")


class Beyond(Struct, frozen=True):
    """A ratio that the given amounts make, outside of everything published."""

    of: str
    per: str
    ratio: float
    fact: Fact


class Mash(Struct, frozen=True):
    """Every amount of a mash.

    Attributes:
        purpose: one of `facts.PURPOSES`.
        amounts: name -> kg, L (`_l`) or mL (`_ml`); what is not published is missing.
        ranges: the same at the lowest and highest published ratio, the others as planned.
        sources: name -> where its range is from.
        beyond: what the given amounts make of facts that gave way to them.
    """

    purpose: str
    amounts: dict[str, float]
    ranges: dict[str, tuple[float, float]]
    sources: dict[str, str]
    beyond: tuple[Beyond, ...] = ()


def plan_mash(
    purpose: str, grain: str, given: Mapping[str, float], starter: Fact = STARTER, own: Fact | None = None
) -> Mash:
    """Every amount that follows.

    Args:
        purpose: one of `facts.PURPOSES`.
        grain: of the koji, one of `facts.GRAINS`.
        given: name -> amount over 0, one or more; each more than one takes the place of a usual ratio.
        starter: on dry grain, by its packet.
        own: koji on dry grain as your own batches gave it, in place of what is published.

    Raises ValueError, in words, where they cannot go together; TooFullError where the vessel cannot hold the mash.
    """
    what, known = PURPOSES[purpose], GRAINS[grain]
    if own is not None:
        known = replace(known, koji=own)
    if known.koji is None and "all_rice_kg" in what.sums:
        raise ValueError(f"{what.label} needs koji of rice, and this schedule grows {known.label}")
    facts = [*what.facts, *_koji_facts(known, starter, "steamed_kg" in what.sums)]
    fixed = [*_sums(what.sums), *_dry(known, "steamed_kg" in what.sums)]
    names = {name for equation in fixed for name in equation} | {name for one in facts for name in (one.of, one.per)}
    for name in given:
        if name not in names:
            raise ValueError(f"{what.label} has no {name.rpartition('_')[0].replace('_', ' ')}")
    held, gone = list(facts), list[Ratio]()
    for count in range(1, len(given) + 1):
        wanted = [*fixed, *({name: 1.0, "": -value} for name, value in list(given.items())[:count])]
        if (loose := _in_the_way(held, wanted)) is not None:
            held.remove(loose)
            gone.append(loose)
    amounts = solve([*wanted, *map(_equation, held)])
    if less := [name for name, value in amounts.items() if value < -1e-9]:
        named = next((name for name in NOUNS if name in less), less[0])
        raise ValueError(
            f"these amounts do not go together: {NOUNS.get(named, named)} would be less than nothing; "
            "change one of them, or leave one out"
        )
    amounts = {name: max(0.0, value) for name, value in amounts.items()}
    if amounts.get("volume_l", 0.0) > amounts.get("vessel_l", math.inf) + 1e-9:
        raise TooFullError(amounts["volume_l"], amounts["vessel_l"])
    if wrong := impossible_yield(amounts.get("koji_rice_kg", math.inf), amounts.get("koji_kg", 0.0), grain):
        raise ValueError(wrong)
    ranges, sources = _ranges(held, wanted, amounts)
    beyond = tuple(one for one in (_beyond(ratio, amounts) for ratio in gone) if one is not None)
    return Mash(purpose, amounts, ranges, sources, beyond)


def _koji_facts(grain: Grain, starter: Fact, steamed: bool) -> list[Ratio]:
    chain = {
        "koji_kg": grain.koji,
        "koji_soaked_kg": grain.soaked,
        "koji_steamed_kg": grain.steamed,
        "starter_kg": starter,
    }
    facts = [Ratio(name, "koji_rice_kg", fact) for name, fact in chain.items() if fact is not None]
    return [*facts, Ratio("steamed_kg", "mash_rice_kg", grain.steamed)] if steamed and grain.steamed else facts


def _dry(grain: Grain, steamed: bool) -> list[Equation]:
    """Dry matter: what the grain brings, less what the mould burns of it."""
    if grain.koji is None:
        return []
    dry = 1 - MOISTURE.usual
    found: list[Equation] = [{"koji_dry_kg": -1.0, "koji_rice_kg": dry * (1 - DRY_LOSS.usual)}]
    return [*found, {"steamed_dry_kg": -1.0, "mash_rice_kg": dry}] if steamed else found


def _sums(sums: Mapping[str, Mapping[str, float]]) -> list[Equation]:
    return [{whole: -1.0, **parts} for whole, parts in sums.items()]


def _equation(ratio: Ratio, value: float | None = None) -> Equation:
    return {ratio.of: -1.0, ratio.per: ratio.fact.usual if value is None else value}


def _in_the_way(held: Sequence[Ratio], wanted: Sequence[Equation]) -> Ratio | None:
    """The softest fact without which what is wanted can be had; None where all can stay."""

    def fits(facts: Sequence[Ratio]) -> bool:
        try:
            solve([*wanted, *map(_equation, facts)])
        except ContradictionError:
            return False
        return True

    if fits(held):
        return None
    for loose in held:
        if fits([one for one in held if one is not loose]):
            return loose
    raise ValueError("these amounts do not go together: leave one of them out")


def _ranges(
    held: Sequence[Ratio], wanted: Sequence[Equation], amounts: Mapping[str, float]
) -> tuple[dict[str, tuple[float, float]], dict[str, str]]:
    ranges: dict[str, tuple[float, float]] = {}
    sources: dict[str, str] = {}
    for ratio in held:
        others = [*wanted, *(_equation(one) for one in held if one is not ratio)]
        try:
            ends = [solve([*others, _equation(ratio, value)]) for value in (ratio.fact.low, ratio.fact.high)]
        except ContradictionError:  # what is given settles this ratio, at its usual value
            continue
        for name in (ratio.of, ratio.per):
            if name in amounts and all(name in end for end in ends):
                low, high = sorted(end[name] for end in ends)
                if high - low > 1e-9 and name not in ranges:
                    ranges[name], sources[name] = (max(0.0, low), high), ratio.fact.source
                    break
    return ranges, sources


def _beyond(ratio: Ratio, amounts: Mapping[str, float]) -> Beyond | None:
    of, per = amounts.get(ratio.of), amounts.get(ratio.per)
    if of is None or not per or ratio.fact.low * (1 - ROUNDED) <= of / per <= ratio.fact.high * (1 + ROUNDED):
        return None
    return Beyond(ratio.of, ratio.per, of / per, ratio.fact)


def strength_pct(rice_kg: float, water_l: float) -> tuple[float, float]:
    """Alcohol by volume that is possible at most, %: from little starch poorly fermented to much of it well.

    Pure alcohol over the ripe mash: 100 x fermented x starch x 0.7150 x rice / (0.95 rice + water).
    """
    litres = RIPE.usual * rice_kg + water_l
    low, high = (100 * FERMENTED.low * STARCH.low, 100 * FERMENTED.high * STARCH.high)
    return low * ALCOHOL_L_KG * rice_kg / litres, high * ALCOHOL_L_KG * rice_kg / litres


def depth_m(steamed_kg: float, trays: int, area_m2: float) -> float:
    """How deep steamed rice lies in trays, m."""
    return steamed_kg / BULK_KG_L / 1000 / (trays * area_m2)
