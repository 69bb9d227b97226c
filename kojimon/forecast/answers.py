"""What a forecast says, as frozen plain numbers that travel as JSON into the engine's inputs.

Loads no numpy. `hour` is hours since inoculation, `in_h` hours from the moment of the forecast; None stands for
"not within the horizon" or "not known", as each field says.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

SCHEMA: Final = 1
PRIOR_SCHEMA: Final = 4
QUANTILES: Final = (0.10, 0.25, 0.50, 0.75, 0.90)
"""Of every range: 10-90 % is the 80 % range, 25-75 % the 50 % range."""


class Range(Struct, frozen=True):
    """Quantiles 10, 25, 50, 75 and 90 %. None: that much lies beyond what was looked at."""

    p10: float | None
    p25: float | None
    p50: float | None
    p75: float | None
    p90: float | None


class Curve(Struct, frozen=True):
    """The bed at its probe if nobody touches it; one entry a step, from now on. A slow probe shows it minutes later.

    Attributes:
        in_h: hours from now.
        p10_c, p25_c, p50_c, p75_c, p90_c: quantiles, °C.
        air_p50_c: middle of the air expected in the box.
    """

    in_h: tuple[float, ...]
    p10_c: tuple[float, ...]
    p25_c: tuple[float, ...]
    p50_c: tuple[float, ...]
    p75_c: tuple[float, ...]
    p90_c: tuple[float, ...]
    air_p50_c: tuple[float, ...]


class LimitAnswer(Struct, frozen=True):
    """When the bed passes one upper limit if nobody touches it.

    Attributes:
        limit_c: the limit.
        passes: probability that it is passed within the horizon (1 when it is above it now).
        in_h: hours from now until it is passed, if it is passed within the horizon; None where next to no case passes.
        quiet: probability that it has not been passed, at each entry of `Forecast.quiet_in_h`.
    """

    limit_c: float
    passes: float
    in_h: Range
    quiet: tuple[float, ...]


class Wait(Struct, frozen=True):
    """What mixing later costs.

    Attributes:
        wait_h: hours from now at which the koji would be mixed.
        highest_c: middle of the highest bed temperature up to the horizon.
        over: probability of passing the mixing ceiling before the mixing.
        growth: middle of the growth reached at the horizon, 0-1.
    """

    wait_h: float
    highest_c: float
    over: float
    growth: float


class MixAnswer(Struct, frozen=True):
    """When to mix.

    Attributes:
        best_in_h: hours from now; None when mixing is not wanted within the horizon.
        wanted_in_h: when the bed reaches the temperature mixing is wanted at.
        latest_in_h: when the chance of having passed the ceiling reaches 1 in 10; None beyond the horizon.
        waits: what waiting costs.
    """

    best_in_h: float | None
    wanted_in_h: Range
    latest_in_h: float | None
    waits: tuple[Wait, ...]


class DoneAnswer(Struct, frozen=True):
    """When growth is complete, and what that makes of the schedule's harvest window.

    Attributes:
        hour: hours since inoculation at which growth is complete; None beyond what was looked at (or past).
        prior_only: the batch has not shown its growth yet, so the hour is what batches do in general.
        complete_now: probability that it is complete now.
        harvest_from_hour, harvest_until_hour: the schedule's window, its opening moved by `hour`, never beyond the
            schedule's own latest hour; None without a schedule.
    """

    hour: Range
    prior_only: bool
    complete_now: float
    harvest_from_hour: float | None
    harvest_until_hour: float | None


class WhatIf(Struct, frozen=True):
    """The same night with one thing changed now.

    Attributes:
        change: `box-2c-lower`, `spread-thinner` or `mix-now`.
        highest_c: middle of the highest bed temperature up to the horizon.
        lower_k: how much lower than if nobody touches it.
        passes: probability of passing each limit, in the order of `Forecast.limits`.
        falls_k: how much cooler the koji is at once, by what mixing has taken from this batch and this box.
    """

    change: str
    highest_c: float
    lower_k: float
    passes: tuple[float, ...]
    falls_k: float = 0.0


class Check(Struct, frozen=True):
    """Does the batch do what was forecast?

    Attributes:
        contradicts: it does not, by far and repeatedly.
        miss_k: last reading less what was forecast two hours before it.
        miss_sd: the same in standard deviations of that forecast.
        widened: factor on the spread of the koji now, from how earlier forecasts fared.
        jumps: sudden changes of the readings that no work explains, so far.
    """

    contradicts: bool
    miss_k: float | None
    miss_sd: float | None
    widened: float
    jumps: int


class Forecast(Struct, frozen=True):
    """One forecast. It never silences an alarm; `known` says whether it is more than general experience.

    Attributes:
        at_s: seconds since inoculation it was made for.
        horizon_s: how far it looks.
        known: the batch has shown self-warming and its probe is read; else `why_not` says what is missing.
        why_not: one plain sentence, empty when known.
        bed_now_c, warming_k_per_h, heat_k_per_h: bed, its rate, and the warming its own heat alone would give;
            each the middle of the ensemble.
        grown: middle of the growth reached, 0-1.
        reading_age_s: age of the last bed reading used; None when there was none.
        curve: bed hours ahead.
        quiet_in_h: hours from now for `LimitAnswer.quiet`.
        limits: one answer a limit, in the order asked.
        too_cold: probability of falling below the low limit asked about, by each `quiet_in_h`; empty when none was.
        mix, done, what_if, check: see there.
        seed, schema: reproducibility.
        low_c: the low limit asked about, °C; None where none was.
    """

    at_s: float
    horizon_s: float
    known: bool
    why_not: str
    bed_now_c: float
    warming_k_per_h: float
    heat_k_per_h: float
    grown: float
    reading_age_s: float | None
    curve: Curve
    quiet_in_h: tuple[float, ...]
    limits: tuple[LimitAnswer, ...]
    too_cold: tuple[float, ...]
    mix: MixAnswer
    done: DoneAnswer
    what_if: tuple[WhatIf, ...]
    check: Check
    seed: int
    schema: int = SCHEMA
    low_c: float | None = None


class Prior(Struct, frozen=True):
    """Belief before a batch, as plain numbers.

    Attributes:
        names: parameters of bed and mould, then of the box.
        mean: on each parameter's scale.
        cov: covariance on those scales, row by row.
        batches: finished batches it has learnt from.
        weight: how many batches' worth it still holds after forgetting.
        schema: of this record.
    """

    names: tuple[str, ...]
    mean: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    batches: int = 0
    weight: float = 0.0
    schema: int = PRIOR_SCHEMA


class MixAim(Struct, frozen=True):
    """The next mixing by the schedule: wanted from `from_c` on, before the bed passes `ceiling_c`, °C."""

    from_c: float
    ceiling_c: float


class ForecastSetup(Struct, frozen=True):
    """What the forecast is told about a batch. All optional; what is missing widens the answers.

    Attributes:
        start_c: bed temperature at inoculation.
        set_c: the thermostat's setting.
        mix: when mixing is wanted where no forecast asks for another (34-36 °C at the middle work, 37-40 °C before the
            last, a sake brewers' glossary).
        harvest_from_h, harvest_until_h: the schedule's harvest window, hours since inoculation.
        complete_at: share of full growth that counts as complete.
        members: size of the ensemble.
        kind, cover: of the box and of the rice in it (`model.BoxKind`, `model.Cover`).
    """

    start_c: float | None = None
    set_c: float | None = None
    mix: MixAim = MixAim(36.0, 40.0)
    harvest_from_h: float | None = None
    harvest_until_h: float | None = None
    complete_at: float = 0.95
    members: int = 400
    kind: str = "unknown"
    cover: str = "unknown"
