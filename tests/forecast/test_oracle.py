"""What the readings can say of the end at most, and that it is said of the world it is said of."""

from __future__ import annotations

from functools import cache
from statistics import median

import pytest

from tests.forecast import bedtruth
from tests.forecast.oracle import Oracle, errors
from tests.forecast.seer import Seer
from tests.forecast.skill import done_h


@cache
def ends() -> list[bedtruth.Batch]:
    """Batches nobody touches that grow to the end while they are recorded."""
    return [batch for batch in bedtruth.textbook(range(1000, 1008), 0) if done_h(batch) is not None]


def test_the_oracle_lives_the_batch_it_is_of() -> None:
    for batch in ends():
        oracle = Oracle(batch)
        shown, done = oracle.live(oracle.true, 52.0, 52.0)
        read = batch.bed_c[::15][: len(shown)]
        assert float(abs(shown[:, 0] - read).max()) < 0.5  # five times the noise of its probe
        assert done[0] == pytest.approx(done_h(batch), abs=0.15)


@pytest.mark.slow(7)
def test_the_end_can_be_told_by_one_who_knows_the_batch_and_less_well_by_one_who_knows_its_kind() -> None:
    found = errors(ends()[:2])
    known, ranges = (median(map(abs, found[name])) for name in ("parameters known", "ranges known"))
    print(f"\nend of growth, 12 h before: off by {known:.2f} h knowing the batch, {ranges:.2f} h knowing its kind")
    assert len(found["ranges known"]) == 2
    assert known < 0.15
    assert known < ranges < 3.0


@pytest.mark.slow(4)
def test_who_has_seen_the_family_tells_the_end_better_than_its_usual_hour() -> None:
    every = [batch for batch in bedtruth.textbook(range(1000, 1090), 0) if done_h(batch) is not None]
    seer, told = Seer(every[12:]), []
    for batch in every[:12]:
        end_h = done_h(batch)
        assert end_h is not None
        told.append([abs(hour - end_h) for hour in seer.end_h(batch, end_h - 12.0)])
    seen, usual = (median(one) for one in zip(*told, strict=True))
    print(f"\nend of growth, 12 h before: off by {seen:.2f} h having seen its kind, {usual:.2f} h by its usual hour")
    assert seen < 0.8 * usual
