"""Whether the forecast means what it says: ranges by lead, quiet nights by their chance, the first evening, the end.

Each figure has a 95 % interval from batches drawn again (cases of one batch hang together).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, Final, NamedTuple

import numpy as np

from kojimon.forecast.answers import ForecastSetup, Prior
from kojimon.forecast.forecaster import Forecaster
from kojimon.forecast.kept import calm_chances
from kojimon.forecast.prior import published
from tests.forecast.skill import crossing_h, done_h, last_work_s, line_h

LEADS_H: Final = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0)
HOURS: Final = (0.25, 2.0, 4.0, 6.0, 9.0, 12.0, 15.0, 18.0, 21.0, 24.0, 27.0, 30.0, 34.0, 38.0)
EVENING: Final = (0.25, 2.0, 4.0, 6.0)
AFTER_H: Final = (0.25, 1.0, 1.75)
"""Hours after work at which it is asked as well."""
LIMITS_C: Final = (43.0, 45.0)
LOW_C: Final = 26.0
NIGHT_H: Final = 8.0
CROSSED_C: Final = (40.0, 43.0)
CROSS_LEADS_H: Final = (2.0, 3.0, 4.0, 6.0)
MERGED: Final = 100


class Said(NamedTuple):
    """One thing said and what came: of which batch, at which hour, how far ahead; a chance or an error; the truth."""

    batch: int
    hour: float
    lead: float
    said: float
    came: bool


@dataclass
class Found:
    """Everything said of a family."""

    ranges: list[Said] = field(default_factory=list)
    after: list[Said] = field(default_factory=list)
    quiet: list[Said] = field(default_factory=list)
    cold: list[Said] = field(default_factory=list)
    crossing: list[Said] = field(default_factory=list)
    done: list[Said] = field(default_factory=list)
    line: list[Said] = field(default_factory=list)
    """A straight line's error where `crossing` has the forecast's."""
    done_h: list[float] = field(default_factory=list)
    """True hour of the end where `done` has the forecast's error."""
    batches: int = 0

    def add(self, other: Found) -> None:
        """Takes another's in."""
        for name in ("ranges", "after", "quiet", "cold", "crossing", "done", "line", "done_h"):
            getattr(self, name).extend(getattr(other, name))
        self.batches += other.batches


def setup_for(batch: Any) -> ForecastSetup:
    """What the settings would tell of this batch's box."""
    return ForecastSetup(kind=batch.box[0], cover=batch.box[1])


def run(batch: Any, blind: bool = False, prior: Prior | None = None, setup: ForecastSetup | None = None) -> Found:
    """One batch as if live. `blind`: without a probe in the koji."""
    found, forecaster = Found(batches=1), Forecaster(setup or setup_for(batch), prior or published(), batch.seed)
    steps = list(batch.steps)
    after = (at / 3600 + wait for at, _ in steps for wait in AFTER_H)
    questions = sorted({*HOURS, *after, *_crossings(batch), *_ends(batch)})
    rows = np.column_stack((batch.bed_c, batch.air_c, batch.room_c, batch.rh_pct))
    if blind:
        rows[:, 0] = np.nan
    for i, t in enumerate(batch.t_s):
        while steps and steps[0][0] <= t:
            forecaster.work(*steps.pop(0))
        forecaster.observe(float(t), *(None if math.isnan(v) else float(v) for v in rows[i]))
        while questions and questions[0] * 3600 <= t:
            _ask(found, batch, i, forecaster, questions.pop(0))
        if not questions:
            break
    return found


def _crossings(batch: Any) -> Iterable[float]:
    last = last_work_s(batch) / 3600
    for limit in CROSSED_C:
        cross = crossing_h(batch, limit)
        if cross is not None:
            yield from (cross - lead for lead in CROSS_LEADS_H if cross - lead >= max(last + 0.5, 4.0))


