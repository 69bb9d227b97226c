"""Scores the forecast on recorded batches whose truth is known, beside simple baselines.

The seeds are split: TUNING seeds were looked at while the forecast was made; TEST seeds were not, and only they are
reported. Seeds 5000-5199 were the test of an earlier state of the model, whose outcome is known; so they test no more.
Every batch is untouched after its last step, so "if nobody touches it" has a true answer.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from statistics import median
from typing import Any

import numpy as np

from kojimon.forecast.answers import ForecastSetup, Prior
from kojimon.forecast.forecaster import Forecaster
from kojimon.forecast.prior import published

TUNING = range(1000, 1200)
TEST = range(7000, 7200)
LEADS_H = (2.0, 3.0, 4.0, 6.0)
LIMITS_C = (36.0, 38.0, 40.0, 42.0)
SCORED_C = (38.0, 40.0, 42.0)
NIGHT_H = 8.0
HORIZON_H = 12.0
SCHEDULE_CROSS_H = {38.0: 26.0, 40.0: 28.0, 42.0: 30.0}
"""The schedule alone: hours at which a batch is hot, from the middle work at 26-29 h (Nada glossary, curve A)."""
SCHEDULE_DONE_H = 45.0


def _lists() -> Any:
    return defaultdict(list)


@dataclass
class Score:
    """Everything gathered; figures by `table`."""

    errors: dict[tuple[str, float], list[float]] = field(default_factory=_lists)
    inside80: dict[float, list[bool]] = field(default_factory=_lists)
    inside50: dict[float, list[bool]] = field(default_factory=_lists)
    bed80: dict[float, list[bool]] = field(default_factory=_lists)
    nights: list[tuple[float, bool, bool]] = field(default_factory=list)
    done: dict[str, list[float]] = field(default_factory=_lists)
    done80: list[bool] = field(default_factory=list)
    signed: dict[float, list[float]] = field(default_factory=_lists)
    batches: int = 0


def last_work_s(batch: Any) -> float:
    """When it was touched last, whether anybody was told or not."""
    return max((t for t, _ in (*batch.steps, *batch.hidden)), default=0.0)


def crossing_h(batch: Any, limit_c: float) -> float | None:
    """True hour at which the bed passes the limit for good reason: after the last step, from below."""
    last = last_work_s(batch)
    start = int((last + 1800) // 60)
    later = batch.true_c[start:]
    if not len(later) or later[0] >= limit_c or not (later >= limit_c).any():
        return None
    return float(batch.t_s[start + int(np.argmax(later >= limit_c))] / 3600)


def done_h(batch: Any) -> float | None:
    """True hour at which 95 % of full growth is reached."""
    full = batch.grown >= 0.95
    return float(batch.t_s[int(np.argmax(full))] / 3600) if full.any() else None


def _ask(batch: Any) -> dict[float, list[tuple[str, float]]]:
    """What to ask when: hour -> questions."""
    asked: dict[float, list[tuple[str, float]]] = defaultdict(list)
    last = last_work_s(batch) / 3600
    for limit in SCORED_C:
        cross = crossing_h(batch, limit)
        for lead in LEADS_H:
            if cross is not None and cross - lead >= max(last + 0.5, 4.0):
                asked[cross - lead].append(("limit", limit))
    done = done_h(batch)
    if done is not None and done - 12 > max(last + 0.5, 4.0):
        asked[done - 12].append(("done", done))
    for hour in (12.0, 16.0, 20.0, 24.0, 28.0, 32.0):
        if hour > last + 0.5 and hour + HORIZON_H < batch.t_s[-1] / 3600:
            asked[hour].append(("night", 40.0))
    return asked


def line_h(batch: Any, i: int, minutes: int, degree: int, limit: float) -> float:
    """Hours until a polynomial through the last readings passes the limit; the horizon if it does not."""
    part = slice(max(0, i - minutes), i)
    good = np.isfinite(batch.bed_c[part]) & (np.abs(batch.bed_c[part] - 35) < 20)
    t, y = batch.t_s[part][good] / 3600, batch.bed_c[part][good]
    if len(t) < 10:
        return HORIZON_H
    now = batch.t_s[i] / 3600
    fit = np.polyfit(t - now, y, degree)
    ahead = np.linspace(0, HORIZON_H, 721)
    over = np.polyval(fit, ahead) >= limit
    return float(ahead[int(np.argmax(over))]) if over.any() else HORIZON_H


def run(batch: Any, score: Score, prior: Prior | None = None, setup: ForecastSetup | None = None) -> Forecaster:
    """Feeds one batch as if live and scores what is asked on the way."""
    forecaster = Forecaster(setup or ForecastSetup(), prior or published(), batch.seed)
    asked, steps = sorted(_ask(batch).items()), list(batch.steps)
    score.batches += 1
    rows = np.column_stack((batch.bed_c, batch.air_c, batch.room_c, batch.rh_pct))
    for i, t in enumerate(batch.t_s):
        while steps and steps[0][0] <= t:
            forecaster.work(*steps.pop(0))
        values = [None if math.isnan(v) else float(v) for v in rows[i]]
        forecaster.observe(float(t), *values)
        while asked and asked[0][0] * 3600 <= t:
            _, questions = asked.pop(0)
            _score(score, batch, i, forecaster, questions)
        if not asked:
            break
    return forecaster


def _score(score: Score, batch: Any, i: int, forecaster: Forecaster, questions: list[tuple[str, float]]) -> None:
    made = forecaster.forecast(float(batch.t_s[i]), LIMITS_C)
    now_h = batch.t_s[i] / 3600
    for kind, value in questions:
        if kind == "limit":
            cross = crossing_h(batch, value)
            assert cross is not None
            truth, lead = cross - now_h, min(LEADS_H, key=lambda x: abs(x - (cross - now_h)))
            found = made.limits[LIMITS_C.index(value)].in_h
            middle = HORIZON_H if found.p50 is None else found.p50
            score.errors["forecast", lead].append(abs(middle - truth))
            score.signed[lead].append(middle - truth)
            score.errors["straight line", lead].append(abs(line_h(batch, i, 60, 1, value) - truth))
            score.errors["quadratic", lead].append(abs(line_h(batch, i, 120, 2, value) - truth))
            plan = min(max(SCHEDULE_CROSS_H[value] - now_h, 0.0), HORIZON_H)
            score.errors["schedule", lead].append(abs(plan - truth))
            score.inside80[lead].append(_within(found.p10, found.p90, truth))
            score.inside50[lead].append(_within(found.p25, found.p75, truth))
        elif kind == "done":
            found = made.done.hour
            middle = now_h + 36 if found.p50 is None else found.p50
            score.done["forecast"].append(abs(middle - value))
            score.done["signed"].append(middle - value)
            score.done["schedule"].append(abs(SCHEDULE_DONE_H - value))
            score.done80.append(_within(found.p10, found.p90, value))
        else:
            later = batch.true_c[i : i + int(NIGHT_H * 60)]
            if batch.true_c[i] < value:
                answer = made.limits[LIMITS_C.index(value)]
                said = answer.quiet[made.quiet_in_h.index(NIGHT_H)]
                score.nights.append((said, bool(later.max() < value), made.known))
            for ahead in (2.0, 6.0, 12.0):
                k = round(ahead * 4)
                truth = float(batch.true_c[i + int(ahead * 60)])
                score.bed80[ahead].append(made.curve.p10_c[k] <= truth <= made.curve.p90_c[k])


def _within(low: float | None, high: float | None, truth: float) -> bool:
    return (math.inf if low is None else low) <= truth <= (math.inf if high is None else high)


def brier(score: Score) -> tuple[float, float]:
    """Brier score of the quiet night, and that of always saying the base rate."""
    p = np.array([n[0] for n in score.nights])
    quiet = np.array([n[1] for n in score.nights], float)
    return float(np.mean((p - quiet) ** 2)), float(np.mean((quiet.mean() - quiet) ** 2))


def share(values: list[bool]) -> float:
    return sum(values) / len(values) if values else math.nan


def table(score: Score, title: str) -> str:
    """The figures as text."""
    lines = [f"{title}: {score.batches} batches"]
    lines.append(f"{'time to limit, |error| h':28}" + "".join(f"{lead:>9.0f} h" for lead in LEADS_H))
    for who in ("forecast", "straight line", "quadratic", "schedule"):
        cells = (median(score.errors[who, lead] or [math.nan]) for lead in LEADS_H)
        lines.append(f"  median, {who:18}" + "".join(f"{c:>11.2f}" for c in cells))
    p80 = (float(np.quantile(score.errors["forecast", lead] or [math.nan], 0.8)) for lead in LEADS_H)
    lines.append(f"  {'80 % quantile, forecast':26}" + "".join(f"{c:>11.2f}" for c in p80))
    signed = (median(score.signed[lead] or [math.nan]) for lead in LEADS_H)
    lines.append(f"  {'signed median, forecast':26}" + "".join(f"{c:>11.2f}" for c in signed))
    for name, inside in (("80 % range holds", score.inside80), ("50 % range holds", score.inside50)):
        lines.append(f"  {name:26}" + "".join(f"{share(inside[lead]):>11.2f}" for lead in LEADS_H))
    pooled = [x for lead in LEADS_H for x in score.inside80[lead]]
    cases = [len(score.errors["forecast", lead]) for lead in LEADS_H]
    lines.append(f"  cases {cases}, 80 % pooled {share(pooled):.2f}")
    lines.append("bed 80 % range holds at " + ", ".join(f"{h:.0f} h: {share(v):.2f}" for h, v in score.bed80.items()))
    if score.nights:
        got, base = brier(score)
        lines.append(f"quiet night {NIGHT_H:.0f} h: Brier {got:.3f} (base rate {base:.3f}), {len(score.nights)} nights")
        for low in (0.0, 0.1, 0.3, 0.5, 0.7, 0.9):
            high = {0.0: 0.1, 0.1: 0.3, 0.3: 0.5, 0.5: 0.7, 0.7: 0.9, 0.9: 1.01}[low]
            part = [n for n in score.nights if low <= n[0] < high]
            if part:
                lines.append(f"    said {low:.1f}-{min(high, 1):.1f}: mean {sum(n[0] for n in part) / len(part):.2f}, "
                             f"came true {share([n[1] for n in part]):.2f} of {len(part)}")
    if score.done["forecast"]:
        lines.append(f"growth complete, 12 h before: median |error| {median(score.done['forecast']):.2f} h, "
                     f"signed {median(score.done['signed']):.2f}, schedule {median(score.done['schedule']):.2f} h, "
                     f"80 % range holds {share(score.done80):.2f}, {len(score.done80)} cases")
    return "\n".join(lines)
