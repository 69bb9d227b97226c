"""The end of a batch taken back: a harvest marked by mistake, a batch thrown away that was another one's.

What the engine knew of the batch is kept for a day beside the open ones. Taken back, limits, windows and probes are
what they were, and the time between is what it was: nobody judged it, so no condition is said to have held across it.
"""

from __future__ import annotations

from typing import Final

from msgspec.structs import replace

from kojimon.contract import events
from kojimon.contract.acts import BatchReopen
from kojimon.contract.keys import parse_named
from kojimon.engine.guide import warming
from kojimon.engine.limits import rejudge_all
from kojimon.engine.plan import reconsider
from kojimon.engine.probe_acts import seat
from kojimon.engine.silence import watch_bed
from kojimon.engine.state import BatchState, ConditionState, Ended, elapsed_ms
from kojimon.engine.turn import By, Turn

BACK_MS: Final = 86_400_000
"""An end can be taken back for a day: by then the koji is eaten or in the cold (judgement)."""


def remember(turn: Turn, incubator: str, kind: str, mark: int) -> None:
    """Keeps an open batch that is about to end.

    Args:
        kind: of the event of its end. mark: of the harvest, 0 for none.
    """
    own = {name for name in (*turn.since, *turn.exposed) if parse_named(name)[0] == incubator}
    trays = {no: one.tray for no, one in turn.moved.items() if turn.compiled.probes[no].incubator == incubator}
    hands = turn.compiled.hands_at.get((incubator, "bed", "temperature"), ())
    turn.ended[incubator] = Ended(
        turn.batches[incubator], turn.t_ms, kind, mark, turn.of_late(incubator), trays,
        {name: at_ms for name, at_ms in turn.since.items() if name in own},
        {name: total for name, total in turn.exposed.items() if name in own},
        {no: turn.read[no] for no in hands if no in turn.read}, turn.event_no,
    )  # fmt: skip


def can_be(turn: Turn, incubator: str) -> Ended | None:
    """The end that can be taken back now; None for none."""
    ended = turn.ended.get(incubator)
    if ended is None or incubator in turn.batches:
        return None
    return ended if elapsed_ms(turn.anchors, ended.at_ms, turn.t_ms) <= BACK_MS else None


def reopen(turn: Turn, incubator: str, deed: BatchReopen, by: By) -> None:
    """Takes the last end of a batch back: the watch goes on."""
    ended, found = turn.ended.get(incubator), can_be(turn, incubator)
    if found is None or (deed.batch and deed.batch != found.batch.id):
        turn.refuse(deed.kind, incubator, *_why_not(turn, incubator, ended, deed.batch))
        return
    del turn.ended[incubator]
    turn.put_batch(incubator, _unended(turn, found))
    turn.lately[incubator] = found.lately
    turn.since.update(found.since)
    turn.exposed.update(found.exposed)
    turn.read.update(found.read)
    batch, gap_ms = turn.batches[incubator], elapsed_ms(turn.anchors, found.at_ms, turn.t_ms)
    again = events.BatchReopened(name=batch.name, was=found.kind, ended_ms=found.at_ms, gap_ms=gap_ms, **by)
    turn.emit(again, incubator, batch.id)
    if found.mark:
        mark = next(one for one in batch.marks if one.id == found.mark)
        turn.emit(events.StepUndone(mark=mark.id, at_ms=mark.at_ms, **by), incubator, mark.step)
    for no, tray in found.trays.items():
        seat(turn, incubator, no, tray)
    turn.guidance.append(warming(turn.compiled.schedules.get(batch.schedule), incubator, batch))
    rejudge_all(turn, incubator)
    watch_bed(turn, incubator, anew=True)
    reconsider(turn, incubator)


def _why_not(turn: Turn, incubator: str, ended: Ended | None, wanted: str) -> tuple[str, str]:
    """A code and a reason."""
    if incubator in turn.batches:
        name = turn.batches[incubator].name
        return "batch-open", f"batch {name!r} is open in {incubator}: an end is taken back before the next batch begins"
    if ended is None or (wanted and wanted != ended.batch.id):
        return "nothing-ended", f"no batch {wanted or 'of ' + incubator!s} ended here that could be taken back"
    hours = round(elapsed_ms(turn.anchors, ended.at_ms, turn.t_ms) / 3_600_000)
    return "too-late", f"batch {ended.batch.name!r} ended {hours} h ago; an end can be taken back for a day"


def _unended(turn: Turn, ended: Ended) -> BatchState:
    """The batch as it was, without the mark of its end; a condition that held then is not known to have held since."""
    schedule, states = turn.compiled.schedules.get(ended.batch.schedule), dict(ended.batch.conditions)
    for name, state in states.items():
        condition = schedule.conditions.get(name) if schedule else None
        if state.since_ms >= 0:
            held = condition is not None and ended.at_ms - state.since_ms >= condition.hold_s * 1000
            states[name] = ConditionState(runs=(*state.runs, (state.since_ms, ended.at_ms)) if held else state.runs)
    marks = tuple(replace(one, undone=True) if one.id == ended.mark else one for one in ended.batch.marks)
    return replace(ended.batch, marks=marks, conditions=states)
