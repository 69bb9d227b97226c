"""Kind of box x cover x case: what was said and when, and what of it was wrong, missed or not to be known.

Seeds from 3054: nobody has looked at any of them. What counts as wrong: `tests/scenario/kitchens.py`.
"""

from __future__ import annotations

from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from statistics import median

import pytest

from kojimon.schedule.load import load_schedule
from tests.bench.figures import record, some
from tests.scenario.kitchens import CELLS, Found, run_one

SEEDS = some(3054, 4)
HOME = Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml"
HEAD = (
    "  kind       cover              case            n  woke wrong advice miss unk  warm  told  said: of n, hour"
)
SHORT = {"limit/bed/temperature/": "koji ", "limit/air/temperature/": "air ", "expect/self-warming": "not warmed"}


def one(cell: tuple[str, str, str], seed: int) -> Found:
    return run_one(cell[0], cell[1], cell[2], seed, load_schedule(HOME))  # type: ignore[arg-type]


def said(runs: list[Found]) -> str:
    """First telling of each thing, in how many of the runs, at the median hour."""
    hours = defaultdict(list)
    for run in runs:
        firsts: dict[str, float] = {}
        for text in run.said:
            key, hour = text.rsplit(" ", 1)
            for long, short in SHORT.items():
                key = key.replace(long, short)
            firsts.setdefault(key, float(hour))
        for key, at_h in firsts.items():
            hours[key].append(at_h)
    order = sorted(hours, key=lambda key: median(hours[key]))
    return ", ".join(f"{key} {len(hours[key])} {median(hours[key]):.0f}" for key in order)


def line(runs: list[Found]) -> str:
    """A cell's row."""
    first = runs[0]
    counts = [sum(map(bool, got)) for got in zip(*[(r.wakings, r.wrong, r.advice, r.missed, r.unknown) for r in runs],
                                                  strict=True)]  # fmt: skip
    warm, told = (_hour([getattr(run, name) for run in runs]) for name in ("warmed_h", "told_warm_h"))
    woke, wrong, advice, miss, unknown = counts
    return (
        f"  {first.kind:10s} {first.cover:18s} {first.case:14s} {len(runs):2d} {woke:5d} {wrong:5d} {advice:6d}"
        f" {miss:4d} {unknown:3d} {warm:>5s} {told:>5s}  {said(runs)}"
    )


def _hour(hours: list[float | None]) -> str:
    known = [hour for hour in hours if hour is not None]
    return f"{median(known):.1f}" if known else "-"


@pytest.mark.bench
@pytest.mark.timeout(14400)
def test_kitchens(capsys: pytest.CaptureFixture[str]) -> None:
    lines, runs = [HEAD], list[Found]()
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for cell in CELLS:
            found = list(pool.map(partial(one, cell), SEEDS))
            lines.append(line(found))
            runs += found
    details = sorted({f"  {run.kind}, {run.cover}, {run.case}, {run.seed}: {text}" for run in runs
                      for text in (*run.wakings, *run.advice, *run.missed)})  # fmt: skip
    woken = [text for run in runs if run.case in ("healthy", "unmarked") for text in run.wakings]
    advice, missed, unknown = (sum(map(bool, (getattr(run, name) for run in runs))) for name in
                               ("advice", "missed", "unknown"))  # fmt: skip
    wrong = sum(len(run.wrong) for run in runs)
    with capsys.disabled():
        print("", *lines, "", "  Woke without cause, said what was not so, or missed:", *details, sep="\n")
        batches = f"{len(CELLS)} cells, {len(SEEDS)} batches each"
        record("kitchens: wakings without cause of healthy batches", f"{len(woken)}, {batches}")
        record("kitchens: wrong advice", f"{advice}, {batches}")
        record("kitchens: messages without cause", f"{wrong}, {batches}")
        record("kitchens: batches in which something was missed", f"{missed}, {batches}")
        record("kitchens: batches in which something cannot be known", f"{unknown}, {batches}")
    assert woken == []
    assert advice == 0
