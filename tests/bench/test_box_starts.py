"""Boxes that begin in every way: who is woken without a fault, and how soon for a box off, a stuck heater, a cold room.

`KOJIMON_BENCH_SEEDS` sets the number of batches of each kind. Seeds from 2120: none has been run.
Every fifth batch runs through the probes' pipeline as well. What counts as told in time: `tests/scenario/starts.py`.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from statistics import median

import pytest

from kojimon.schedule.load import load_schedule
from tests.bench.figures import record
from tests.scenario.starts import FAULTS, KINDS, WITHOUT_THERMOSTAT, Found, run_one

SEEDS = range(2120, 2120 + int(os.environ.get("KOJIMON_BENCH_SEEDS", "50")))
HOME = Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml"


def one(kind: str, fault: str, seed: int) -> Found:
    return run_one(kind, seed, fault, load_schedule(HOME), through=seed % 5 == 0)


def _line(kind: str, fault: str, runs: list[Found]) -> str:
    after = sorted(run.after_h for run in runs if run.after_h is not None)
    when = f"{median(after):5.1f} h {after[-1]:5.1f} h" if after else ""
    false, due, late = (sum(map(bool, got)) for got in zip(*[(r.false, r.due, r.late) for r in runs], strict=True))
    return f"  {fault or 'healthy':8s} {kind:14s} {len(runs):3d} {false:6d} {due:4d} {late:5d} {len(after):5d} {when}"


@pytest.mark.bench
@pytest.mark.timeout(14400)
def test_boxes_that_begin_in_every_way(capsys: pytest.CaptureFixture[str]) -> None:
    lines, wrong = ["  fault    kind             n  false  due  late  told  median longest"], []
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for fault in ("", *FAULTS):
            for kind in KINDS:
                if fault == "runaway" and kind in WITHOUT_THERMOSTAT:
                    continue
                runs = list(pool.map(partial(one, kind, fault), SEEDS, chunksize=5))
                lines.append(_line(kind, fault, runs))
                wrong += [(fault, run) for run in runs if run.false or run.late]
    with capsys.disabled():
        print("", *lines, sep="\n")
        record("boxes that begin in every way, 50 of a kind: wrong", f"{len(wrong)}, {len(SEEDS)} of a kind")
    assert wrong == []
