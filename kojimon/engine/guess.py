"""A sudden fall of the koji without a mark: somebody mixed, and is asked when they next look."""

from __future__ import annotations

from kojimon.contract.events import MixGuess
from kojimon.engine.conditions import fresh
from kojimon.engine.turn import Turn

FALL_K = 1.0
WITHIN_MS = 480_000
APART_MS = 1_800_000
"""A fall is asked about once, and not near a marked work."""
WARM_C = 33.0


def guess_mixing(turn: Turn) -> None:
    """Looks at the last few points of each bed probe's trace; states `mix-guess` with the moment the fall began."""
    for incubator, batch in turn.batches.items():
        guessed_ms = turn.of_late(incubator).guessed_ms
        if not batch.stage or (guessed_ms >= 0 and turn.t_ms - guessed_ms < APART_MS):
            continue
        near = [mark for mark in batch.marks if not mark.undone and abs(turn.t_ms - mark.at_ms) <= APART_MS]
        begun = [_fall_ms(turn, no) for no in fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature"))]
        found = [t_ms for t_ms in begun if t_ms is not None]
        if found and not near:
            turn.happened(incubator, guessed_ms=turn.t_ms)
            turn.emit(MixGuess(at_ms=min(found)), incubator, batch.id)


def _fall_ms(turn: Turn, no: int) -> int | None:
    """When a sudden fall began: the warmest recent point, if the value is well below it now."""
    recent = [(t_ms, value) for t_ms, value in turn.trace.get(no, ()) if turn.t_ms - t_ms <= WITHIN_MS]
    if len(recent) < 2:
        return None
    t_ms, top = max(recent, key=lambda point: (point[1], point[0]))
    return t_ms if top >= WARM_C and recent[-1][1] <= top - FALL_K else None
