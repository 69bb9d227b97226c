"""The outbox in memory: what is on its way to the disk is told only once it is there, or when that takes too long."""

from __future__ import annotations

import threading

import pytest

from kojimon.journal.records import Chunk
from kojimon.model import Message, Priority
from kojimon.notify.memory import HUNG_S, Memory
from tests.parts.inputs import event_row


@pytest.mark.parametrize("priority", [Priority.WAKE, Priority.TELL])
def test_a_stalled_writer_holds_a_message_back_and_no_longer_than_its_time(priority: Priority) -> None:
    facts = {"event": "on", "to": "UNACK", "from": "NORM", "occurrence": 1, "priority": str(priority)}
    event = event_row(1, 1000, "alarm", "box", "b", "limit/bed/temperature/high", facts)
    chunk = Chunk(events=[event], messages=[Message("box/x#1.1", 1, priority)])
    memory, hung_s = Memory(threading.Condition()), HUNG_S[priority]
    assert memory.submitted(chunk, 100.0)
    assert memory.present(100.0 + hung_s - 0.01) == ([], set())
    assert memory.hangs_s(100.0) == hung_s
    items, hung = memory.present(100.0 + hung_s)
    assert ([item.message.id for item in items], hung) == (["box/x#1.1"], {"box/x#1.1"})
    assert memory.committed(chunk)
    items, hung = memory.present(100.0)
    assert ([item.message.id for item in items], hung) == (["box/x#1.1"], set())
    assert memory.hangs_s(100.0) is None
