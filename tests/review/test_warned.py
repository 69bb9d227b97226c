"""How early forecasts warned of a limit: worked by hand."""

from __future__ import annotations

from kojimon.forecast.answers import Forecast
from kojimon.review.measure.forecasts import HOUR_MS, STEP_MS
from kojimon.review.measure.warned import Passing, Warnings, warned
from tests.parts.outlooks import calm_answer, limit_answer, made

Made = tuple[float, Forecast]


def warming(until_h: float = 32.0, peak_c: float = 99.0) -> dict[int, float]:
    """A koji of 30 °C at hour 18 that warms by 1 K/h: 40 °C at hour 28; never above `peak_c`."""
    steps = range(18 * 12, round(until_h * 12))
    return {step: min(peak_c, 30.0 + step * STEP_MS / HOUR_MS - 18.0) for step in steps}


def at(hour: float, in_h: float | None, half_h: float = 0.5, passes: float = 0.95) -> Made:
    """A forecast of 40 °C in so many hours; None: not within its 12 h."""
    answer = calm_answer(40.0) if in_h is None else limit_answer(40.0, in_h, half_h, passes)
    return hour * HOUR_MS, made(hour, answer)


def only(forecasts: list[Made], hottest: dict[int, float], works_h: tuple[float, ...] = ()) -> Passing:
    (found,) = warned(forecasts, hottest, [hour * HOUR_MS for hour in works_h]).passings
    return found


def test_the_first_warning_and_since_when_it_was_right() -> None:
    """Passed at hour 28. At 20 nothing is said; at 22 it is said for 32 (4 h late), at 24 for 28.3, at 26 for 27.9."""
    found = only([at(20, None), at(22, 10.0), at(24, 4.3), at(26, 1.9)], warming())
    assert found == Passing(40.0, 28.0, known=4, since_h=8.0, first_h=6.0, right_h=4.0)


def test_a_right_hour_that_was_given_up_again_does_not_count() -> None:
    found = only([at(22, 6.0), at(24, 9.0), at(26, 2.0)], warming())
    assert (found.first_h, found.right_h) == (6.0, 2.0)
    assert only([at(22, 6.0), at(26, 5.0)], warming()).right_h is None, "the last one was wrong"


def test_less_than_an_even_chance_is_no_warning() -> None:
    found = only([at(22, 6.0, passes=0.4), at(25, 3.0, passes=0.5)], warming())
    assert (found.first_h, found.right_h) == (3.0, 3.0)
    assert only([at(22, None)], warming()).first_h is None


def test_what_was_said_before_somebody_worked_on_the_koji_is_no_warning_of_this() -> None:
    found = only([at(22, 6.0), at(26, 2.0)], warming(), works_h=(25.0,))
    assert found == Passing(40.0, 28.0, known=1, since_h=2.0, first_h=2.0, right_h=2.0)
    assert only([at(22, 6.0)], warming(), works_h=(25.0,)) == Passing(40.0, 28.0, known=0)


def test_forecasts_that_did_not_know_warn_of_nothing() -> None:
    blind = made(22.0, limit_answer(40.0, 6.0), known=False, why_not="Not yet.")
    assert only([(22.0 * HOUR_MS, blind)], warming()) == Passing(40.0, 28.0, known=0)


def test_trembling_about_the_limit_is_one_passing_a_mixing_and_a_new_rise_another() -> None:
    hottest = warming(30.0)
    for step in range(28 * 12, 29 * 12):
        hottest[step] = 40.0 if step % 2 else 39.8
    for step in range(29 * 12, 32 * 12):
        hottest[step] = 38.0 + (step - 29 * 12) / 12
    found = warned([at(26, 2.0), at(29.5, 1.5)], hottest, [29.0 * HOUR_MS])
    assert [(one.hour, one.known) for one in found.passings] == [(28.083, 1), (31.0, 1)]


def test_a_limit_of_a_stage_that_is_over_is_not_listed() -> None:
    early, late = (made(hour, limit_answer(limit_c, 3.0)) for hour, limit_c in ((19.0, 35.0), (22.0, 45.0)))
    assert warned([(19.0 * HOUR_MS, early), (22.0 * HOUR_MS, late)], warming(), []).passings == ()


def test_what_became_of_the_warnings() -> None:
    """The koji stops at 39 °C (hour 27) and is worked on at hour 33; readings end at hour 45.

    At 22, 24 and 26 nothing came although each range was over by hour 32; at 30 the range reached to hour 35, but
    hands came at 33; at 34 the range was over at 37.1, long before the end; at 44 the readings ended first.
    """
    said = [at(22, 6.0), at(24, 5.0), at(26, 2.0), at(28, None), at(30, 4.5), at(34, 2.5), at(44, 4.0)]
    found = warned(said, warming(45.0, peak_c=39.0), [33.0 * HOUR_MS])
    assert found.passings == ()
    assert found.warnings == (Warnings(40.0, said=6, came=0, never=4, hands=1, unknown=1),)


def test_warnings_that_came_true_early_late_or_after_a_gap() -> None:
    said = [at(20, 4.0), at(24, 4.0), at(26, 2.0), at(29, 1.0)]
    found = warned(said, warming(), [])
    assert found.warnings == (Warnings(40.0, said=3, came=3, never=0, hands=0, unknown=0),), (
        "at 29 it was above already"
    )
    holes = {step: value for step, value in warming(45.0, peak_c=39.0).items() if not 27 * 12 < step < 29 * 12}
    assert warned([at(26, 2.0)], holes, []).warnings == (Warnings(40.0, said=1, came=0, never=0, hands=0, unknown=1),)


def test_limits_that_ramp_are_one_limit() -> None:
    one, other = (made(hour, limit_answer(limit_c, left)) for hour, limit_c, left in ((24, 40.0, 4.0), (26, 40.2, 2.2)))
    found = warned([(24.0 * HOUR_MS, one), (26.0 * HOUR_MS, other)], warming(), [])
    assert [one.known for one in found.passings] == [2]
