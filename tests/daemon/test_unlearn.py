"""What the forecast learnt of a batch whose end was taken back is unlearnt, and learnt anew at its true end."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

from kojimon.daemon.learning import latest, memories
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event
from tests.parts.inputs import event_row, says


def learnt(no: int, of: str) -> Event:
    return event_row(no, no, "forecast", "box", "", "learnt", {"of": of, "schedule": "home", "input": 100 + no})


def reopened(no: int, batch: str) -> Event:
    return event_row(no, no, "batch-reopened", "box", batch, batch, {})


def reader(*events: Event) -> Reader:
    def found(kinds: Sequence[str], limit: int) -> list[Event]:
        assert limit >= len(events)
        return [event for event in events if event.kind in kinds]

    return cast(Reader, cast(Any, SimpleNamespace(events=found)))


def test_what_was_learnt_before_is_believed_again() -> None:
    rows = reader(learnt(1, "one"), learnt(2, "two"), reopened(3, "two"))
    assert [event.no for event in memories(rows)] == [1]
    last = latest(rows, "box", "home")
    assert last is not None and says(last)["input"] == 101


def test_learnt_anew_it_counts_again() -> None:
    rows = reader(learnt(1, "one"), learnt(2, "two"), reopened(3, "two"), learnt(4, "two"))
    assert [event.no for event in memories(rows)] == [1, 4]
