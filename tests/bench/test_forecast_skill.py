"""Whether the forecast means what it says, on families of incubations. `-k tips` for one; prints the tables.

What was asked of time to a limit, its range, quiet nights and the end of growth is recorded of the family that judges,
whose physics the forecast does not share and on which no constant was chosen. What is asserted of the others are bounds
that must not be lost; the figures beside what was asked stand in the printed tables.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from statistics import median

import pytest

from tests.bench.figures import record, some
from tests.forecast import families, honest, skill, tipsworld
from tests.forecast.seer import Seer

JUDGE = "tips"
"""Written by somebody who had read neither the forecast nor any other family: 400 batches of it, 150 of each other."""
FIRST = {"tuning": 1000, "choosing": 3000, "haze": 7000, "judging": 11000, JUDGE: 15000}
"""First seed of each family."""
SEEN = {"haze": range(30_000, 31_000), "judging": range(30_000, 31_000)}
"""Seeds of those that are quickly made, for one who has seen them to tell the end of others."""
FIGURE = {
    "tuning": "forecast, tuning: 80 % ranges, quiet nights, first evening",
    "choosing": "forecast, choosing: 80 % ranges, quiet nights, first evening",
    "haze": "forecast, haze: 80 % ranges, quiet nights, first evening",
    "judging": "forecast, judging: 80 % ranges, quiet nights, first evening",
    JUDGE: "forecast, tips: 80 % ranges, quiet nights, first evening",
}


def part_of(job: tuple[str, int, int]) -> honest.Found:
    """Some batches of a family."""
    family, first, count = job
    found, seeds = honest.Found(), range(first, first + count)
    for batch in tipsworld.batches(seeds) if family == JUDGE else families.batches(family, seeds):
        found.add(honest.run(batch))
    return found


@pytest.mark.bench
@pytest.mark.timeout(14400)
@pytest.mark.parametrize("family", [*families.FAMILIES, JUDGE])
def test_forecast_means_what_it_says(family: str) -> None:
    """Every lead, after work, quiet nights, the first evening and the end, on one family by itself."""
    seeds, step = some(FIRST[family], 400 if family == JUDGE else 150), 21
    jobs = [(family, first, min(step, seeds.stop - first)) for first in seeds[::step]]
    total = honest.Found()
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for part in pool.map(part_of, jobs):
            total.add(part)
    print(f"\n{honest.table(total, family)}", flush=True)
    by_lead = [honest.share([one for one in total.ranges if one.lead == lead]) for lead in honest.LEADS_H]
    evening = [one for one in total.quiet if one.hour in honest.EVENING]
    record(
        FIGURE[family],
        f"{100 * min(by_lead):.0f}-{100 * max(by_lead):.0f} of 100; said and came {honest.worst(total.quiet):.2f} "
        f"apart, on the first evening {honest.worst(evening):.2f}; {total.batches} batches",
    )
    if family in SEEN:
        _end_beside_one_who_has_seen(family, total)
    if family == JUDGE:  # its figures stand as they come
        _record_what_was_asked_first(total)
        return
    assert min(by_lead) > 0.65 and max(by_lead) < 0.95
    assert honest.brier(total.quiet)[0] < honest.brier(total.quiet)[1]


def _end_beside_one_who_has_seen(family: str, total: honest.Found) -> None:
    """Growth complete, 12 h before, on the same batches by `seer.Seer`, who has seen others of the family."""
    seer, told = Seer(families.batches(family, SEEN[family])), []
    for batch in families.batches(family, [one.batch for one in total.done]):
        end_h = skill.done_h(batch)
        assert end_h is not None
        told.append([abs(hour - end_h) for hour in seer.end_h(batch, end_h - 12.0)])
    own, (seen, usual) = honest.off(total.done), (median(one) for one in zip(*told, strict=True))
    print(
        f"\n{family}: growth complete, 12 h before: off by {own:.2f} h, {seen:.2f} h by one who has seen 1,000 of the "
        f"family, {usual:.2f} h by its usual hour, {len(told)} batches"
    )
    assert own < 2.0 * seen and own < usual


def _record_what_was_asked_first(total: honest.Found) -> None:
    """Time to a limit beside a straight line, its range, quiet nights, and the end beside the schedule's hour."""

    def off_by(cases: list[honest.Said]) -> str:
        parts = ([one for one in cases if one.lead == lead] for lead in honest.CROSS_LEADS_H)
        return ", ".join(f"{honest.off(part):.2f}" for part in parts) + " h"

    count, (got, base) = f"{total.batches} batches", honest.brier(total.quiet)
    record(
        "forecast: median error 2, 3, 4, 6 h before a limit",
        f"{off_by(total.crossing)}, {count}", f"straight line {off_by(total.line)}",
    )  # fmt: skip
    held = 100 * honest.share(total.crossing)
    record("forecast: 80 % range of that time holds", f"{held:.0f} of 100, {count}")
    record("forecast: quiet night of 8 h, Brier", f"{got:.3f}, {count}", f"base rate {base:.3f}")
    alone = median(abs(skill.SCHEDULE_DONE_H - hour) for hour in total.done_h)
    record("forecast: growth complete, 12 h before", f"{honest.off(total.done):.2f} h, {count}",
           f"schedule alone {alone:.2f} h")  # fmt: skip
