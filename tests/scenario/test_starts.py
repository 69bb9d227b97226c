"""A few batches whose box begins in its own way; the table of all is tests/bench/test_box_starts.py.

How they are judged: late is a call that comes after both what can be known and what the koji can stand.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.schedule.load import load_schedule
from tests.scenario.starts import COLD, HOT, Told, Watch, run_every

HOME = load_schedule(Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml")
H = 3600.0


@pytest.mark.parametrize(("kind", "seed"), [("switched_on", 2), ("soaked_after", 4), ("fan", 2)])
def test_a_box_that_was_cold_at_first_wakes_nobody(kind: str, seed: int) -> None:
    """Whether the settings say what kind of box it is or not."""
    found = run_every(kind, seed, HOME, through=kind == "switched_on", faults=("",))[""]
    assert [run.false for run in found.values()] == [[], []]


@pytest.mark.parametrize(
    ("kind", "fault", "seed"), [("switched_on", "off", 2032), ("soaked_before", "runaway", 6), ("mid_batch", "off", 6)]
)
def test_a_fault_of_such_a_box_is_told_in_time(kind: str, fault: str, seed: int) -> None:
    """With seed 6 the koji of a box switched on late stays hot to the end: nothing is due, and nothing is told."""
    for found in run_every(kind, seed, HOME, faults=(fault,))[fault].values():
        assert found.false == [] and found.late == found.harmed == "" and found.after_h is not None


def _found(fault: str, told_h: float | None, **truth_h: float) -> tuple[bool, str]:
    """Whether it was late, and why the air cannot tell, of a fault that can be known 3 h after it."""
    watch = Watch(fault, since_s=0.0, far_s=2 * H, due_s=3 * H, **{name: at_h * H for name, at_h in truth_h.items()})
    key = HOT if fault == "runaway" else "box/off"
    found = watch.found("warm", 1, "said", [] if told_h is None else [Told(told_h * H, key, False, True)])
    return bool(found.late), found.untold


@pytest.mark.parametrize(("told_h", "late"), [(2.0, False), (6.4, False), (6.6, True), (None, True)])
def test_a_box_off_is_told_an_hour_and_a_half_before_its_koji_is_cold(told_h: float | None, late: bool) -> None:
    assert _found("off", told_h, slow_s=8.0) == (late, "")


def test_a_box_off_whose_koji_was_cold_at_once_is_not_called_late_before_it_can_be_known() -> None:
    assert [_found("off", told_h, slow_s=2.0)[0] for told_h in (2.9, 3.1)] == [False, True]


@pytest.mark.parametrize(
    ("told_h", "until_h", "harmed"), [(-2, 99, False), (-2, -1, True), (1, 2, False), (5, 99, True)]
)
def test_cold_that_was_told_and_still_stands_is_told(told_h: float, until_h: float, harmed: bool) -> None:
    watch = Watch("off", since_s=0.0, harm_s={26.0: 4 * H})
    told = Told(told_h * H, COLD, False, False, until_h * H)
    assert bool(watch.found("warm", 1, "said", [told]).harmed) is harmed


def test_koji_that_keeps_itself_warm_tells_of_no_box_that_is_off() -> None:
    assert _found("off", None) == (False, "warm")


@pytest.mark.parametrize(
    ("told_h", "spoilt_h", "late"),
    [(3.4, 4.0, False), (3.6, 4.0, True), (2.6, 2.5, True), (5.9, 99.0, False), (6.1, 99.0, True), (None, 99.0, True)],
)
def test_a_stuck_heater_is_told_before_the_koji_spoils(told_h: float | None, spoilt_h: float, late: bool) -> None:
    assert _found("runaway", told_h, spoilt_s=spoilt_h) == (late, "")
