"""The simulated box that set-up offers to who has no probe yet."""

from __future__ import annotations

from typing import Final

from kojimon.cli.setup.answers import Person, ProbeAnswer, SourceAnswer

PRACTICE_SPEED: Final = "60"
"""Whoever practises has a minute for an hour: time to read and to type, and a batch within the hour."""


def simulated(person: Person, *, practice: bool = False) -> tuple[tuple[SourceAnswer, ...], tuple[ProbeAnswer, ...]]:
    """A simulated box with as many trays as the person has, where the simulator draws one like that.

    Args:
        practice: the person is the cook, at a speed that leaves time for it.
    """
    from kojisim.scenarios import SCENARIOS

    counts = {seed: len(SCENARIOS["healthy"](seed).params.trays) for seed in range(60)}
    seed = next((seed for seed, count in counts.items() if count == len(person.trays)), 0)
    fields = {"scenario": "healthy", "seed": str(seed), "speed": PRACTICE_SPEED if practice else "1000"}
    source = SourceAnswer("sim", "simulated", fields | ({"hands": "false"} if practice else {}))
    names = ["bed", *(f"bed-{number}" for number in range(2, counts[seed] + 1))]
    probes = [
        ProbeAnswer(name, "bed", "temperature", "sim", tray) for name, tray in zip(names, person.trays, strict=False)
    ]
    probes += [ProbeAnswer("air", "air", "temperature", "sim"), ProbeAnswer("air-humidity", "air", "humidity", "sim")]
    return (source,), tuple(probes)
