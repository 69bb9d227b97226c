"""A recorded curve as if live."""

from __future__ import annotations

import numpy as np
import pytest

from kojimon.errors import UsageError
from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.forecaster import Forecaster
from kojimon.forecast.prior import published
from kojimon.forecast.recorded import Recorded, forecasts
from tests.forecast import bedtruth

SETUP = ForecastSetup(members=80)


def recorded(hours: float) -> Recorded:
    batch = bedtruth.one("substrate", 7, 1)
    rows = np.column_stack((batch.t_s, batch.bed_c, batch.air_c, batch.room_c, batch.rh_pct))[: round(hours * 60)]
    return Recorded(
        tuple((float(t), float(b), float(a), float(r), float(h)) for t, b, a, r, h in rows),
        tuple(step for step in batch.steps if step[0] < hours * 3600),
    )


def test_every_forecast_is_what_live_would_have_said() -> None:
    curve = recorded(20.0)
    made = list(forecasts(curve, 7200.0, (40.0,), setup=SETUP, seed=5))
    assert [one.at_s for one in made] == [7200.0 * i for i in range(10)]
    live = Forecaster(SETUP, published(), 5)
    told = list(curve.works)
    for t_s, *rest in curve.readings:
        while told and told[0][0] <= t_s:
            live.work(*told.pop(0))
        live.observe(t_s, *rest)
        if t_s == 9 * 7200.0:
            assert live.forecast(t_s, (40.0,)) == made[9]
            break


def test_the_future_is_not_looked_at() -> None:
    long, short = (
        list(forecasts(recorded(hours), 3600.0, (40.0,), setup=SETUP, seed=5))[:6] for hours in (12.0, 6.5)
    )
    assert long == short


def test_ten_minutes_apart_gives_every_one() -> None:
    assert len(list(forecasts(recorded(3.0), 600.0, (40.0,), setup=SETUP))) == 18


def test_an_empty_curve_has_no_forecast() -> None:
    assert list(forecasts(Recorded(()), 600.0, (40.0,))) == []


def test_bad_intervals_and_disorder_are_refused() -> None:
    with pytest.raises(UsageError, match="interval above 0"):
        next(forecasts(recorded(1.0), 0.0, (40.0,)))
    with pytest.raises(UsageError, match=r"readings no\. 2 is at 0"):
        next(forecasts(Recorded(((60.0, 30.0, None, None, None), (0.0, 30.0, None, None, None))), 600.0, (40.0,)))
    with pytest.raises(UsageError, match=r"works no\. 2"):
        next(forecasts(Recorded((), ((60.0, "mix"), (0.0, "mix"))), 600.0, (40.0,)))
