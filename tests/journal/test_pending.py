"""When a commit is due, and what stays in memory when the disk does not answer. All times are handed in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.journal.records import Chunk, StoredReading, Unacked
from kojimon.journal.writing import pending as policy
from kojimon.journal.writing.pending import Pending, minute_keepers, thin_chunks
from kojimon.model import Message, Priority
from tests.parts.inputs import event_row, input_row

EVENT = event_row(1, 0, "stage", "box", "b", "", {})


def readings(count: int, seq: int = 1, t_ms: int = 0, every_ms: int = 10_000, probe: int = 1) -> list[StoredReading]:
    return [(seq + n, t_ms + n * every_ms, probe, 30.0, None, 0) for n in range(count)]


def due(pending: Pending, now_s: float) -> bool:
    due_s = pending.due_s()
    return due_s is not None and due_s <= now_s


def test_a_lone_first_reading_goes_at_once_the_next_waits_for_its_minute() -> None:
    pending = Pending(60.0)
    assert not due(pending, 1e6)
    pending.add(Chunk(readings=readings(1)), 1000.0)
    assert due(pending, 1000.0)
    pending.take()
    pending.committed(1000.0)
    pending.add(Chunk(readings=readings(1, 2)), 1010.0)
    assert not due(pending, 1059.9)
    assert due(pending, 1060.0)


@pytest.mark.parametrize("chunk", [Chunk(urgent=True), Chunk(events=[EVENT])])
def test_urgent_or_any_event_goes_at_once(chunk: Chunk) -> None:
    pending = Pending(60.0, last_commit_s=1000.0)
    pending.add(Chunk(readings=readings(3)), 1001.0)
    assert not due(pending, 1001.0)
    pending.add(chunk, 1002.0)
    assert due(pending, 1002.0)


def test_twenty_outstanding_receipts_go_at_once() -> None:
    pending = Pending(60.0, last_commit_s=1000.0)
    for number in range(19):
        pending.add(Chunk(readings=readings(1, number + 1), receipts=[("broker", number)]), 1001.0)
    assert not due(pending, 1001.0)
    pending.add(Chunk(readings=readings(1, 20), receipts=[("broker", 19)]), 1001.0)
    assert due(pending, 1001.0)


@given(st.lists(st.integers(1, 3600), min_size=1, max_size=60), st.integers(1, 120))
def test_no_reading_waits_longer_than_it_may(waits_s: list[int], commit_every_s: int) -> None:
    pending, now_s, oldest_s = Pending(float(commit_every_s)), 0.0, None
    for seq, wait_s in enumerate(waits_s, 1):
        end_s = now_s + wait_s
        due_s = pending.due_s()
        if due_s is not None and due_s <= end_s:
            assert oldest_s is not None and max(due_s, oldest_s) - oldest_s <= commit_every_s
            pending.take()
            pending.committed(max(due_s, oldest_s))
            oldest_s = None
        now_s = end_s
        pending.add(Chunk(readings=readings(1, seq)), now_s)
        oldest_s = now_s if oldest_s is None else oldest_s


def test_what_a_failed_commit_returns_stands_in_front_and_keeps_its_age() -> None:
    pending = Pending(60.0)
    pending.add(Chunk(readings=readings(2)), 100.0)
    taken = pending.take()
    pending.add(Chunk(readings=readings(2, 3)), 200.0)
    pending.put_back(taken, 100.0)
    assert [row[0] for chunk in pending.chunks for row in chunk.readings] == [1, 2, 3, 4]
    assert (pending.rows, pending.since_s) == (4, 100.0)


def test_after_ten_minutes_memory_keeps_minutes_and_all_else() -> None:
    pending = Pending(60.0)
    act = input_row(1, 0, "act", {})
    pending.add(Chunk(inputs=[act], events=[EVENT], messages=[Message("m", 1, Priority.WAKE)], snapshot=b"s"), 0.0)
    for minute in range(9):
        pending.add(Chunk(readings=readings(6, 2 + 6 * minute, 60_000 * minute)), 60.0 * minute)
    assert pending.dropped == 0
    pending.add(Chunk(readings=readings(6, 56, 540_000)), 601.0)
    rows = [row for chunk in pending.chunks for row in chunk.readings]
    assert [row[1] // 60_000 for row in rows] == list(range(10)), "one reading a minute"
    assert pending.dropped == 50 and pending.span is not None
    assert pending.span[:3] == (2, 60, "memory")
    assert pending.chunks[0].events == [EVENT] and pending.chunks[0].inputs == [act]
    assert pending.chunks[0].snapshot == b"s" and len(pending.chunks[0].messages) == 1


def test_a_flood_is_held_by_rows() -> None:
    pending = Pending(60.0)
    for start in range(0, 200_000, 1000):
        pending.add(Chunk(readings=readings(1000, start + 1, start, every_ms=1)), 1.0)
        assert pending.rows <= policy.ROWS_BOUND + 1000
    assert pending.dropped + pending.rows == 200_000


def test_chunks_that_wait_for_an_acknowledgement_are_left_whole() -> None:
    held = Chunk(readings=readings(6), receipts=[("broker", 1)])
    loose = Chunk(readings=readings(6, 7))
    chunks, span = thin_chunks([held, loose])
    assert chunks[0] == held
    assert len(chunks[1].readings) == 1 and span is not None and span.dropped == 5


def test_the_minute_keeps_a_good_reading_before_a_bad_one() -> None:
    rows: list[StoredReading] = [(1, 0, 1, 30.0, None, 0), (2, 9, 1, 85.0, None, 4), (3, 70_000, 1, None, None, 3)]
    assert minute_keepers(rows) == {1, 3}, "the last good one, else the last"


def test_days_without_a_disk_stay_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(policy, "MINUTES_BOUND", 1000)
    monkeypatch.setattr(policy, "EVENTS_BOUND", 100)
    pending, seq = Pending(60.0), 1
    for hour in range(24 * 10):
        rows = [row for probe in range(4) for row in readings(60, seq + 60 * probe, hour * 3_600_000, 60_000, probe)]
        event = event_row(hour + 1, hour * 3_600_000, "stage", "", "", "", {})
        pending.add(Chunk(readings=rows, events=[event]), 3600.0 * hour)
        seq += 240
    kept = [row for chunk in pending.chunks for row in chunk.readings]
    events = [event.no for chunk in pending.chunks for event in chunk.events]
    assert len(kept) <= 1000 + 240 and kept[-1][0] == seq - 1
    assert len(events) <= 101 and events[-1] == 240, "the newest are kept"
    assert len(kept) + pending.dropped == seq - 1


def test_thinned_readings_come_together_in_few_chunks() -> None:
    chunks, _ = thin_chunks([Chunk(readings=readings(1, n, n * 1000), horizon_ms=n * 1000) for n in range(1, 1000)])
    assert len(chunks) == 1 and chunks[0].horizon_ms == 999_000


def test_acknowledged_from_memory_the_bound_counts_for_them_too() -> None:
    """A night at a dead card with four probes at QoS 1: whole for ten minutes, then a reading a minute and probe."""
    pending, freed = Pending(60.0), []
    for second in range(8 * 3600):
        rows = [(4 * second + probe, second * 1000, probe, 30.0, None, 0) for probe in range(4)]
        marks = [Unacked("house", second % 100 + 1, b"x" * 8)]
        pending.add(Chunk(readings=rows, receipts=[("house", second)], unacked=marks), float(second))
        freed += pending.free_receipts()
    assert [receipt for _, receipt in freed] == list(range(8 * 3600)), "each once, in their order"
    assert pending.receipts == 0 and pending.rows < 4 * (8 * 60 + 12 * 60)
    assert pending.rows + pending.dropped == 4 * 8 * 3600
    assert len(pending.chunks) < 1300
    taken = pending.take()
    assert len(taken[-1].unacked) == policy.UNACKED_BOUND, "one that is redelivered is known"
    pending.put_back(taken, 0.0)
    assert len(pending.take()[-1].unacked) == policy.UNACKED_BOUND
