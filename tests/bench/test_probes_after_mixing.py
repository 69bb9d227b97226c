"""A probe put elsewhere at a mixing: minutes until it is called out of the koji, with and without the closer look."""

from __future__ import annotations

from statistics import median

import pytest

from kojimon.model import Quality
from kojisim.probes import Sample
from tests.bench.figures import record, some
from tests.probes.faulty import batch
from tests.probes.test_after_mixing import flags, misplaced_at_a_mixing

SEEDS = some(300, 20)
KINDS = ("rim", "towel", "metal", "heater")


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_minutes_until_it_is_seen(capsys: pytest.CaptureFixture[str]) -> None:
    sound = {seed: batch(seed) for seed in SEEDS}
    flagged = {seed: found for seed, one in sound.items() if (found := flags(one.samples, one.mixes_s, asked=True))}
    lines, middles = [], {}
    for kind in KINDS:
        runs = [misplaced_at_a_mixing(one, kind) for one in sound.values()]
        for asked in (False, True):
            minutes = [_minutes(run, asked) for run in runs]
            seen = [one for one in minutes if one is not None]
            middles[kind, asked] = median(seen)
            lines.append(
                f"  {kind:8s} {'asked' if asked else 'usual'}: {median(seen):5.1f} min (median),"
                f" {max(seen):5.1f} (longest),"
                f" {len(minutes) - len(seen)} of {len(minutes)} not within 4 h"
            )
    with capsys.disabled():
        print(
            f"\n  {len(SEEDS)} simulated batches; probes doubted in sound ones, never answered: {len(flagged)}",
            *lines,
            sep="\n",
        )
        told = (f"{kind} {middles[kind, False]:.0f} usual, {middles[kind, True]:.0f} asked" for kind in KINDS)
        said = f"medians: {'; '.join(told)}; {len(SEEDS)} batches"
        record("probe out of the koji at a mixing, minutes until called", said)
    assert not flagged
    assert all(middles[kind, True] < middles[kind, False] for kind in KINDS)


def _minutes(run: tuple[float, list[Sample], list[float]], asked: bool) -> float | None:
    moved_s, samples, mixes_s = run
    found = flags(samples, mixes_s, asked=asked).get("bed", [])
    out = [at_s for at_s, verdict in found if verdict is Quality.OUT_OF_KOJI and at_s >= moved_s]
    return (min(out) - moved_s) / 60 if out else None
