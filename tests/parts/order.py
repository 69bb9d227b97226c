"""The longest tests begin first: one that begins last keeps every other processor waiting for it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest


def longest_first(items: Sequence[pytest.Item], workers: int) -> list[pytest.Item]:
    """The same tests, with those marked `slow(SECONDS)` at the head of what each worker is given to begin with.

    xdist deals the list out in equal parts and later takes from the tails. The long ones of a file stay together, for
    the sake of what they share, and all in the order they came in.

    Args:
        items: in the order of this run.
        workers: how many processes share them, at least 1.
    """
    files: dict[str, list[pytest.Item]] = {}
    for item in items:
        if seconds(item):
            files.setdefault(item.nodeid.partition("::")[0], []).append(item)
    heads: list[list[pytest.Item]] = [[] for _ in range(workers)]
    filled = [0.0] * workers
    for tests in sorted(files.values(), key=lambda tests: -sum(map(seconds, tests))):
        least = filled.index(min(filled))
        heads[least] += tests
        filled[least] += sum(map(seconds, tests))
    rest = [item for item in items if not seconds(item)]
    dealt: list[pytest.Item] = []
    for at, head in enumerate(heads):
        part = (len(items) - len(dealt)) // (workers - at)  # as WorkStealingScheduling.check_schedule does
        more = max(0, part - len(head))
        dealt += head + rest[:more]
        rest = rest[more:]
    return dealt + rest


def seconds(item: pytest.Item) -> float:
    """How long a test is known to take; 0 where nobody has said so."""
    mark = item.get_closest_marker("slow")
    return float(mark.args[0]) if mark is not None and mark.args else 0.0
