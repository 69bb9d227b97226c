"""How forecasts fared: worked by hand."""

from __future__ import annotations

from kojimon.forecast.kept import pack, thin
from kojimon.review.measure.forecasts import HOUR_MS, STEP_MS, Past, fared, read_forecast
from tests.parts.outlooks import limit_answer, made


def warming(per_h: float = 1.0, hours: float = 40.0) -> dict[int, float]:
    """A koji of 30 °C at hour 18 that warms evenly."""
    return {step: 30.0 + per_h * (step * STEP_MS / HOUR_MS - 18.0) for step in range(round(hours * 12))}


def test_a_right_forecast_is_right() -> None:
    known = made(24.0, limit_answer(40.0, 4.0), bed_c=36.0, per_h=1.0)
    (two, four, six) = fared([Past([(24.0 * HOUR_MS, known)], warming(), [])])
    assert (two.off_k, four.off_k, six.off_k) == (0.0, 0.0, 0.0)
    assert two.inside == 1.0 and two.count == 1
    assert four.limit_off_h == 0.0, "passed at hour 28, made four hours before"
    assert two.limit_off_h is None and six.limit_off_h is None


def test_one_that_is_too_cool_is_said_to_be() -> None:
    cool = made(24.0, limit_answer(40.0, 4.6), bed_c=36.0, per_h=0.7)
    (two, four, six) = fared([Past([(24.0 * HOUR_MS, cool)], warming(), [])])
    assert (two.off_k, two.warm_k, two.inside) == (0.6, 0.6, 0.0)
    assert six.off_k == 1.8 and four.limit_off_h == 0.6


def test_what_was_touched_on_the_way_does_not_count() -> None:
    known = made(24.0, bed_c=36.0, per_h=1.0)
    assert [lead.hours for lead in fared([Past([(24.0 * HOUR_MS, known)], warming(), [27.0 * HOUR_MS])])] == [2.0]


def test_neither_do_those_that_did_not_know_nor_hours_without_readings() -> None:
    unknown = made(24.0, known=False, why_not="Not yet.")
    assert fared([Past([(24.0 * HOUR_MS, unknown)], warming(), [])]) == ()
    assert fared([Past([(38.5 * HOUR_MS, made(38.5))], warming(hours=40.0), [])]) == ()


def test_refused_forecasts_are_left_out() -> None:
    assert read_forecast({"at_s": 1.0}) is None
    assert read_forecast(pack(thin(made()))) == thin(made())


def test_one_that_is_too_warm_is_not_inside_either() -> None:
    warm = made(24.0, limit_answer(40.0, 3.0), bed_c=36.0, per_h=2.0)
    (two, *_) = fared([Past([(24.0 * HOUR_MS, warm)], warming(), [])])
    assert (two.warm_k, two.inside) == (-2.0, 0.0)
