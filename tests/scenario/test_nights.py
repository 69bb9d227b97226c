"""Seeded nights: every real excursion wakes in time, and hardly anything wakes without a cause."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import pytest

from kojimon.schedule.load import load_schedule
from tests.scenario.truth import Verdict, judged

ROOT = Path(__file__).resolve().parents[2]
HOME = ROOT / "config/schedules/rice-koji-home-trays.yaml"
WITHOUT_CAUSE_MOST = 1 / 100
"""Wakings without cause a night, at most."""


def one(seed: int) -> Verdict:
    return judged(seed, load_schedule(HOME))


def verdicts(seeds: Sequence[int]) -> list[Verdict]:
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        return list(pool.map(partial(one), seeds, chunksize=5))


def figures(found: Sequence[Verdict]) -> str:
    keys = Counter(text.split(" at ")[0] for verdict in found for text in verdict.wakings)
    listed = ", ".join(f"{key} {count}" for key, count in sorted(keys.items()))
    return (
        f"{len(found)} nights: {sum(verdict.excursions for verdict in found)} real excursions, "
        f"{sum(len(verdict.missed) for verdict in found)} missed; "
        f"{sum(len(verdict.wakings) for verdict in found)} wakings ({listed}), "
        f"{sum(len(verdict.without_cause) for verdict in found)} without cause"
    )


def hold(found: Sequence[Verdict]) -> None:
    print(figures(found))
    assert {verdict.seed: verdict.missed for verdict in found if verdict.missed} == {}
    idle = {verdict.seed: verdict.without_cause for verdict in found if verdict.without_cause}
    assert sum(map(len, idle.values())) <= WITHOUT_CAUSE_MOST * len(found), idle
    assert sum(verdict.excursions for verdict in found) >= len(found) / 10, "too few excursions to prove anything"


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_a_hundred_nights() -> None:
    """Requirement: every real excursion wakes within on-delay + 2 samples; wakings without cause <= 1 in 100 nights."""
    hold(verdicts(range(100)))


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_a_thousand_nights() -> None:
    """The same over 1,000 seeds."""
    hold(verdicts(range(1000)))
