"""A few batches whose box begins in its own way; the table of all is tests/bench/test_box_starts.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.schedule.load import load_schedule
from tests.scenario.starts import run_one

HOME = load_schedule(Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml")


@pytest.mark.parametrize(("kind", "seed"), [("switched_on", 2), ("soaked_after", 4), ("fan", 2)])
def test_a_box_that_was_cold_at_first_wakes_nobody(kind: str, seed: int) -> None:
    """Whether the settings say what kind of box it is or not."""
    found = run_one(kind, seed, "", HOME, through=kind == "switched_on")
    assert [run.false for run in found.values()] == [[], []]


@pytest.mark.parametrize(
    ("kind", "fault", "seed"), [("switched_on", "off", 2032), ("soaked_before", "runaway", 6), ("mid_batch", "off", 6)]
)
def test_a_fault_of_such_a_box_is_told_in_time(kind: str, fault: str, seed: int) -> None:
    """With seed 6 the koji of a box switched on late stays hot to the end: nothing is due, and nothing is told."""
    for found in run_one(kind, seed, fault, HOME).values():
        assert found.false == [] and found.late == found.harmed == "" and found.after_h is not None
