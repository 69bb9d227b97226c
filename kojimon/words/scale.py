"""What the scale says of a batch, in a few lines, each with its source. What the rice does counts, not the air."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from kojimon.contract import events
from kojimon.mash.facts import DRY_LOSS, MOISTURE
from kojimon.mash.scale import KOJI_WATER, WATER_LOST, Loss, Moisture, Scale, Share, Weight, read
from kojimon.model import BoxKind, Cover, Event
from kojimon.units import show_weight

NAMES = {"dry": "dry", "soaked": "soaked", "steamed": "steamed", "seeded": "with the spores on", "work": "at work",
         "harvest": "as koji"}  # fmt: skip
WEIGHED_AS: Final = (
    ("dry", "dry"), ("soaked", "soaked, drained"), ("steamed", "steamed"), ("seeded", "with the spores on"),
    ("work", "at a mixing or spreading"), ("harvest", "as koji"),
)  # fmt: skip
"""Stages, and how a list has them."""
HOLES: Final[dict[tuple[str, str], str]] = {
    (Cover.CLOTH_AND_PLASTIC, "dry"): "Close two holes of the plastic, and weigh again in two hours.",
    (Cover.CLOTH_AND_PLASTIC, "damp"): "Make two more holes in the plastic, and weigh again in two hours.",
}
LID: Final[dict[tuple[str, str], str]] = {
    (BoxKind.STILL, "dry"): "Keep the lid shut, and weigh again in two hours.",
    (BoxKind.STILL, "damp"): "Prop the lid open by a finger, and weigh again in two hours.",
}
"""What lets less, or more, water out: common practice, no source. A cover or a box without holes or lid has none."""


def standing(
    stated: Iterable[Event], rice_kg: float | None, started_ms: int, got_kg: float | None = None,
    ended_ms: int | None = None,
) -> list[Weight]:  # fmt: skip
    """The weights of a batch that were not taken back; its rice and its yield where those were not weighed.

    Args:
        stated: its events. rice_kg, got_kg: dry rice and koji as told. started_ms, ended_ms: engine ms.
    """
    found: list[Weight] = []
    for event in stated:
        if isinstance(event.what, events.Weighed):
            found.append(Weight(event.key, event.what.kg, event.what.at_ms / 1000))
        elif isinstance(event.what, events.Unweighed):
            last = max(number for number, weight in enumerate(found) if weight.stage == event.key)
            del found[last]
    stages = {weight.stage for weight in found}
    if rice_kg and "dry" not in stages:
        found.append(Weight("dry", rice_kg, started_ms / 1000))
    if got_kg and ended_ms is not None and "harvest" not in stages:
        found.append(Weight("harvest", got_kg, ended_ms / 1000))
    return found


def impossible(dry_kg: float, koji_kg: float, grain: str) -> str:
    """Why so much koji cannot be of so much dry grain, to stand after its share of it; "" where it can."""
    found = read([Weight("dry", dry_kg, 0.0), Weight("harvest", koji_kg, 1.0)], grain)
    return "".join(f": impossible, {one.why}" for one in found.impossible)


def lines(
    weights: list[Weight], grain: str, pounds: bool, kind: str = "", cover: str = "", typed: bool = True,
    of: str = "",
) -> list[tuple[str, str]]:  # fmt: skip
    """What they say: sentences and their tones.

    Args:
        grain: of the schedule. kind, cover: of the box (`model.BoxKind`, `model.Cover`), where the batch is open: what
            to do about water lost too fast or too slowly. typed: for somebody who types commands. of: what the last
            weight of this stage says, and what cannot be; "" for all of it.
    """
    told = [*_lines(_only(read(weights, grain), of), pounds, kind, cover, typed)]
    if not any(weight.stage == "dry" for weight in weights):
        how = f"kojimon batch weigh {'4 lb' if pounds else '2 kg'} --as dry" if typed else "weigh it as dry"
        told.append((f"To tell moisture the dry weight is wanted: {how}", "look"))
    if all(weight.stage == "dry" for weight in weights):
        how = f": kojimon batch weigh {'5.9 lb' if pounds else '2.6 kg'} --as soaked" if typed else "."
        return [*told, (f"Nothing is weighed yet beyond the dry grain{how}", "plain")]
    return told or [("Of this grain nothing is published to hold the weight against.", "plain")]


def _only(found: Scale, stage: str) -> Scale:
    if stage in ("", "dry"):  # the dry weight changes all of it
        return found
    return Scale(
        tuple(one for one in found.shares if one.stage == stage),
        tuple(one for one in found.losses if one.ends.stage == stage)[-1:],
        tuple(one for one in found.moisture if one.of.stage == stage), found.impossible,
    )  # fmt: skip


def _lines(scale: Scale, pounds: bool, kind: str, cover: str, typed: bool) -> Iterator[tuple[str, str]]:
    for one in scale.impossible:
        told = f"{NAMES[one.of.stage].capitalize()}: {show_weight(one.of.kg, pounds)} is impossible, {one.why}."
        undo = " To take the last weight back: kojimon undo weight"
        back = "" if one.of.stage == "harvest" or not typed else undo
        yield f"{told} Nothing is worked out from it.{back}", "look"
    yield from (_share(share) for share in scale.shares)
    yield from (_loss(loss, kind, cover, loss is scale.losses[-1]) for loss in scale.losses)
    if not scale.moisture:
        return
    yield _moisture(scale.moisture[-1], pounds)
    if scale.moisture[-1].of.stage in ("work", "harvest"):
        assumed = f"{DRY_LOSS.low * 100:.0f}-{DRY_LOSS.high * 100:.0f} %"
        yield (f"Formula: 1 - dry weight x (1 - m0)(1 - L) / weight, m0 "
               f"{MOISTURE.low * 100:.0f}-{MOISTURE.high * 100:.0f} % "
               f"water in the dry grain; L, what the mould burns, {assumed} at the end: nobody has measured it, it "
               f"is an assumption. The range has 1 % for the scale in it."), "quiet"  # fmt: skip


def _share(share: Share) -> tuple[str, str]:
    told = f"{NAMES[share.stage].capitalize()}: {share.ratio * 100:.0f} on 100 dry"
    if share.fact is None:
        return f"{told}; nothing is published to hold it against.", "plain"
    low, high = share.fact.low, share.fact.high
    side = "less than" if share.ratio < low - 0.005 else "more than" if share.ratio > high + 0.005 else "within"
    return (f"{told}, {side} the published {low * 100:.0f}-{high * 100:.0f} ({share.fact.source}).",
            "plain" if side == "within" else "look")  # fmt: skip


def _loss(loss: Loss, kind: str, cover: str, last: bool) -> tuple[str, str]:
    hours = (loss.ends.at_s - loss.begins.at_s) / 3600
    span = f"{loss.begins.stage.capitalize()} to {loss.ends.stage}, {hours:.1f} h"
    if loss.high < 0:
        return f"{span}: it is heavier than before. Weighed in another vessel?", "look"
    told = f"{span}: {_grams(loss.low)}-{_grams(loss.high)} g of water lost an hour"
    if loss.usual is None:
        return f"{told}.", "plain"
    low, high = map(_grams, loss.usual)
    told = f"{told}; koji of as much rice loses {low}-{high}{f' ({WATER_LOST.source})' if last else ''}."
    if not loss.verdict:
        return told, "plain"
    if loss.verdict == "unclear":
        ends = ("too much", loss.high > loss.usual[1]), ("too little", loss.low < loss.usual[0])
        sides = " or ".join(side for side, beyond in ends if beyond)
        return f"{told} Whether that is {sides} these two weights cannot tell.", "plain"
    if loss.verdict == "false":
        return f"{told} So much cannot dry off: was all of it weighed, in the same vessel?", "look"
    todo = HOLES.get((cover, loss.verdict)) or LID.get((kind, loss.verdict), "")
    todo = todo if last and loss.ends.stage != "harvest" else ""
    return f"{told} {'It dries.' if loss.verdict == 'dry' else 'It stays damp.'}{f' {todo}' if todo else ''}", "look"


def _grams(rate_kg: float) -> str:
    grams = rate_kg * 1000
    return f"{grams:.0f}" if grams >= 9.95 else f"{grams:.1f}"


def _moisture(found: Moisture, pounds: bool) -> tuple[str, str]:
    of, between = show_weight(found.of.kg, pounds), f"{found.low * 100:.0f}-{found.high * 100:.0f} %"
    told = f"Water, {NAMES[found.of.stage]}: {found.usual * 100:.0f} % of {of} ({between})."
    if not found.finish:
        return told, "plain"
    usual = f"{KOJI_WATER.low * 100:.0f}-{KOJI_WATER.high * 100:.0f} %"
    return (f"{told} Finished {found.finish}: {usual} is usual ({KOJI_WATER.source}). This says nothing about safety.",
            "plain" if found.finish == "normal" else "look")  # fmt: skip
