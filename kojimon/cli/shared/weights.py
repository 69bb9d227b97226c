"""What the scale says of a batch, in a few lines."""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.contract import events
from kojimon.contract.rows import Batch
from kojimon.errors import KojimonError
from kojimon.mash.facts import DRY_LOSS, MOISTURE
from kojimon.mash.scale import KOJI_WATER, Loss, Moisture, Scale, Share, Weight, read
from kojimon.model import Event
from kojimon.units import show_weight

NAMES = {"dry": "dry", "soaked": "soaked", "steamed": "steamed", "seeded": "with the spores on", "work": "at work",
         "harvest": "as koji"}  # fmt: skip


def standing(stated: Iterable[Event], row: Batch) -> list[Weight]:
    """The weights of a batch that were not taken back; its rice and its yield where those were not weighed."""
    found: list[Weight] = []
    for event in stated:
        if isinstance(event.what, events.Weighed):
            found.append(Weight(event.key, event.what.kg, event.what.at_ms / 1000))
        elif isinstance(event.what, events.Unweighed):
            last = max(number for number, weight in enumerate(found) if weight.stage == event.key)
            del found[last]
    stages = {weight.stage for weight in found}
    if row.rice_kg and "dry" not in stages:
        found.append(Weight("dry", row.rice_kg, row.started_t_ms / 1000))
    if row.yield_kg and row.ended_t_ms is not None and "harvest" not in stages:
        found.append(Weight("harvest", row.yield_kg, row.ended_t_ms / 1000))
    return found


def grain_of(schedule: str, config: str | None) -> str:
    """What a schedule of the settings grows on; "" where no settings file can be read."""
    from kojimon.cli.shared.opening import settings_file
    from kojimon.settings.load import load_settings

    try:
        settings = load_settings(settings_file(config))
    except KojimonError:
        return ""
    return settings.schedules[schedule].grain if schedule in settings.schedules else ""


def print_scale(kitchen: Kitchen, row: Batch, grain: str, pounds: bool) -> None:
    """What the weights of a batch say, with formula and source."""
    weights = standing(kitchen.events(batch=row.id), row)
    told = [*_lines(read(weights, grain), pounds)]
    if not any(weight.stage == "dry" for weight in weights):
        told.append(("To tell moisture the dry weight is wanted: kojimon batch weigh 4 lb --as dry", "look"))
    if not told:
        told = [("Nothing is weighed yet beyond the dry grain: kojimon batch weigh 5.9 lb --as soaked", "plain")]
    for text, tone in told:
        screen.say(text, tone)


def _lines(scale: Scale, pounds: bool) -> Iterable[tuple[str, str]]:
    for one in scale.impossible:
        told = f"{NAMES[one.of.stage].capitalize()}: {show_weight(one.of.kg, pounds)} is impossible, {one.why}."
        back = "" if one.of.stage == "harvest" else f" Undo: kojimon batch weigh --undo --as {one.of.stage}"
        yield f"{told} It is kept, and nothing is worked out from it.{back}", "look"
    yield from (_share(share) for share in scale.shares)
    yield from ((_loss(loss, pounds), "plain") for loss in scale.losses)
    if not scale.moisture:
        return
    yield _moisture(scale.moisture[-1], pounds)
    if scale.moisture[-1].of.stage in ("work", "harvest"):
        assumed = f"{DRY_LOSS.low * 100:.0f}-{DRY_LOSS.high * 100:.0f} %"
        yield (f"Formula: 1 - dry weight x (1 - m0)(1 - L) / weight, m0 "
               f"{MOISTURE.low * 100:.0f}-{MOISTURE.high * 100:.0f} % "
               f"water in the dry grain; L, what the mould burns, {assumed} at the end: nobody has measured it, it "
               f"is an "
               "assumption."), "quiet"  # fmt: skip


def _share(share: Share) -> tuple[str, str]:
    told = f"{NAMES[share.stage].capitalize()}: {share.ratio * 100:.0f} on 100 dry"
    if share.fact is None:
        return f"{told}; nothing is published to hold it against.", "plain"
    low, high = share.fact.low, share.fact.high
    side = "less than" if share.ratio < low - 0.005 else "more than" if share.ratio > high + 0.005 else "within"
    return (f"{told}, {side} the published {low * 100:.0f}-{high * 100:.0f} ({share.fact.source}).",
            "plain" if side == "within" else "look")  # fmt: skip


def _loss(loss: Loss, pounds: bool) -> str:
    hours = (loss.ends.at_s - loss.begins.at_s) / 3600
    span = f"{loss.begins.stage.capitalize()} to {loss.ends.stage}, {hours:.1f} h"
    if loss.high < 0:
        return f"{span}: it is heavier than before. Weighed with another vessel? --tare, or --undo."
    return f"{span}: {loss.low * 1000:.0f}-{loss.high * 1000:.0f} g of water lost an hour."


def _moisture(found: Moisture, pounds: bool) -> tuple[str, str]:
    of, between = show_weight(found.of.kg, pounds), f"{found.low * 100:.0f}-{found.high * 100:.0f} %"
    told = f"Water, {NAMES[found.of.stage]}: {found.usual * 100:.0f} % of {of} ({between})."
    if not found.finish:
        return told, "plain"
    usual = f"{KOJI_WATER.low * 100:.0f}-{KOJI_WATER.high * 100:.0f} %"
    return (f"{told} Finished {found.finish}: {usual} is usual ({KOJI_WATER.source}). This says nothing about safety.",
            "plain" if found.finish == "normal" else "look")  # fmt: skip
