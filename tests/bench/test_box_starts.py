"""Boxes that begin in every way: who is woken without a fault, and how soon for a box off, a stuck heater, a cold room.

Seeds from 2270: none has been run.
Every fifth batch runs through the probes' pipeline as well. `late`: not told in time; `cannot`: due, but it was said
that the air cannot tell, or the koji stayed warm by itself (each reason with its number); `harmed`: the cold came to
the koji first, whatever the air can tell. How these are judged: `tests/scenario/starts.py`.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from statistics import median

import pytest

from kojimon.schedule.load import load_schedule
from tests.bench.figures import record, some
from tests.scenario.starts import HEARD, KINDS, Found, run_every

SEEDS = some(2270, 10)
HOME = Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml"


def one(kind: str, seed: int) -> dict[str, dict[str, Found]]:
    return run_every(kind, seed, load_schedule(HOME), through=seed % 5 == 0)


def _counts(runs: list[Found]) -> dict[str, int]:
    flags = [
        {"false": bool(run.false), "due": run.due, "late": bool(run.late), "cannot": bool(run.untold),
         "harmed": bool(run.harmed)} for run in runs
    ]  # fmt: skip
    return {name: sum(one[name] for one in flags) for name in flags[0]}


def _line(kind: str, fault: str, heard: str, runs: list[Found]) -> str:
    after = sorted(run.after_h for run in runs if run.after_h is not None)
    when = f"{median(after):5.1f} h {after[-1]:5.1f} h" if after else ""
    counts = " ".join(f"{count:6d}" for count in _counts(runs).values())
    why = " ".join(f"{reason} {count}" for reason, count in Counter(run.untold for run in runs if run.untold).items())
    return f"  {fault or 'healthy':8s} {kind:14s} {heard:6s} {len(runs):3d} {counts} {len(after):5d} {when}  {why}"


@pytest.mark.bench
@pytest.mark.timeout(14400)
def test_boxes_that_begin_in_every_way(capsys: pytest.CaptureFixture[str]) -> None:
    lines = ["  fault    kind           box      n  false    due   late cannot harmed  told median longest"]
    runs: list[Found] = []
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for kind in KINDS:
            found = list(pool.map(partial(one, kind), SEEDS))
            for fault in found[0]:
                lines += [_line(kind, fault, heard, [run[fault][heard] for run in found]) for heard in HEARD]
                runs += [run for batch in found for run in batch[fault].values()]
    with capsys.disabled():
        print("", *lines, sep="\n")
        counts = ", ".join(f"{name} {count}" for name, count in _counts(runs).items())
        record("boxes that begin in every way: wrong", f"{counts}; {len(SEEDS)} of a kind, judged twice")
    assert [run for run in runs if run.false or run.late or run.harmed] == []
