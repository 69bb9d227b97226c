"""Two hundred simulated batches: share of faults seen, time until they are, false flags in sound readings.

`KOJIMON_BENCH_SEEDS` sets the number of batches.
"""

import os
from statistics import median

import pytest

from tests.bench.figures import record
from tests.probes.faulty import MISPLACED, Found, batch, clean_flags, fault_runs, misplaced_run

SEEDS = int(os.environ.get("KOJIMON_BENCH_SEEDS", "200"))


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_share_of_faults_seen(capsys: pytest.CaptureFixture[str]) -> None:
    table: dict[str, list[Found]] = {}
    hours, flagged = 0.0, 0
    for seed in range(1, SEEDS + 1):
        one = batch(seed)
        for kind, found in fault_runs(one).items():
            table.setdefault(kind, []).append(found)
        more_hours, more_flagged = clean_flags(one)
        hours, flagged = hours + more_hours, flagged + more_flagged
    shares = {kind: sum(found.caught for found in row) / len(row) for kind, row in table.items()}
    with capsys.disabled():
        print(f"\n  {SEEDS} simulated batches; minutes to the first right verdict (median, longest)")
        for kind, row in table.items():
            minutes = sorted(found.minutes for found in row if found.minutes is not None)
            times = f"{median(minutes):7.1f} {minutes[-1]:7.1f}" if minutes else ""
            print(f"  {kind:42s} {100 * shares[kind]:6.1f} %  {times}")
        least = min(shares, key=lambda kind: shares[kind])
        record("fault kinds caught, 200 seeds: least", f"{100 * shares[least]:.1f} % ({least}), {SEEDS} seeds")
        record("false flags in 1,000 probe-hours", f"{flagged / hours * 1000:.2f} in {hours:,.0f} h")
    assert min(shares.values()) >= 0.95
    assert flagged / hours * 1000 <= 1.0


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_share_of_misplaced_probes_seen(capsys: pytest.CaptureFixture[str]) -> None:
    shares = {}
    for place, (scenario, kind) in MISPLACED.items():
        runs = [misplaced_run(scenario, kind, seed) for seed in range(1, SEEDS + 1)]
        shares[place] = sum(one.found.caught for one in runs) / len(runs)
        minutes = sorted(one.found.minutes for one in runs if one.found.minutes is not None)
        wrong = sum(one.others for one in runs), sum(one.before for one in runs)
        with capsys.disabled():
            print(
                f"\n  {place:30s} {100 * shares[place]:6.1f} %  {median(minutes):6.1f} {minutes[-1]:6.1f} min", end=""
            )
            print(f"  flagged besides: {wrong[0]} of other probes, {wrong[1]} before", end="")
    with capsys.disabled():
        least = min(shares, key=lambda place: shares[place])
        record("misplaced probes caught, 200 seeds: least", f"{100 * shares[least]:.1f} % ({least}), {SEEDS} seeds")
    assert min(shares.values()) >= 0.95
