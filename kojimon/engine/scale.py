"""Weights by hand: kept in the order they were entered, so that one can be taken back, and judged by nothing. What a
vessel weighs empty is kept for the box, beyond the batch."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract import acts, events
from kojimon.contract.batch_events import VESSELS, WEIGHED
from kojimon.contract.steps import Weighing
from kojimon.engine.state import BatchState
from kojimon.engine.turn import By, Turn
from kojimon.mash.scale import impossible_yield


def weigh(turn: Turn, incubator: str, deed: acts.BatchWeigh, by: By) -> None:
    """What the scale showed. Nothing is judged by it: what it means is worked out by whoever shows it."""
    if not _at_a_stage(turn, incubator, deed):
        return
    vessel = f"{incubator}/{VESSELS[deed.stage]}"
    tare_kg = turn.tares.get(vessel, 0.0) if deed.tare_kg is None else deed.tare_kg
    net = (deed.kg or 0.0) - tare_kg
    if net <= 0 or tare_kg < 0:
        reason = "the scale shows no more than its vessel; give the weight with it, and the vessel's own as tare"
        kept = f" ({tare_kg:g} kg is kept from before; tare 0 for none)" if deed.tare_kg is None and tare_kg else ""
        turn.refuse(deed.kind, incubator, "no-weight", reason + kept)
        return
    if deed.tare_kg is not None:
        turn.tares[vessel] = tare_kg
    at_ms = turn.t_ms if deed.at_t_ms is None else min(deed.at_t_ms, turn.t_ms)
    batch, kg = turn.batches[incubator], round(net, 6)
    event = turn.emit(events.Weighed(kg=kg, tare_kg=tare_kg, at_ms=at_ms, **by), incubator, deed.stage)
    one = Weighing(deed.stage, kg, at_ms, event.no)
    turn.put_batch(incubator, replace(batch, weighed=(*batch.weighed, one)))


def kept_tares(turn: Turn, incubator: str) -> dict[str, float]:
    """What is taken off what is weighed in a box, kg, by stage; only where a vessel's own weight is known."""
    found = {stage: turn.tares.get(f"{incubator}/{vessel}", 0.0) for stage, vessel in VESSELS.items()}
    return {stage: kg for stage, kg in found.items() if kg}


def unweigh(turn: Turn, incubator: str, deed: acts.BatchUnweigh, by: By) -> None:
    """The last weight of a stage was none."""
    if not _at_a_stage(turn, incubator, deed):
        return
    batch = turn.batches[incubator]
    last = next((one for one in reversed(batch.weighed) if one.stage == deed.stage), None)
    if last is None:
        known = ", ".join(dict.fromkeys(one.stage for one in batch.weighed)) or "nothing"
        reason = f"nothing is weighed as {deed.stage}; weighed is {known}"
        turn.refuse(deed.kind, incubator, "not-weighed", reason)
        return
    left = tuple(one for one in batch.weighed if one is not last)
    turn.put_batch(incubator, replace(batch, weighed=left))
    turn.emit(events.Unweighed(**by), incubator, deed.stage)


def impossible(batch: BatchState, yield_kg: float | None, grain: str) -> str:
    """Why a harvest cannot weigh so much beside its dry grain, as weighed, else as begun with; "" where it can."""
    weighed = next((one.kg for one in reversed(batch.weighed) if one.stage == "dry"), batch.rice_kg)
    wrong = impossible_yield(weighed, yield_kg, grain) if weighed and yield_kg else ""
    return f"{wrong}, or say what the grain weighed: kojimon batch weigh MASS --as dry" if wrong else ""


def _at_a_stage(turn: Turn, incubator: str, deed: acts.BatchWeigh | acts.BatchUnweigh) -> bool:
    if deed.stage in WEIGHED:
        return True
    reason = f"no stage {deed.stage!r} for the scale; one of {', '.join(WEIGHED)} is wanted"
    turn.refuse(deed.kind, incubator, "unknown-stage", reason)
    return False
