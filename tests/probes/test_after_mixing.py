"""A probe that does not come back into the koji at a mixing, in simulated batches: seen sooner while asked about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from random import Random

import pytest

from kojimon.engine.probe_back import WATCH_MS
from kojimon.model import Arrival, Quality
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import SimulatedSource
from kojisim.probes import Sample
from kojisim.scenarios import SCENARIOS
from kojisim.world import Happening, World
from tests.probes.faulty import HOUR_S, Batch, batch, probes_of


def flags(
    samples: Sequence[Sample], mixes_s: Sequence[float], *, asked: bool
) -> dict[str, list[tuple[float, Quality]]]:
    """(time, verdict) of every reading that is not good, by probe.

    Args:
        asked: nobody answers what is asked at each mixing, so that the closer look lasts as long as it can.
    """
    probes, todo = probes_of(samples), sorted(mixes_s)
    pipeline = Pipeline(probes, {one.name: at for at, one in enumerate(probes)}, [SimulatedSource("sim")])
    found: dict[str, list[tuple[float, Quality]]] = {}
    for sample in samples:
        while todo and sample.at_s >= todo[0]:
            since_ms = round(todo.pop(0) * 1000)
            if asked:
                pipeline.look_closer("box", since_ms, since_ms + WATCH_MS)
        for reading in pipeline.take(Arrival("sim", 0, sample.name, sample.value), round(sample.at_s * 1000)):
            if reading.quality:
                found.setdefault(sample.name, []).append((sample.at_s, Quality(reading.quality)))
    return found


def misplaced_at_a_mixing(one: Batch, kind: str) -> tuple[float, list[Sample], list[float]]:
    """The same batch, but the first koji probe is put elsewhere a minute after one of its mixings, for four hours."""
    mix_s = Random(f"{one.seed}/which").choice(one.mixes_s)
    base = SCENARIOS["mixed"](one.seed)
    away = Happening((mix_s - one.inoculated_s) / HOUR_S + 1 / 60, "move_probe", {"probe": "bed", "kind": kind})
    world = World(replace(base, script=(*base.script, away)), one.seed)
    world.advance(mix_s + 4 * HOUR_S)
    moved_s = next(at_s for at_s, act, _ in world.done if act == "move_probe")
    return moved_s, list(world.read()), [at_s for at_s, act, _ in world.done if act == "mix"]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["rim", "metal", "heater"])
def test_a_probe_left_out_at_a_mixing_is_seen_within_three_quarters_of_an_hour(kind: str) -> None:
    moved_s, samples, mixes_s = misplaced_at_a_mixing(batch(103), kind)
    minutes = []
    for asked in (True, False):
        found = flags(samples, mixes_s, asked=asked)
        out = [at_s for at_s, verdict in found.get("bed", []) if verdict is Quality.OUT_OF_KOJI and at_s >= moved_s]
        minutes.append((min(out) - moved_s) / 60 if out else 240.0)
        assert set(found) <= {"bed"}, "the others are believed"
    assert minutes[0] <= 45.0 and minutes[0] < minutes[1], minutes


@pytest.mark.slow
@pytest.mark.parametrize("seed", [101, 102])
def test_no_probe_is_doubted_for_the_mixing_itself(seed: int) -> None:
    one = batch(seed)
    assert len(one.mixes_s) > 1
    assert flags(one.samples, one.mixes_s, asked=True) == {}
