"""What still has to be told, read once at a start: messages with their events, and the attempts made so far."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import msgspec

from kojimon.contract.inputs import Settings
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Delivery, OutboxRow
from kojimon.journal.writing.derive import event_of
from kojimon.model import Event

_WANTED = "m.settled_t_ms IS NULL OR m.t_ms >= ?"
MOST_TESTS = 500
MOST_ROWS = 5000
"""More than a flood of a day; the newest are read."""


class Outbox(NamedTuple):
    """Messages in the order of their events, and the attempts on them in order."""

    rows: list[tuple[OutboxRow, Event]]
    deliveries: list[Delivery]


class _OutboxReader(Reader):
    def outbox(self, since_ms: int) -> Outbox:
        with self._reading() as db:
            rows = db.execute(
                "SELECT m.id, m.event, m.priority, m.t_ms, m.settled_t_ms, "
                "e.no, e.t_ms, e.kind, e.incubator, e.batch, e.key, e.data "
                f"FROM message m JOIN event e ON e.no = m.event WHERE {_WANTED} ORDER BY m.event DESC, m.id LIMIT ?",
                (since_ms, MOST_ROWS),
            ).fetchall()
            tries = db.execute(
                "SELECT d.message, d.channel, d.state, d.t_ms, d.text FROM message m "
                f"JOIN delivery d ON d.message = m.id WHERE {_WANTED} ORDER BY d.t_ms",
                (since_ms,),
            ).fetchall()
        found = [(OutboxRow(*row[:5]), event_of(row[5:])) for row in reversed(rows)]
        return Outbox(found, [Delivery(*row) for row in tries])

    def tests(self) -> tuple[list[Event], list[Delivery], list[tuple[int, str]]]:
        with self._reading() as db:
            events = db.execute(
                "SELECT no, t_ms, kind, incubator, batch, key, data FROM event "
                "WHERE kind = 'alarm' AND key = 'test' ORDER BY no DESC LIMIT ?",
                (MOST_TESTS,),
            ).fetchall()
            tries = db.execute(
                "SELECT message, channel, state, t_ms, text FROM delivery WHERE message LIKE '%/test#%' ORDER BY t_ms"
            ).fetchall()
            settings = db.execute(
                "SELECT i.t_ms, s.body FROM input i JOIN settings s ON s.hash = json_extract(i.payload, '$.hash') "
                "WHERE i.kind = 'settings' ORDER BY i.seq"
            ).fetchall()
        return [event_of(row) for row in reversed(events)], [Delivery(*row) for row in tries], settings


class Tests(NamedTuple):
    """What proves the way to the person: events and attempts of the test alarm, and when what it hangs on changed."""

    events: list[Event]
    deliveries: list[Delivery]
    changed_ms: int


def load_tests(path: Path, fields: tuple[str, ...]) -> Tests:
    """The tests ever made.

    Args:
        fields: names of the settings on whose change a test is made anew.

    Raises JournalError when the journal cannot be read.
    """
    with closing(_OutboxReader(path)) as reader:
        events, tries, rows = reader.tests()
    changed_ms, before = 0, None
    for t_ms, body in rows:
        whole = _whole(body)
        now = {name: whole.get(name) for name in fields}
        if now != before:
            changed_ms, before = t_ms, now
    return Tests(events, tries, changed_ms)


def _whole(body: str) -> dict[str, object]:
    """The settings whole, of a stored row; {} where they cannot be read."""
    try:
        return msgspec.json.decode(msgspec.json.decode(body, type=Settings).settings) or {}
    except msgspec.DecodeError:
        return {}


def load_outbox(path: Path, since_ms: int) -> Outbox:
    """Everything not settled, and what is younger than since_ms (engine time), settled or not.

    Raises JournalError when the journal cannot be read.
    """
    with closing(_OutboxReader(path)) as reader:
        return reader.outbox(since_ms)
