"""Weights by hand: kept in the order they were entered, so that one can be taken back. What cannot be beside the others
is refused; else nothing is judged by them. What a vessel weighs empty is kept for the box, beyond the batch."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract import acts, events
from kojimon.contract.batch_events import VESSELS, WEIGHED
from kojimon.contract.steps import Weighing
from kojimon.engine.reopen import can_be
from kojimon.engine.state import BatchState
from kojimon.engine.turn import By, Turn
from kojimon.mash import scale
from kojimon.mash.scale import both


def weigh(turn: Turn, incubator: str, deed: acts.BatchWeigh, by: By) -> None:
    """What the scale showed. What it means is worked out by whoever shows it."""
    batch = _batch(turn, incubator, deed)
    if batch is None:
        return
    vessel = f"{incubator}/{VESSELS[deed.stage]}"
    tare_kg = turn.tares.get(vessel, 0.0) if deed.tare_kg is None else deed.tare_kg
    net = (deed.kg or 0.0) - tare_kg
    if net <= 0 or tare_kg < 0:
        reason = "the scale shows no more than its vessel; give the weight with it, and the vessel's own as tare"
        kept = f"; {both(tare_kg)} is kept from before, tare 0 for none" if deed.tare_kg is None and tare_kg else ""
        turn.refuse(deed.kind, incubator, "no-weight", reason + kept)
        return
    at_ms = turn.t_ms if deed.at_t_ms is None else min(deed.at_t_ms, turn.t_ms)
    one = Weighing(deed.stage, round(net, 6), at_ms, turn.event_no + 1)
    if wrong := impossible(batch, one, _grain(turn, batch)):
        turn.refuse(deed.kind, incubator, "impossible-weight", wrong)
        return
    was_kg = None if deed.tare_kg is None else turn.tares.get(vessel, 0.0)
    if was_kg is not None:
        turn.tares[vessel] = tare_kg
    one = replace(one, tare_was_kg=was_kg)
    said = events.Weighed(kg=one.kg, tare_kg=tare_kg, at_ms=at_ms, **by)
    _put(turn, incubator, replace(batch, weighed=(*batch.weighed, one)), said, deed.stage)


def kept_tares(turn: Turn, incubator: str) -> dict[str, float]:
    """What is taken off what is weighed in a box, kg, by stage; only where a vessel's own weight is known."""
    found = {stage: turn.tares.get(f"{incubator}/{vessel}", 0.0) for stage, vessel in VESSELS.items()}
    return {stage: kg for stage, kg in found.items() if kg}


def unweigh(turn: Turn, incubator: str, deed: acts.BatchUnweigh, by: By) -> None:
    """The last weight of a stage was none; a tare that it brought was none either."""
    batch = _batch(turn, incubator, deed)
    if batch is None:
        return
    last = next((one for one in reversed(batch.weighed) if one.stage == deed.stage), None)
    if last is None:
        known = ", ".join(dict.fromkeys(one.stage for one in batch.weighed)) or "nothing"
        reason = f"nothing is weighed as {deed.stage}; weighed is {known}"
        turn.refuse(deed.kind, incubator, "not-weighed", reason)
        return
    left = tuple(one for one in batch.weighed if one is not last)
    if last.tare_was_kg is not None:
        turn.tares[f"{incubator}/{VESSELS[deed.stage]}"] = last.tare_was_kg
    _put(turn, incubator, replace(batch, weighed=left), events.Unweighed(**by), deed.stage)


def impossible(batch: BatchState, one: Weighing, grain: str) -> str:
    """Why a weight cannot be beside those that stand, the dry grain as weighed, else as begun with; "" where it can."""
    before, after = ([*scale.impossible(_weights(batch, more), grain)] for more in ((), (one,)))
    new = sorted((found for found in after if found not in before), key=lambda found: found.of.stage != one.stage)
    if not new:
        return ""
    of, why = new[0].of, new[0].why
    if (of.stage, of.kg) == (one.stage, one.kg):
        dry_kg = _dry_kg(batch)
        beside = f"beside {both(dry_kg)} of dry grain " if dry_kg else ""
        return (f"{beside}{both(one.kg)} as {one.stage} cannot be: {why}. Check the number, its unit and the vessel, "
                "or say what the grain weighed: kojimon batch weigh MASS --as dry")  # fmt: skip
    return (f"beside {both(one.kg)} as {one.stage} the {both(of.kg)} as {of.stage} cannot be: {why}. Check the number, "
            f"its unit and the vessel, or take the other back: kojimon undo weight")  # fmt: skip


def impossible_yield(turn: Turn, batch: BatchState, yield_kg: float) -> str:
    """Why a harvest cannot weigh so much beside what was weighed before; "" where it can. Less is no reason."""
    grain, dry_kg = _grain(turn, batch), _dry_kg(batch)
    if yield_kg <= dry_kg:
        return ""
    wrong = scale.impossible_yield(dry_kg, yield_kg, grain) if dry_kg else ""
    if wrong:
        return f"{wrong}, or say what the grain weighed: kojimon batch weigh MASS --as dry"
    return impossible(batch, Weighing("harvest", yield_kg, turn.t_ms, 0), grain)


def _dry_kg(batch: BatchState) -> float:
    return next((one.kg for one in reversed(_weights(batch, ())) if one.stage == "dry"), 0.0)


def _weights(batch: BatchState, more: tuple[Weighing, ...]) -> list[scale.Weight]:
    """Those that stand, in the order of their time; the dry grain as the batch began with where it was not weighed."""
    found = [scale.Weight(one.stage, one.kg, one.at_t_ms / 1000) for one in (*batch.weighed, *more)]
    if batch.rice_kg and all(one.stage != "dry" for one in found):
        found.append(scale.Weight("dry", batch.rice_kg, batch.started_ms / 1000))
    return sorted(found, key=lambda one: one.at_s)


def _grain(turn: Turn, batch: BatchState) -> str:
    schedule = turn.compiled.schedules.get(batch.schedule)
    return schedule.grain if schedule else ""


def _batch(turn: Turn, incubator: str, deed: acts.BatchWeigh | acts.BatchUnweigh) -> BatchState | None:
    """The batch that is weighed: the open one, or for a day the last; None, and refused, where there is none."""
    ended = can_be(turn, incubator)
    batch = turn.batches.get(incubator) or (ended.batch if ended else None)
    if batch is None:
        reason = f"no batch is open in {incubator}, and none ended within a day; start one first"
        turn.refuse(deed.kind, incubator, "no-batch", reason)
    elif deed.stage not in WEIGHED:
        reason = f"no stage {deed.stage!r} for the scale; one of {', '.join(WEIGHED)} is wanted"
        turn.refuse(deed.kind, incubator, "unknown-stage", reason)
        return None
    return batch


def _put(turn: Turn, incubator: str, batch: BatchState, what: events.Weighed | events.Unweighed, stage: str) -> None:
    event = turn.emit(what, incubator, stage)
    if incubator in turn.batches:
        turn.put_batch(incubator, batch)
    else:
        turn.events[-1] = replace(event, batch=batch.id)
        turn.ended[incubator] = replace(turn.ended[incubator], batch=batch)
