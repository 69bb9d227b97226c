"""A forecast as the journal keeps it: small, exact, and refused when it is none."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.forecaster import Forecaster
from kojimon.forecast.kept import calm_until_h, pack, thin, unpack
from kojimon.forecast.prior import published
from tests.forecast import bedtruth
from tests.parts.outlooks import calm_answer, limit_answer, made


def test_a_real_forecast_is_kept_in_little_more_than_a_kilobyte_and_reads_back() -> None:
    batch = bedtruth.one()
    forecaster = Forecaster(ForecastSetup(harvest_from_h=40.0, harvest_until_h=50.0, members=120), published(), 7)
    forecaster.take(
        [(float(batch.t_s[i]), float(batch.bed_c[i]), float(batch.air_c[i]), None, None) for i in range(25 * 60)], ()
    )
    forecast = thin(forecaster.forecast(25 * 3600.0, (43.0, 45.0), low_c=26.0))
    text = msgspec.json.encode(pack(forecast))
    assert len(text) < 1536
    assert unpack(msgspec.json.decode(text)) == forecast


def test_thinning_keeps_the_hours_the_review_asks_for_and_the_night_by_half_hours() -> None:
    kept = thin(made(24.0, limit_answer(43.0, 4.7)))
    assert {0.0, 2.0, 4.0, 6.0, 12.0} <= set(kept.curve.in_h)
    assert kept.curve.p50_c[kept.curve.in_h.index(4.0)] == 40.0
    assert {4.0, 4.5, 5.0, 6.0, 7.0, 12.0} <= set(kept.quiet_in_h) and 6.5 not in kept.quiet_in_h
    assert len(kept.limits[0].quiet) == len(kept.quiet_in_h)


def test_how_long_one_may_sleep() -> None:
    assert calm_until_h(made(24.0, calm_answer(45.0), limit_answer(43.0, 4.7))) == 4.5
    assert calm_until_h(made(24.0, calm_answer(43.0))) == 12.0
    assert calm_until_h(made(24.0, limit_answer(43.0, 0.2))) is None
    restless = tuple(0.5 if hour == 2.0 else 1.0 for hour in made().quiet_in_h)
    assert calm_until_h(made(24.0, replace(calm_answer(43.0), quiet=restless))) == 1.5, "what comes after is no rest"
    cold = tuple(0.0 if hour < 2.0 else 0.3 for hour in made().quiet_in_h)
    assert calm_until_h(made(24.0, calm_answer(43.0), too_cold=cold)) == 1.5


def packed(**changed: Any) -> Any:
    return {**pack(thin(made(24.0, limit_answer(43.0, 4.7)))), **changed}


@pytest.mark.parametrize(
    ("plain", "says"),
    [
        (None, "expected a map"),
        ([1, 2], "expected a map"),
        ({}, "missing required field"),
        (packed(at_s="noon"), "float"),
        (packed(at_s=-5.0), "made at -5.0"),
        (packed(colour="red"), "'colour'"),
        (packed(curve=[[0.0, 1.0], [30.0], [30.0], [30.0], [30.0], [30.0], [30.0]]), "different lengths"),
        (packed(curve=[[0.0], [33.0], [32.0], [31.0], [30.0], [29.0], [30.0]]), "runs backwards"),
        (packed(curve=[[0.0]] * 9), "found 9 values"),
        (packed(grown=1.5), "probability 1.5"),
        (packed(limits=[[43.0, 0.9, [5.0, 4.0, 3.0, 2.0, 1.0], [1.0]]]), "another length"),
        (packed(quiet_in_h=[2.0, 1.0]), "do not rise"),
    ],
)
def test_what_is_no_forecast_is_refused_in_words(plain: Any, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        unpack(plain)


def test_a_likely_range_that_runs_backwards_is_refused() -> None:
    wrong = thin(made(24.0, limit_answer(43.0, 4.7)))
    mix = replace(wrong.mix, wanted_in_h=replace(wrong.mix.wanted_in_h, p10=9.0))
    with pytest.raises(ValueError, match="runs backwards"):
        unpack(pack(replace(wrong, mix=mix)))
