"""Which mixing the forecast aims at: the next one that the schedule asks for by the koji's warmth."""

from __future__ import annotations

import pytest

from kojimon.daemon.forecast_batch import mix_of, setup_of
from kojimon.forecast.answers import MixAim
from kojimon.schedule.load import SHIPPED, load_schedule
from kojimon.schedule.spec import Schedule


def plan(name: str) -> Schedule:
    return load_schedule(SHIPPED / f"{name}.yaml")


def test_sake_koji_is_mixed_as_the_brewers_glossary_has_it() -> None:
    """Middle work with the koji at 34-36 °C, final work at 37-40 °C (glossary of the Nada sake brewers)."""
    sake = plan("rice-koji-sake")
    assert mix_of(sake, {"inoculate", "break-up", "mori"}) == MixAim(34.0, 36.0)
    assert mix_of(sake, {"inoculate", "break-up", "mori", "naka"}) == MixAim(37.0, 40.0)


def test_a_mixing_that_repeats_is_the_next_one_again_and_again() -> None:
    trays = plan("rice-koji-home-trays")
    assert mix_of(trays, {"inoculate"}) == MixAim(34.0, 36.0)
    assert mix_of(trays, {"inoculate", "first-check"}) == mix_of(trays, {"inoculate", "first-check", "mix"})


@pytest.mark.parametrize("name", ["rice-koji-home-trays", "rice-koji-sake", "rice-koji-miso", "barley-koji",
                                  "soy-sauce-koji"])  # fmt: skip
def test_what_is_aimed_at_is_a_range_within_reason(name: str) -> None:
    """Between 28 °C and 42 °C: a miso maker's koji is stirred at 42-48 °C at the latest (a process page)."""
    schedule = plan(name)
    steps = [step.name for step in schedule.steps]
    aims = [mix_of(schedule, set(steps[:count])) for count in range(len(steps) + 1)] + [setup_of(schedule).mix]
    assert all(28.0 <= aim.from_c < aim.ceiling_c <= 44.0 for aim in aims if aim is not None)
