"""Forecasts made up by hand, for tests of what is built on them."""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from kojimon.forecast.answers import (
    Check,
    Curve,
    DoneAnswer,
    Forecast,
    LimitAnswer,
    MixAnswer,
    Range,
    Wait,
    WhatIf,
)

QUIET_H = tuple(0.5 * step for step in range(1, 25))
NEVER = Range(None, None, None, None, None)


def spread(middle: float, half: float) -> Range:
    """A likely range whose 80 % part reaches `half` to either side."""
    return Range(middle - half, middle - half / 2, middle, middle + half / 2, middle + half)


def limit_answer(limit_c: float, in_h: float, half_h: float = 0.1, passes: float = 0.95) -> LimitAnswer:
    """Passed in so many hours, surely so."""
    quiet = tuple(1.0 if hour < in_h - half_h else max(0.0, 1.0 - passes) for hour in QUIET_H)
    return LimitAnswer(limit_c, passes, spread(in_h, half_h), quiet)


def calm_answer(limit_c: float) -> LimitAnswer:
    """Not passed within the horizon."""
    return LimitAnswer(limit_c, 0.01, NEVER, tuple(0.99 for _ in QUIET_H))


def made(hour: float = 24.0, *limits: LimitAnswer, bed_c: float = 36.0, per_h: float = 1.0, **changed: Any) -> Forecast:
    """A forecast of a koji that warms evenly; `changed` replaces any field."""
    in_h = tuple(0.25 * step for step in range(49))
    row = tuple(round(bed_c + per_h * at, 2) for at in in_h)
    p10_c, p25_c, p50_c, p75_c, p90_c = (tuple(value + off for value in row) for off in (-0.5, -0.25, 0.0, 0.25, 0.5))
    curve = Curve(in_h, p10_c, p25_c, p50_c, p75_c, p90_c, tuple(30.0 for _ in in_h))
    forecast = Forecast(
        at_s=hour * 3600, horizon_s=43_200.0, known=True, why_not="", bed_now_c=bed_c, warming_k_per_h=per_h,
        heat_k_per_h=3.0, grown=0.2, reading_age_s=30.0, curve=curve,
        quiet_in_h=QUIET_H, limits=limits or (calm_answer(43.0),), too_cold=(),
        mix=MixAnswer(1.5, spread(1.5, 0.5), 2.6, (Wait(0.0, 39.0, 0.0, 0.5), Wait(4.0, 41.5, 0.6, 0.5))),
        done=DoneAnswer(spread(46.0, 3.0), False, 0.0, 46.0, 50.0),
        what_if=(WhatIf("mix-now", 39.0, 2.5, (0.2,) * len(limits or "1")),),
        check=Check(False, 0.1, 0.3, 1.0, 0), seed=1,
    )  # fmt: skip
    return replace(forecast, **changed)
