"""Faults laid over simulated batches, and sound batches with everything a person does in them.

A few seeds here; `tests/bench/test_probes_quality.py` does two hundred and prints the table.
"""

import pytest

from kojisim.scenarios import SCENARIOS
from kojisim.world import World
from tests.parts.size import size
from tests.probes.faulty import MISPLACED, batch, clean_flags, fault_runs, misplaced_run, probes_of, run


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 8][: size(1, 2)])
def test_every_kind_of_fault_is_seen_and_sound_readings_are_not_flagged(seed: int) -> None:
    one = batch(seed)
    assert {kind: found.caught for kind, found in fault_runs(one).items() if not found.caught} == {}
    hours, flagged = clean_flags(one)
    assert hours > 200
    assert flagged == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", ["runaway_heat", "box_off", "cold_room", "never_warms", "lid_openings", "hot_tray"])
def test_what_truly_happens_in_a_box_is_not_a_fault_of_its_probes(name: str) -> None:
    """An excursion whose readings were thrown away as faults would wake nobody."""
    world = World(SCENARIOS[name](5), 5)
    world.advance(46 * 3600.0)
    samples = world.read()
    tallies = run(samples, probes_of(samples))
    assert sum(tally.hours for tally in tallies.values()) > 150
    assert {name: tally.flagged for name, tally in tallies.items() if tally.flagged} == {}


@pytest.mark.slow
@pytest.mark.parametrize("place", MISPLACED)
def test_a_probe_in_the_wrong_place_is_seen_and_the_others_are_believed(place: str) -> None:
    made = misplaced_run(*MISPLACED[place], 6)
    assert made.found.caught
    assert (made.others, made.before) == (0, 0)
