"""The outbox as a start reads it: messages with their events, attempts, and what is settled."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from kojimon.journal.records import Chunk, Delivery
from kojimon.journal.writing.outbox import load_outbox
from kojimon.journal.writing.writer import Writer
from kojimon.model import Message, Priority
from tests.parts.inputs import event_row, says


def test_what_waits_is_read_with_its_events_and_attempts(path: Path, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()
    events = [event_row(no, no * 1000, "alarm", "box", "b", "k", {"occurrence": no}) for no in (1, 2, 3)]
    messages = [Message(f"box/k#{no}.1", no, Priority.WAKE) for no in (1, 2, 3)]
    for event, message in zip(events, messages, strict=True):
        writer.submit(Chunk(events=[event], messages=[message],
                            horizon_ms=event.t_ms))  # fmt: skip
    tries = [Delivery("box/k#1.1", "phone", "failed", 1500, "no answer"), Delivery("box/k#1.1", "phone", "sent", 1600)]
    writer.submit(Chunk(horizon_ms=3000, deliveries=tries, settled={"box/k#1.1": 2000, "box/k#2.1": 2500}))
    assert writer.flush(60)
    found = load_outbox(path, since_ms=2000)
    assert [(row.id, row.settled_t_ms, says(event)["occurrence"]) for row, event in found.rows] == [
        ("box/k#2.1", 2500, 2), ("box/k#3.1", None, 3),
    ]  # fmt: skip
    assert found.deliveries == []
    assert load_outbox(path, since_ms=0).deliveries == tries


def test_a_receipt_alone_settles_nothing(path: Path, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()
    facts: dict[str, Any] = {"occurrence": 1}
    writer.submit(Chunk(events=[event_row(1, 5, "alarm", "box", "", "k", facts)], horizon_ms=5,
                        messages=[Message("box/k#1.1", 1, Priority.WAKE)],
                        deliveries=[Delivery("box/k#1.1", "phone", "sent", 5)]))  # fmt: skip
    assert writer.flush(60)
    assert [row.settled_t_ms for row, _ in load_outbox(path, since_ms=10).rows] == [None]
