"""Rows the journal derives from what it is given, so that nobody has to hand over the same fact twice. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec
from msgspec import to_builtins

from kojimon.contract import earlier, events
from kojimon.contract.inputs import Clock, Forecast, Settings, Start, plain, read, unread
from kojimon.journal.records import ClockRow
from kojimon.model import Event, InputRow, standing_marks

HOUR0_STEP = "inoculate"
"""The step that is hour 0 of a batch."""
MARKING = ("step-done", "step-undone", "step-corrected")

Statement = tuple[str, tuple[Any, ...] | dict[str, Any]]
"""A query and its values: by place, or by name. Numbered places (`?1`) take no sequence from Python 3.14 on."""


def as_json(value: Any) -> str:
    """Compact JSON text, floats so that they read back equal."""
    return msgspec.json.encode(value).decode()


def shortened(value: Any) -> Any:
    """Plain data with whole numbers written without their `.0`; they read back equal."""
    if isinstance(value, float):
        return int(value) if value.is_integer() else value
    if isinstance(value, list | tuple):
        return [shortened(one) for one in value]
    if isinstance(value, dict):
        return {name: shortened(one) for name, one in value.items()}
    return value


def event_of(row: tuple[int, int, str, str, str, str, str]) -> Event:
    """An event from its row (no, t_ms, kind, incubator, batch, key, data); of kind UNREAD where that cannot be had."""
    no, t_ms, kind, incubator, batch, key, text = row
    try:
        return Event(no, t_ms, incubator, batch, earlier.word(key), events.read(kind, text))
    except msgspec.DecodeError:
        return Event(no, t_ms, incubator, batch, kind, events.UNREADABLE)


def clock_rows(inputs: Iterable[InputRow]) -> list[ClockRow]:
    """The rows of table clock: one for each input `start` and `clock`."""
    return [_clock_row(row, row.what) for row in inputs if isinstance(row.what, Start | Clock)]


def _clock_row(row: InputRow, what: Start | Clock) -> ClockRow:
    step_ms = what.step_ms if isinstance(what, Clock) else 0
    gap_ms = what.gap_ms if isinstance(what, Start) else 0
    return ClockRow(
        row.seq, row.t_ms, what.kind, what.boot, what.boot_id, what.boot_ms, what.wall_ms, what.trusted, step_ms, gap_ms
    )


def input_parts(row: InputRow) -> tuple[tuple[int, int, str, str], tuple[str, int, str] | None]:
    """The input row as stored, and the settings row it carries: settings are kept once a hash."""
    what = row.what
    if isinstance(what, Settings):
        body = {"setup": what.setup, "settings": what.settings}
        return (row.seq, row.t_ms, what.kind, as_json({"hash": what.hash})), (what.hash, row.seq, as_json(body))
    # A forecast comes once a minute, some 1,300 bytes: a tenth less puts three on a page of the file instead of two.
    text = as_json(shortened(to_builtins(what)) if isinstance(what, Forecast) else plain(what))
    return (row.seq, row.t_ms, row.kind, text), None


def input_of(seq: int, t_ms: int, kind: str, text: str) -> InputRow:
    """An input from its row; of kind UNREAD where that cannot be had."""
    try:
        return InputRow(seq, t_ms, read(kind, text))
    except msgspec.DecodeError:
        return InputRow(seq, t_ms, unread(kind))


def placing_statements(stated: Iterable[Event]) -> list[Statement]:
    """What the events do to table placing: a probe moved to another tray sits there from its act's row on."""
    return [
        (_MOVE_PROBE, {"act": what.act, "tray": what.tray, "probe": event.key})
        for event in stated
        if isinstance(what := event.what, events.ProbeMoved) and what.act
    ]


def batch_statements(stated: Iterable[Event]) -> list[Statement]:
    """What the events do to table batch."""
    return [statement for event in stated if event.batch for statement in _batch_statement(event)]


def _batch_statement(event: Event) -> list[Statement]:
    what = event.what
    if isinstance(what, events.BatchStart):
        return [(_INSERT_BATCH, (
            event.batch, event.incubator, what.name or event.batch, what.schedule, what.rice_kg, event.t_ms, what.note
        ))]  # fmt: skip
    if isinstance(what, events.BatchReopened):
        return [(_REOPEN_BATCH, {"id": event.batch})]
    if not isinstance(what, events.BatchHarvest | events.BatchDiscard):
        return []
    yield_kg, note, at_ms = (
        (None, what.reason, None) if isinstance(what, events.BatchDiscard) else (what.yield_kg, what.note, what.at_ms)
    )
    outcome, t_ms = what.kind.removeprefix("batch-"), event.t_ms if at_ms is None else at_ms
    values = {"t_ms": t_ms, "outcome": outcome, "id": event.batch, "yield_kg": yield_kg, "note": note}
    return [(_END_BATCH, values)]


def hour0_ms(stated: Iterable[Event]) -> int | None:
    """Hour 0 of a batch from all its events, in order: the earliest mark of the step that still stands."""
    return min((at_ms for name, at_ms in standing_marks(stated).values() if name == HOUR0_STEP), default=None)


_MOVE_PROBE = (
    "INSERT OR REPLACE INTO placing (probe, from_seq, incubator, place, tray, quantity) "
    "SELECT probe, :act, incubator, place, :tray, quantity FROM placing "
    "WHERE probe = (SELECT no FROM probe WHERE name = :probe) ORDER BY from_seq DESC LIMIT 1"
)
_INSERT_BATCH = (
    "INSERT INTO batch (id, incubator, name, schedule, rice_kg, started_t_ms, outcome, note) "
    "VALUES (?, ?, ?, ?, ?, ?, '', ?) ON CONFLICT (id) DO NOTHING"
)
_REOPEN_BATCH = (
    "UPDATE batch SET ended_t_ms = NULL, outcome = '', yield_kg = NULL, note = coalesce((SELECT json_extract(data, "
    "'$.note') FROM event WHERE batch = :id AND kind = 'batch-start' ORDER BY no LIMIT 1), '') WHERE id = :id"
)
_END_BATCH = (
    "UPDATE batch SET ended_t_ms = :t_ms, outcome = :outcome, yield_kg = :yield_kg, "
    "note = note || CASE WHEN note <> '' AND :note <> '' THEN '; ' ELSE '' END || :note WHERE id = :id AND outcome = ''"
)
