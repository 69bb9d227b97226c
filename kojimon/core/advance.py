"""The engine's step, made safe: a row that the engine cannot take is left out instead of ending the watch.

The same function serves the live core and every replay, so both leave out the same rows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from kojimon import engine, logs
from kojimon.contract.guidance import Guidance
from kojimon.engine.state import State
from kojimon.model import Event, InputRow, Message, Outcome, ReadingRow

Row = InputRow | ReadingRow | tuple[int, int, int, float | None, int]
_LOG = logs.get("core")


def row_t_ms(row: Row) -> int:
    """Engine time of a row of either form."""
    return row[1] if isinstance(row, tuple) else row.t_ms


def advance(
    state: State, rows: Sequence[Row], now_ms: int, left_out: Callable[[], None] = lambda: None
) -> tuple[State, Outcome]:
    """`engine.advance`, row by row where the whole would fail (the split law makes that the same thing).

    Args:
        left_out: called for each row that the engine cannot take.
    """
    try:
        return engine.advance(state, rows, now_ms)
    except Exception:
        _LOG.exception("the engine failed on %d rows up to %d; taking them one by one", len(rows), now_ms)
    return _one_by_one(state, rows, now_ms, left_out)


def _one_by_one(state: State, rows: Sequence[Row], now_ms: int, left_out: Callable[[], None]) -> tuple[State, Outcome]:
    events: list[Event] = []
    messages: list[Message] = []
    guidance: list[Guidance] = []
    steps: list[tuple[list[Row], int]] = [([row], row_t_ms(row)) for row in rows]
    for step, t_ms in [*steps, ([], now_ms)]:
        try:
            state, outcome = engine.advance(state, step, t_ms)
        except Exception:
            _LOG.exception("left out of the engine: %r at %d", step, t_ms)
            left_out()
            continue
        events += outcome.events
        messages += outcome.messages
        guidance += outcome.guidance
    return state, Outcome(tuple(events), tuple(messages), tuple(guidance))
