"""Many simulated batches: share of faults seen, time until they are, false flags in sound readings."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median

import pytest

from tests.bench.figures import record, some
from tests.parts.size import each
from tests.probes.faulty import MISPLACED, Found, Misplaced, batch, clean_flags, fault_runs, misplaced_run

SEEDS = some(1, 100)


def one(seed: int) -> tuple[Mapping[str, Found], tuple[float, int]]:
    """A batch: what became of each fault laid over it; hours and flags of its sound readings."""
    sound = batch(seed)
    return fault_runs(sound), clean_flags(sound)


def misplaced(seed: int) -> dict[str, Misplaced]:
    return {place: misplaced_run(scenario, kind, seed) for place, (scenario, kind) in MISPLACED.items()}


def shares(table: Mapping[str, list[Found]]) -> dict[str, float]:
    """Percent caught of each kind, printed with the minutes to the first right verdict (median, longest)."""
    found = {kind: 100 * sum(one.caught for one in row) / len(row) for kind, row in table.items()}
    for kind, row in table.items():
        minutes = sorted(one.minutes for one in row if one.minutes is not None)
        times = f"{median(minutes):7.1f} {minutes[-1]:7.1f} min" if minutes else ""
        print(f"\n  {kind:42s} {found[kind]:6.1f} %  {times}", end="")
    return found


def least(found: Mapping[str, float]) -> str:
    kind = min(found, key=lambda kind: found[kind])
    return f"{found[kind]:.1f} % ({kind}), {len(SEEDS)} seeds"


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_share_of_faults_seen(capsys: pytest.CaptureFixture[str]) -> None:
    runs = each(one, SEEDS)
    hours, flagged = (sum(figure) for figure in zip(*(clean for _, clean in runs), strict=True))
    with capsys.disabled():
        found = shares({kind: [faults[kind] for faults, _ in runs] for kind in runs[0][0]})
        record("fault kinds caught: least", least(found))
        record("false flags in 1,000 probe-hours", f"{flagged / hours * 1000:.2f} in {hours:,.0f} h")
    assert min(found.values()) >= 95
    assert flagged / hours * 1000 <= 1.0


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_share_of_misplaced_probes_seen(capsys: pytest.CaptureFixture[str]) -> None:
    runs = each(misplaced, SEEDS)
    with capsys.disabled():
        found = shares({place: [one[place].found for one in runs] for place in MISPLACED})
        for place in MISPLACED:
            others, before = (sum(getattr(one[place], name) for one in runs) for name in ("others", "before"))
            print(f"\n  {place:30s} flagged besides: {others} of other probes, {before} before", end="")
        record("misplaced probes caught: least", least(found))
    assert min(found.values()) >= 95