def _ends(batch: Any) -> Iterable[float]:
    done, last = done_h(batch), last_work_s(batch) / 3600
    if done is not None and done - 12 > max(last, 4.0):
        yield done - 12


def _ask(found: Found, batch: Any, i: int, forecaster: Forecaster, asked_h: float) -> None:
    now_h, who = batch.t_s[i] / 3600, batch.seed
    works = [at / 3600 for at, _ in (*batch.steps, *batch.hidden)]
    later, since = [at - now_h for at in works if at > now_h], [now_h - at for at in works if at <= now_h]
    free_h = min([*later, (batch.t_s[-1] - batch.t_s[i]) / 3600])
    made = forecaster.forecast(float(batch.t_s[i]), (*CROSSED_C, LIMITS_C[1]), low_c=LOW_C)
    if asked_h in HOURS or any(abs(asked_h - at / 3600 - wait) < 1e-6 for at, _ in batch.steps for wait in AFTER_H):
        for lead in LEADS_H:
            if lead <= free_h:
                k, truth = round(lead * 4), float(batch.true_c[i + int(lead * 60)])
                one = Said(who, now_h, lead, made.curve.p50_c[k] - truth,
                           made.curve.p10_c[k] <= truth <= made.curve.p90_c[k])  # fmt: skip
                (found.after if since and min(since) < 2.0 else found.ranges).append(one)
    if asked_h in HOURS and free_h >= NIGHT_H:
        then = batch.true_c[i : i + int(NIGHT_H * 60)]
        watched = made.limits[1:]
        place = made.quiet_in_h.index(NIGHT_H)
        if LOW_C < then[0] < LIMITS_C[0]:
            calm = calm_chances(_only(made, watched))[place]
            came = bool(then.min() >= LOW_C and then.max() < LIMITS_C[0])
            found.quiet.append(Said(who, asked_h, NIGHT_H, calm, came))
            found.cold.append(Said(who, asked_h, NIGHT_H, made.too_cold[place], bool(then.min() < LOW_C)))
    for number, limit in enumerate(CROSSED_C):
        cross = crossing_h(batch, limit)
        for lead in CROSS_LEADS_H:
            if cross is not None and abs(cross - lead - asked_h) < 1e-6:
                when = made.limits[number].in_h
                middle = 12.0 if when.p50 is None else when.p50
                held = _within(when.p10, when.p90, cross - now_h)
                found.crossing.append(Said(who, now_h, lead, middle - (cross - now_h), held))
                straight_h = line_h(batch, i, 60, 1, limit) - (cross - now_h)
                found.line.append(Said(who, now_h, lead, straight_h, False))
    done = done_h(batch)
    if done is not None and abs(done - 12 - asked_h) < 1e-6:
        hour = made.done.hour
        middle = now_h + 36 if hour.p50 is None else hour.p50
        found.done.append(Said(who, now_h, 12.0, middle - done, _within(hour.p10, hour.p90, done)))
        found.done_h.append(done)


def _only(made: Any, limits: Any) -> Any:
    from msgspec.structs import replace

    return replace(made, limits=limits)


def _within(low: float | None, high: float | None, truth: float) -> bool:
    return (math.inf if low is None else low) <= truth <= (math.inf if high is None else high)


# -- figures -----------------------------------------------------------------------------------------------------------


def interval(cases: Sequence[Said], figure: Callable[[Sequence[Said]], float], draws: int = 200) -> tuple[float, float]:
    """95 % interval of a figure, by drawing batches again."""
    by: dict[int, list[Said]] = {}
    for one in cases:
        by.setdefault(one.batch, []).append(one)
    groups, rng, found = list(by.values()), np.random.default_rng(7), []
    for _ in range(draws):
        picked = rng.integers(0, len(groups), len(groups))
        found.append(figure([one for place in picked for one in groups[place]]))
    return float(np.quantile(found, 0.025)), float(np.quantile(found, 0.975))


def share(cases: Sequence[Said]) -> float:
    """Share of them that came true."""
    return sum(one.came for one in cases) / len(cases) if cases else math.nan


