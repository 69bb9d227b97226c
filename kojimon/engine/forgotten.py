"""A batch whose latest harvest is past and that nobody ended: told after a night, then once a day, with the hour it
probably ended."""

from __future__ import annotations

from typing import Final

from kojimon.contract.events import BatchForgotten
from kojimon.engine.conditions import reading_at
from kojimon.engine.moments import Known
from kojimon.engine.state import after_ms, elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.model import Priority

DAY_MS: Final = 86_400_000
FIRST_MS: Final = 28_800_000
"""So long after its time it is told first: koji that lies on makes spores within hours, and who slept as its time
ended is awake by then (judgement)."""
KOJI_C: Final = 28.0
"""Koji that grows, or lies in its box, is as warm as that; a probe that is not has left both (judgement)."""
LEFT_MS: Final = 7_200_000
"""A probe that has been colder for so long is in no koji (judgement): mixing and spreading take less."""


def note_warm(turn: Turn, incubator: str) -> None:
    """Remembers when the koji was last seen as warm as koji is."""
    found = reading_at(turn, incubator, "bed", "temperature")
    if found is not None and found[1] >= KOJI_C:
        turn.happened(incubator, warm_ms=turn.t_ms)


def probable_end_ms(turn: Turn, incubator: str, known: Known) -> int | None:
    """When the koji was probably taken out: since its probe is no more as warm as koji; the end of the harvest's time
    where no probe is in it; None while it is seen warm, or the time is not over."""
    closed = known.harvest_ms()[2]
    if closed is None or closed > turn.t_ms:
        return None
    if not turn.compiled.probes_at(incubator, "bed", "temperature"):
        return closed
    warm_ms = turn.of_late(incubator).warm_ms
    if warm_ms < 0:
        return closed
    return warm_ms if elapsed_ms(turn.anchors, warm_ms, turn.t_ms) >= LEFT_MS else None


def told_next_ms(turn: Turn, incubator: str, known: Known) -> int | None:
    """When it is to be told next; None before the harvest's time is known."""
    closed = known.harvest_ms()[2]
    last_ms = turn.of_late(incubator).forgotten_ms
    if closed is None:
        return None
    first = last_ms < closed  # its time may have ended anew: hours that were corrected, or koji that came late
    return after_ms(turn.anchors, *((closed, FIRST_MS) if first else (last_ms, DAY_MS)))


def tell(turn: Turn, incubator: str, known: Known) -> None:
    """Says it."""
    due_ms, closed = told_next_ms(turn, incubator, known), known.harvest_ms()[2]
    if due_ms is None or due_ms > turn.t_ms:
        return
    turn.happened(incubator, forgotten_ms=turn.t_ms)
    ended_ms = probable_end_ms(turn, incubator, known)
    told = BatchForgotten(name=known.batch.name, closed_ms=closed, ended_ms=ended_ms)
    turn.emit(told, incubator, known.batch.id, Priority.TELL)
