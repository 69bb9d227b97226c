"""A few cells of the table of kitchens in the ordinary run; all of it is tests/bench/test_kitchens.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.schedule.load import load_schedule
from kojisim.probes import Sample
from tests.scenario.kitchens import USUAL, run_one, scenario_of
from tests.scenario.night import Night

HOME = load_schedule(Path(__file__).resolve().parents[2] / "config/schedules/rice-koji-home-trays.yaml")


@pytest.mark.parametrize("kind", USUAL)
@pytest.mark.parametrize("case", ["healthy", "unmarked", "by-hand", "nothing"])
def test_a_healthy_batch_of_any_kitchen_wakes_nobody_without_cause(kind: str, case: str) -> None:
    assert run_one(kind, USUAL[kind], case, 3100, HOME).wakings == ()


@pytest.mark.parametrize("kind", USUAL)
def test_a_dead_starter_is_told_or_cannot_be_known(kind: str) -> None:
    """By hour 28. On a mat it cannot be known: its thermostat takes back what living koji gives."""
    found = run_one(kind, USUAL[kind], "dead", 3101, HOME)
    hours = [float(text.split()[1]) for text in found.said if text.startswith("expect/self-warming")]
    if kind == "heat-mat":
        assert hours == [] and "warmed itself (heater)" in found.unknown
    else:
        assert hours and hours[0] <= 28.0
    assert found.advice == ()


@pytest.mark.parametrize("kind", ["still", "fan"])
def test_a_box_that_goes_off_is_told_where_it_has_air_of_its_own(kind: str) -> None:
    found = run_one(kind, USUAL[kind], "box-off", 3102, HOME)
    assert any(text.startswith(("box/off", "limit/bed/temperature/low")) for text in found.said)
    assert not any(text.startswith("box off") for text in found.missed)


def test_over_a_mat_it_says_that_its_air_cannot_tell_a_box_that_is_off() -> None:
    assert run_one("heat-mat", "plastic", "box-off", 3103, HOME).unknown[:1] == ("box off (mat)",)


def test_air_of_85_percent_is_no_lost_probe() -> None:
    """85 is what a thermometer shows that was not asked; of humidity it is a value like any other."""
    night = Night(scenario_of("still", "cloth", "healthy", 3100), 3100, HOME, through=False)
    judged = night._judged(Sample("air-humidity", "air", "humidity", 60.0, 85.0, "%"), 60_000)
    assert [quality for _, _, quality in judged] == [0]