def off(cases: Sequence[Said]) -> float:
    """Median error without sign."""
    return median(abs(one.said) for one in cases) if cases else math.nan


def bins(cases: Sequence[Said], least: int = MERGED) -> list[list[Said]]:
    """Tenths of what was said, neighbours merged until each holds `least`."""
    ordered: list[list[Said]] = [[] for _ in range(10)]
    for one in cases:
        ordered[min(int(one.said * 10), 9)].append(one)
    merged: list[list[Said]] = []
    for part in reversed(ordered):
        if merged and (len(merged[-1]) < least):
            merged[-1] += part
        elif part:
            merged.append(part)
    if len(merged) > 1 and len(merged[-1]) < least:
        last = merged.pop()
        merged[-1] += last
    return merged


def reliability(cases: Sequence[Said], least: int = MERGED) -> list[str]:
    """A line a bin: what was said on the average, what came."""
    lines = []
    for part in bins(cases, least):
        said, (low, high) = sum(one.said for one in part) / len(part), interval(part, share)
        lines.append(f"    said {said:.2f}: came {share(part):.2f} ({low:.2f}-{high:.2f}) of {len(part)}")
    return lines


def worst(cases: Sequence[Said], least: int = MERGED) -> float:
    """The largest distance between said and came over the bins."""
    apart = [abs(sum(one.said for one in part) / len(part) - share(part)) for part in bins(cases, least)]
    return max(apart, default=0.0)


def brier(cases: Sequence[Said]) -> tuple[float, float]:
    """Brier score, and that of always saying the base rate."""
    base = share(cases)
    return (
        sum((one.said - one.came) ** 2 for one in cases) / len(cases),
        sum((base - one.came) ** 2 for one in cases) / len(cases),
    )


def table(found: Found, title: str, least: int = MERGED) -> str:
    """Everything, for a person to read."""
    lines = [f"{title}: {found.batches} batches"]
    for name, cases in (("80 % range of the koji holds", found.ranges), ("  within 2 h after work", found.after)):
        for lead in LEADS_H:
            part = [one for one in cases if one.lead == lead]
            if part:
                low, high = interval(part, share)
                lines.append(f"  {name}, {lead:.0f} h ahead: {share(part):.2f} ({low:.2f}-{high:.2f}) of {len(part)}, "
                             f"off by {off(part):.2f} K")  # fmt: skip
    for name, cases in (("quiet 8 h", found.quiet), ("quiet 8 h, asked at hour 0-6",
                        [one for one in found.quiet if one.hour in EVENING]), ("under 26 C in 8 h, asked at hour 0-6",
                        [one for one in found.cold if one.hour in EVENING])):  # fmt: skip
        if cases:
            got, base = brier(cases)
            lines += [f"  {name}: Brier {got:.3f}, base rate {base:.3f}", *reliability(cases, least)]
    for hour in EVENING:
        part = [one for one in found.quiet if one.hour == hour]
        if part:
            sure = [one for one in part if one.said >= 0.9]
            lines.append(f"  hour {hour:g}: promised quiet (9 in 10) in {len(sure)} of {len(part)}, "
                         f"came {share(sure):.2f}; in all {share(part):.2f}")  # fmt: skip
    for lead in CROSS_LEADS_H:
        part = [one for one in found.crossing if one.lead == lead]
        if part:
            lines.append(f"  time to a limit, {lead:.0f} h before: off by {off(part):.2f} h, 80 % range holds "
                         f"{share(part):.2f} of {len(part)}")  # fmt: skip
    if found.done:
        low, high = interval(found.done, off)
        lines.append(f"  growth complete, 12 h before: off by {off(found.done):.2f} h ({low:.2f}-{high:.2f}), "
                     f"signed {median(one.said for one in found.done):+.2f}, "
                     f"80 % range holds {share(found.done):.2f} of {len(found.done)}")  # fmt: skip
    return "\n".join(lines)
