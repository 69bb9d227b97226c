"""How the spread ahead follows the batch's own misses: towards the evidence, shrunk while there is little of it."""

from __future__ import annotations

import numpy as np
import pytest

from kojimon.forecast import ahead
from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.forecaster import Forecaster
from kojimon.forecast.prior import published
from kojimon.forecast.record import (
    LEAN,
    LEAN_MOST,
    SCALE_LEAST,
    SCALE_MOST,
    SCALE_RATIO,
    SCALE_RATIO_PER_H,
    SCALE_START,
    SCALE_WORKED,
    Record,
)

IN_H = np.array([0.0, 2.0, 12.0])


def told(*misses: float) -> Forecaster:
    forecaster = Forecaster(ForecastSetup(members=20), published(), 1)
    forecaster.record.misses.extend(misses)
    return forecaster


def missed(*misses: float) -> Record:
    record = Record()
    record.misses.extend(misses)
    return record


def test_before_any_miss_the_spread_is_what_was_assumed() -> None:
    assert missed().scale(IN_H) == pytest.approx((SCALE_RATIO + SCALE_RATIO_PER_H * IN_H) * SCALE_START)


def test_more_misses_weigh_more() -> None:
    few, many = missed(1.2).scale(IN_H), missed(*[1.2] * 12).scale(IN_H)
    assert (missed().scale(IN_H) < few).all()
    assert (few < many).all()


def test_a_good_record_narrows_and_a_bad_one_widens_within_bounds() -> None:
    good = missed(*[0.0] * 12).scale(IN_H)
    assert (good < missed().scale(IN_H)).all()
    assert good[0] == pytest.approx(SCALE_LEAST)
    assert missed(*[5.0] * 12).scale(IN_H) == pytest.approx(SCALE_MOST)


def test_a_forecast_tells_how_much_wider_it_is_for_its_record() -> None:
    for record in ((), (0.0,) * 12, (1.2,) * 12):
        forecaster = told(*record)
        assert forecaster.forecast(0.0, ()).check.widened == pytest.approx(forecaster.record.scale(IN_H)[0], abs=0.01)


def test_work_on_the_koji_ends_what_earlier_misses_say() -> None:
    forecaster = told(*[0.0] * 12)
    narrow = forecaster.record.scale(IN_H)
    forecaster.work(0.0, "mix")
    forecaster.observe(300.0, 32.0, 30.0)
    assert (forecaster.record.scale(IN_H) > narrow).all()
    assert forecaster.record.scale(IN_H) == pytest.approx(missed().scale(IN_H) * SCALE_WORKED / SCALE_START)


def test_the_middle_leans_to_the_side_of_the_last_misses() -> None:
    """Warmer than foreseen four times in a row: warmer from now on too, by a share of it, and bounded."""
    assert missed().lean() == 0.0 and missed(9.0).lean() == LEAN * LEAN_MOST / 2
    assert missed(-1.0, *[1.0] * 4).lean() == pytest.approx(LEAN * 0.8)
    level, warm = (told(*misses).forecast(0.0, ()).curve.p50_c for misses in ([0.0] * 4, [1.0] * 4))
    assert all(later > earlier + 0.2 for earlier, later in zip(level[8:], warm[8:], strict=True))


def test_paths_keep_their_middle_and_order_where_nothing_leans() -> None:
    paths = np.random.default_rng(1).normal(25.0, 2.0, (3, 2, 41))
    drawn = ahead.corrected(paths, -50.0, np.array([0.5, 1.0, 2.0]), 0.0)
    assert np.median(drawn, axis=-1) == pytest.approx(np.median(paths, axis=-1))
    assert drawn.std(axis=-1) == pytest.approx(paths.std(axis=-1) * np.array([[0.5], [1.0], [2.0]]))
    assert (np.argsort(drawn, axis=-1) == np.argsort(paths, axis=-1)).all()


def test_what_is_not_known_makes_no_path_hotter_than_heat_lets_koji_grow() -> None:
    paths = np.linspace(30.0, 44.0, 41)[None, None, :]
    wide = ahead.corrected(paths, -50.0, np.array([2.0]), 0.5)
    assert wide.min() < paths.min() and (wide[paths > ahead.HARM_C] == paths[paths > ahead.HARM_C]).all()
    assert ahead.corrected(paths, -50.0, np.array([1.0]), -0.5).max() < paths.max()


def test_what_is_not_known_makes_no_path_colder_than_the_room_may_become() -> None:
    """Half the boxes hold, half have gone off: thrice the spread would send those below the room they cool towards."""
    paths = np.array([[[30.0] * 21 + [22.0] * 20]])
    assert ahead.corrected(paths, 20.0, np.array([3.0]), -0.5).min() == 20.0 - ahead.ROOM_FALLS_K
