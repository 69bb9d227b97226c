"""Turns the ensemble run ahead into answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from kojimon.forecast import ahead, answers
from kojimon.forecast.growth import Array
from kojimon.forecast.plausible import DONE_H

if TYPE_CHECKING:
    from kojimon.forecast.forecaster import Forecaster

STEP_H: Final = 0.125
CURVE_STEPS: Final = 2
"""The curve is given every 15 minutes, two steps of the run."""
QUIET_H: Final = 0.5
DONE_AHEAD_H: Final = 36.0
"""How far ahead the end of growth is looked for."""
DONE_USUAL, DONE_STRAYS_H = 0.6, 4.0
"""Nobody sees growth, and the last of its heat is lost in the box's own: so much of the hour told is what is published
of batches, the rest what the members say, and it strays by so many hours; chosen on tuning seeds and the first 84 of
haze's."""
DONE_BRAKE: Final = 1.5
"""For that hour alone: a law that brakes early never quite ends, and koji is not left to its tail; chosen on tuning
seeds."""
CHANGES: Final = (
    ("mix-now", ahead.Night("mix", 0.0)),
    ("spread-thinner", ahead.Night("spread", 0.0)),
    ("box-2c-lower", ahead.Night(lower_k=2.0)),
)
WAITS_H: Final = (0.0, 1.0, 2.0, 4.0, 6.0)
FEW: Final = 0.02
"""With fewer members passing a limit than this share, no time is given for it."""
NEVER: Final = answers.Range(None, None, None, None, None)
STALE_S: Final = 1800.0
"""A bed reading older than this is not knowing; chosen."""


def compose(
    forecaster: Forecaster, now_s: float, limits_c: tuple[float, ...], horizon_s: float, low_c: float | None,
    mix: answers.MixAim,
) -> answers.Forecast:  # fmt: skip
    """All answers at `now_s`; arguments as `Forecaster.forecast`."""
    horizon_h = horizon_s / 3600.0
    late = now_s / 3600.0 - forecaster.block / 12.0
    paths = forecaster.run(0, members=forecaster.ensemble.size, hours=horizon_h + STEP_H, step_h=STEP_H)
    part = min(max(late / STEP_H, 0.0), 1.0)
    bed, air = (p[:-1, 0] * (1.0 - part) + p[1:, 0] * part for p in (paths.bed_c, paths.air_c))
    in_h = paths.in_h[:-1]
    bed_c = ahead.corrected(bed, forecaster.room_c, forecaster.record.scale(in_h), forecaster.record.lean())
    if (rest_c := forecaster.rest_c(air)) is not None:
        bed_c = np.maximum(bed_c, rest_c)
    quiet_in_h = np.arange(QUIET_H, horizon_h + 1e-9, QUIET_H)
    why_not = _why_not(forecaster, now_s)
    highest = np.maximum.accumulate(bed_c, axis=0)
    return answers.Forecast(
        at_s=now_s,
        horizon_s=horizon_s,
        known=not why_not,
        why_not=why_not,
        bed_now_c=_r(np.median(bed_c[0]), 2),
        warming_k_per_h=_r(np.median((bed_c[2] - bed_c[0]) / (2 * STEP_H)), 2),
        heat_k_per_h=_r(forecaster.heat_now(), 2),
        grown=_r(np.median(paths.grown[0, 0]), 3),
        reading_age_s=None if forecaster.last_bed_s is None else _r(max(now_s - forecaster.last_bed_s, 0.0), 0),
        curve=_curve(in_h[::CURVE_STEPS], bed_c[::CURVE_STEPS], air[::CURVE_STEPS]),
        quiet_in_h=tuple(_r(h, 2) for h in quiet_in_h),
        limits=tuple(_limit(limit, in_h, bed_c, highest, quiet_in_h) for limit in limits_c),
        too_cold=_too_cold(low_c, in_h, bed_c, quiet_in_h),
        mix=_mix(mix, in_h, bed_c, what_if := _what_if(forecaster, horizon_h)),
        done=_done(forecaster, now_s / 3600.0),
        what_if=_changes(what_if, limits_c),
        check=answers.Check(
            contradicts=forecaster.record.contradicted(),
            miss_k=None if forecaster.record.last_k is None else _r(forecaster.record.last_k, 2),
            miss_sd=_r(forecaster.record.misses[-1], 2) if forecaster.record.misses else None,
            widened=_r(forecaster.record.scale(in_h)[0], 2),
            jumps=forecaster.jumps,
        ),
        seed=forecaster.seed,
        low_c=low_c,
    )


def first_pass_h(in_h: Array, paths_c: Array, limit_c: float) -> Array:
    """Hour at which each path first reaches the limit, between steps by a straight line; infinity if never."""
    over = paths_c >= limit_c
    step = np.argmax(over, axis=0)
    member = np.arange(paths_c.shape[1])
    before, after = paths_c[np.maximum(step - 1, 0), member], paths_c[step, member]
    share = np.where(after > before, (limit_c - before) / np.where(after > before, after - before, 1.0), 1.0)
    hour = in_h[np.maximum(step - 1, 0)] + np.clip(share, 0.0, 1.0) * (in_h[1] - in_h[0])
    return np.where(over.any(axis=0), np.where(step == 0, 0.0, hour), np.inf)


def quantiles(values: Array) -> answers.Range:
    """The five quantiles of values that may be infinite; an infinite one is None."""
    ordered = np.sort(values)
    picked = (float(ordered[min(int(q * len(ordered)), len(ordered) - 1)]) for q in answers.QUANTILES)
    return answers.Range(*(_r(v, 2) if np.isfinite(v) else None for v in picked))


