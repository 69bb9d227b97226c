"""The system log: what is repeated without end is held back, and the number of held lines is told."""

import io
import logging
from collections.abc import Iterator

import pytest

from kojimon import logs
from kojimon.logs import BURST, PERIOD_S


class Now:
    """Real time as a number."""

    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def log() -> Iterator[tuple[io.StringIO, Now]]:
    root = logging.getLogger("kojimon")
    before = (list(root.handlers), root.level, root.propagate)
    out, now = io.StringIO(), Now()
    logs.configure(now, stream=out)
    yield out, now
    root.handlers[:], root.propagate = before[0], before[2]
    root.setLevel(before[1])


def storm(count: int) -> None:
    for number in range(count):
        logs.get("part").warning("line %d", number)


def test_repeats_are_held_back_and_counted(log: tuple[io.StringIO, Now]) -> None:
    out, now = log
    storm(1000)
    logs.get("part").warning("something else")
    assert out.getvalue().splitlines() == [
        *(f"WARNING kojimon.part: line {number}" for number in range(BURST)),
        "WARNING kojimon.part: something else",
    ]
    now.s += PERIOD_S
    storm(1)
    assert out.getvalue().splitlines()[-1] == f"WARNING kojimon.part: line 0 ({1000 - BURST} more like it left out)"


def test_a_slow_drip_passes(log: tuple[io.StringIO, Now]) -> None:
    out, now = log
    for _ in range(20):
        storm(1)
        now.s += PERIOD_S / BURST
    assert len(out.getvalue().splitlines()) == 20


def test_configuring_twice_does_not_double_lines(log: tuple[io.StringIO, Now]) -> None:
    out, now = log
    logs.configure(now, stream=out)
    storm(1)
    assert len(out.getvalue().splitlines()) == 1
