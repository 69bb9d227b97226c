"""The queue into the core: bounds, who loses when it is full, who waits, and that order is kept."""

import threading
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.contract.inputs import Health
from kojimon.core.intake import OVERHEAD_BYTES, Intake
from kojimon.model import Arrival
from tests.parts.wait import until


def arrival(number: int, source: str = "a", receipt: int = 0, payload: bytes = b"1", boot_ms: int = -1) -> Arrival:
    return Arrival(source, number if boot_ms < 0 else boot_ms, str(number), payload, receipt=receipt)


def intake(**limits: Any) -> Intake[str]:
    return Intake(**limits)


def test_hands_over_in_order_of_arrival_over_all_sources() -> None:
    box = intake()
    for number in range(9):
        box.put(arrival(number, source="abc"[number % 3]))
    taken = box.drain()
    assert [item.boot_ms for item in taken.arrivals] == list(range(9))
    assert not taken.more


def test_takes_the_oldest_first_when_there_is_a_limit() -> None:
    box = intake()
    for number in range(10):
        box.put(arrival(number, source="ab"[number % 2]))
    first = box.drain(4)
    assert [item.boot_ms for item in first.arrivals] == [0, 1, 2, 3]
    assert first.more
    assert [item.boot_ms for item in box.drain(40).arrivals] == [4, 5, 6, 7, 8, 9]


def test_when_full_the_oldest_of_the_source_that_puts_goes() -> None:
    box = intake(max_items=5)
    assert all(box.put(arrival(number, source="calm")) for number in range(2))
    answers = [box.put(arrival(number, source="flood")) for number in range(10, 17)]
    assert answers == [True] * 3 + [False] * 4
    taken = box.drain()
    assert [item.boot_ms for item in taken.arrivals] == [0, 1, 14, 15, 16]
    assert [(gap.source, gap.dropped, gap.since_boot_ms) for gap in taken.gaps] == [("flood", 4, 10)]
    assert box.drain().gaps == []
    assert box.facts()["dropped"] == 4


def test_the_limit_counts_bytes_too() -> None:
    box = intake(max_bytes=4 * (OVERHEAD_BYTES + 1001))
    for number in range(10, 16):
        box.put(arrival(number % 10, payload=b"x" * 1000))
    taken = box.drain()
    assert len(taken.arrivals) == 4
    assert taken.gaps[0].dropped == 2
    assert box.facts()["bytes"] == 0


def test_what_carries_a_receipt_is_never_dropped() -> None:
    box = intake(max_items=4)
    for number in range(4):
        assert box.put_wait(arrival(number, receipt=number + 1))
    assert not box.put(arrival(9))
    assert [item.receipt for item in box.drain().arrivals] == [1, 2, 3, 4]


def test_put_wait_waits_until_there_is_room() -> None:
    box = intake(max_items=2)
    box.put_wait(arrival(1, receipt=1))
    box.put_wait(arrival(2, receipt=2))
    answers: list[bool] = []
    waiter = threading.Thread(target=lambda: answers.append(box.put_wait(arrival(3, receipt=3))))
    waiter.start()
    until(lambda: box._waiting == 1)
    assert answers == []
    assert [item.receipt for item in box.drain().arrivals] == [1, 2]
    waiter.join(60)
    assert answers == [True]
    assert [item.receipt for item in box.drain().arrivals] == [3]


def test_put_wait_gives_up_after_its_time_and_at_the_close() -> None:
    box = intake(max_items=1)
    box.put_wait(arrival(1, receipt=1))
    assert not box.put_wait(arrival(2, receipt=2), timeout_s=0.01)
    answers: list[bool] = []
    waiter = threading.Thread(target=lambda: answers.append(box.put_wait(arrival(3, receipt=3))))
    waiter.start()
    until(lambda: box._waiting == 1)
    box.close()
    waiter.join(60)
    assert answers == [False]
    assert not box.submit("act")


def test_requests_are_bounded_and_notes_of_one_key_replace_each_other() -> None:
    box = intake(max_acts=2)
    assert [box.submit(name) for name in "abc"] == [True, True, False]
    for ok in (False, True, False):
        box.note("disk", Health(ok=ok))
    taken = box.drain()
    assert taken.requests == ["a", "b"]
    assert taken.notes == [Health(ok=False)]


def test_notes_are_bounded() -> None:
    box = intake()
    answers = [box.note(str(number), Health()) for number in range(300)]
    assert sum(answers) == 200
    assert len(box.drain().notes) == 200


def test_wakes_the_reader_for_arrivals_unless_a_driver_decides() -> None:
    box, driven = intake(), Intake[str](signal_arrivals=False)
    box.put(arrival(1))
    driven.put(arrival(1))
    assert box.wait(0)
    assert not driven.wait(0)
    driven.submit("act")
    assert driven.wait(0)
    box.drain()
    assert not box.wait(0)


def test_waits_for_counts_of_arrivals() -> None:
    box = intake()
    box.put(arrival(1, source="a"))
    assert box.wait_arrived({"a": 1}, 0) == {}
    assert box.wait_arrived({"a": 3, "b": 1}, 0.01) == {"a": 2, "b": 1}
    late = threading.Thread(target=lambda: [box.put(arrival(n, source="a")) for n in range(2)])
    late.start()
    assert box.wait_arrived({"a": 3}, 5) == {}
    late.join(60)


@pytest.mark.parametrize("writers", [1, 4])
def test_nothing_is_lost_or_doubled_between_threads(writers: int) -> None:
    box = intake()
    each = 2000

    def write(source: str) -> None:
        for number in range(each):
            box.put(arrival(number, source=source))

    threads = [threading.Thread(target=write, args=(str(index),)) for index in range(writers)]
    for thread in threads:
        thread.start()
    seen: list[Arrival] = []

    def all_seen() -> bool:
        seen.extend(box.drain(500).arrivals)
        return len(seen) == writers * each

    until(all_seen)
    for source in map(str, range(writers)):
        assert [int(item.topic) for item in seen if item.source == source] == list(range(each))


@given(st.lists(st.tuples(st.sampled_from("ab"), st.booleans(), st.integers(0, 300)), max_size=60), st.integers(1, 8))
def test_bounds_and_counts_always_hold(items: list[tuple[str, bool, int]], limit: int) -> None:
    box = intake(max_items=limit, max_bytes=2000)
    put = dropped = 0
    for number, (source, receipt, size) in enumerate(items, 1):
        if receipt:
            put += box.put_wait(arrival(number, source, number, b"x" * size), timeout_s=0)
        else:
            box.put(arrival(number, source, 0, b"x" * size))
            put += 1
        facts = box.facts()
        assert facts["waiting"] <= limit + 1
        dropped = facts["dropped"]
    taken = box.drain()
    assert len(taken.arrivals) == put - dropped
    assert sum(gap.dropped for gap in taken.gaps) == dropped
    assert box.facts() == {"waiting": 0, "bytes": 0, "dropped": dropped}