def _curve(in_h: Array, bed_c: Array, air: Array) -> answers.Curve:
    rows = np.quantile(bed_c, answers.QUANTILES, axis=1)
    columns = (tuple(_r(v, 2) for v in row) for row in (*rows, np.median(air, axis=1)))
    return answers.Curve(tuple(_r(h, 2) for h in in_h), *columns)


def _limit(limit_c: float, in_h: Array, bed_c: Array, highest: Array, quiet_in_h: Array) -> answers.LimitAnswer:
    hours = first_pass_h(in_h, bed_c, limit_c)
    at = np.minimum(np.searchsorted(in_h, quiet_in_h - 1e-9), len(in_h) - 1)
    quiet = np.mean(highest[at] < limit_c, axis=1)
    passing = hours[np.isfinite(hours)]
    when = quantiles(passing) if len(passing) >= max(5, FEW * len(hours)) else NEVER
    return answers.LimitAnswer(limit_c, _r(np.mean(np.isfinite(hours)), 3), when, tuple(_r(q, 3) for q in quiet))


def _too_cold(low_c: float | None, in_h: Array, bed_c: Array, quiet_in_h: Array) -> tuple[float, ...]:
    if low_c is None:
        return ()
    lowest = np.minimum.accumulate(bed_c, axis=0)
    at = np.minimum(np.searchsorted(in_h, quiet_in_h - 1e-9), len(in_h) - 1)
    return tuple(_r(p, 3) for p in np.mean(lowest[at] < low_c, axis=1))


def _what_if(forecaster: Forecaster, horizon_h: float) -> ahead.Paths:
    """Scenarios in one run: untouched, the changes, then mixing at each wait after the first."""
    waits = tuple(ahead.Night("mix", wait) for wait in WAITS_H[1:])
    nights = (ahead.Night(), *(night for _, night in CHANGES), *waits)
    paths = forecaster.run(1, members=100, hours=horizon_h, step_h=2 * STEP_H, nights=nights)
    scale, lean = forecaster.record.scale(paths.in_h), forecaster.record.lean()
    bed_c = ahead.corrected(paths.bed_c, forecaster.room_c, scale, lean)
    return paths._replace(bed_c=bed_c)


def _changes(paths: ahead.Paths, limits_c: tuple[float, ...]) -> tuple[answers.WhatIf, ...]:
    peaks = paths.bed_c.max(axis=0)
    # A scenario's own peak counts from its first step on: the moment before a work is not its doing.
    later = paths.bed_c[1:].max(axis=0)
    found = []
    for i, (change, _) in enumerate(CHANGES, start=1):
        passes = tuple(_r(np.mean(later[i] >= limit), 3) for limit in limits_c)
        lower = np.median(peaks[0] - later[i])
        falls = np.median(paths.bed_c[0, 0] - paths.bed_c[0, i])
        found.append(answers.WhatIf(change, _r(np.median(later[i]), 2), _r(lower, 2), passes, _r(falls, 2)))
    return tuple(found)


def _mix(aim: answers.MixAim, in_h: Array, bed_c: Array, paths: ahead.Paths) -> answers.MixAnswer:
    wanted = quantiles(first_pass_h(in_h, bed_c, aim.from_c))
    latest = quantiles(first_pass_h(in_h, bed_c, aim.ceiling_c)).p10
    times = [t for t in (wanted.p50, latest) if t is not None]
    scenarios = (1, *range(1 + len(CHANGES), paths.bed_c.shape[1]))
    waits = []
    for wait_h, i in zip(WAITS_H, scenarios, strict=True):
        steps = int(wait_h / (2 * STEP_H)) + 1
        over = np.mean(paths.bed_c[:steps, 0].max(axis=0) >= aim.ceiling_c)
        highest = np.median(paths.bed_c[1:, i].max(axis=0))
        waits.append(answers.Wait(wait_h, _r(highest, 2), _r(over, 3), _r(np.median(paths.grown[-1, i]), 3)))
    return answers.MixAnswer(min(times) if times else None, wanted, latest, tuple(waits))


def _done(forecaster: Forecaster, now_h: float) -> answers.DoneAnswer:
    setup = forecaster.setup
    paths = forecaster.run(2, members=200, hours=DONE_AHEAD_H, step_h=3 * STEP_H, latest_brake=DONE_BRAKE)
    hours = first_pass_h(paths.in_h, paths.grown[:, 0], setup.complete_at)
    complete = float(np.mean(hours <= 0.0))
    passed = now_h if forecaster.done_h is None else min(forecaster.done_h, now_h)
    usual_h = DONE_H.middle + DONE_STRAYS_H / DONE_USUAL * forecaster.chance(4).standard_normal(len(hours))
    likely = np.maximum((1.0 - DONE_USUAL) * (now_h + hours) + DONE_USUAL * usual_h, now_h)
    hour = quantiles(np.where(hours <= 0.0, passed, likely))
    opens, closes = setup.harvest_from_h, setup.harvest_until_h
    if opens is not None and closes is not None:
        opens = min(max(opens, closes if hour.p50 is None else hour.p50), closes)
    warmed = forecaster.warmed
    return answers.DoneAnswer(hour, not warmed, _r(complete, 3) if warmed else 0.0, opens, closes)


def _why_not(forecaster: Forecaster, now_s: float) -> str:
    if forecaster.last_bed_s is None:
        return "The forecast has no reading of the koji yet."
    if now_s - forecaster.last_bed_s > STALE_S:
        return "The koji has not been read for over half an hour."
    if not forecaster.warmed:
        return "Not yet: the koji has not begun to warm by itself."
    return ""


def _r(value: Any, digits: int) -> float:
    return round(float(value), digits)
