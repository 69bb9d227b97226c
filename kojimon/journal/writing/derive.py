"""Rows the journal derives from what it is given, so that nobody has to hand over the same fact twice. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec

from kojimon.contract import earlier
from kojimon.journal.records import ClockRow
from kojimon.model import Event, InputRow

HOUR0_STEP = "inoculate"
"""The step that is hour 0 of a batch."""
MARKING = ("step-done", "step-undone", "step-corrected")

UNREAD = "unread"
"""Kind of an input or event whose record cannot be decoded: nobody takes it for what it was."""

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


def decoded(text: str) -> dict[str, Any] | None:
    """A stored JSON object as plain data; None where it is none, as in a record of another version or a damaged one.

    Names of an earlier version become today's (`contract.earlier`).
    """
    try:
        found = msgspec.json.decode(text, type=dict[str, Any])
        return earlier.plain(found) if earlier.holds(text) else found
    except msgspec.DecodeError:
        return None


def event_of(row: tuple[int, int, str, str, str, str, str]) -> Event:
    """An event from its row (no, t_ms, kind, incubator, batch, key, data); of kind UNREAD where that cannot be had."""
    no, t_ms, kind, incubator, batch, key, text = row
    data = decoded(text)
    if data is None:
        return Event(no, t_ms, UNREAD, incubator, batch, kind, {})
    return Event(no, t_ms, earlier.word(kind), incubator, batch, earlier.word(key), data)


def clock_rows(inputs: Iterable[InputRow]) -> list[ClockRow]:
    """The rows of table clock: one for each input `start` and `clock`."""
    return [_clock_row(row) for row in inputs if row.kind in ("start", "clock")]


def _clock_row(row: InputRow) -> ClockRow:
    facts = row.payload
    return ClockRow(
        row.seq,
        row.t_ms,
        row.kind,
        int(facts.get("boot", 0)),
        str(facts.get("boot_id", "")),
        int(facts["boot_ms"]),
        int(facts["wall_ms"]),
        bool(facts.get("trusted", False)),
        int(facts.get("step_ms", 0)),
        int(facts.get("gap_ms") or 0),
    )


def input_parts(row: InputRow) -> tuple[tuple[int, int, str, str], tuple[str, int, str] | None]:
    """The input row as stored, and the settings row it carries: settings are kept once a hash."""
    if row.kind == "forecast":
        # One a minute, some 1,300 bytes: a tenth less puts three on a page of the file instead of two.
        return (row.seq, row.t_ms, row.kind, as_json(shortened(row.payload))), None
    if row.kind != "settings":
        return (row.seq, row.t_ms, row.kind, as_json(row.payload)), None
    name = str(row.payload["hash"])
    body = {key: value for key, value in row.payload.items() if key != "hash"}
    return (row.seq, row.t_ms, row.kind, as_json({"hash": name})), (name, row.seq, as_json(body))


def placing_statements(events: Iterable[Event]) -> list[Statement]:
    """What the events do to table placing: a probe moved to another tray sits there from its act's row on."""
    return [
        (_MOVE_PROBE, {"act": int(event.data["act"]), "tray": str(event.data["tray"]), "probe": event.key})
        for event in events
        if event.kind == "probe-moved" and "act" in event.data
    ]


def batch_statements(events: Iterable[Event]) -> list[Statement]:
    """What the events do to table batch."""
    found: list[Statement] = []
    for event in events:
        if event.batch:
            found += _batch_statement(event)
    return found


def _batch_statement(event: Event) -> list[Statement]:
    data = event.data
    if event.kind == "batch-start":
        return [(_INSERT_BATCH, _new_batch(event))]
    if event.kind in ("batch-harvest", "batch-discard"):
        outcome = event.kind.removeprefix("batch-")
        note = str(data.get("note") or data.get("reason") or "")
        values = {"outcome": outcome, "yield_kg": data.get("yield_kg"), "note": note, "id": event.batch}
        return [(_END_BATCH, values | {"t_ms": int(data.get("at_ms", event.t_ms))})]
    return [(_REOPEN_BATCH, {"id": event.batch})] if event.kind == "batch-reopened" else []


def hour0_ms(events: Iterable[Event]) -> int | None:
    """Hour 0 of a batch from all its events, in order: the earliest mark of the step that still stands."""
    marks: dict[int, int] = {}
    for event in events:
        if event.key != HOUR0_STEP or event.kind not in MARKING:
            continue
        mark = int(event.data.get("mark", 0))
        marks.pop(mark, None)
        if event.kind != "step-undone":
            marks[mark] = int(event.data.get("at_ms", event.t_ms))
    return min(marks.values(), default=None)


def _new_batch(event: Event) -> tuple[Any, ...]:
    data = event.data
    return (
        event.batch,
        event.incubator,
        str(data.get("name") or event.batch),
        str(data.get("schedule") or ""),
        data.get("rice_kg"),
        event.t_ms,
        str(data.get("note") or ""),
    )


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
