"""Limits that move from one stage's to the next one's."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.engine import view
from kojimon.schedule.spec import Band
from tests.alarms.build import LOW, MIN, Case, H, high, limit, schedule

RAMP_S = 80 * MIN


def ramped(before: Band, after: Band) -> Case:
    """A batch whose second stage begins now, its limits on their way."""
    case = Case(schedule(before, later=(replace(after, ramp_s=RAMP_S),)))
    case.hold(300, every_s=30)
    case.do("step.done", step="turn")
    return case


def in_force(case: Case) -> Band:
    (band,) = view(case.state, case.rows.t_ms).incubators[0].bands
    return band


def test_a_limit_is_on_its_way_by_the_share_of_the_time_that_has_passed() -> None:
    """Between stages with 35 and 43 °C over 80 min a straight line says 36, 39, 42 °C after 10, 40 and 70 min."""
    case, seen = ramped(high(35.0), high(43.0)), []
    for minutes in (10, 30, 30, 30):
        case.hold(minutes * MIN, every_s=30)
        seen.append(in_force(case).high)
    assert seen == pytest.approx([36.0, 39.0, 42.0, 43.0])


def test_it_moves_each_minute_without_a_reading_in_between() -> None:
    case, seen = ramped(high(35.0), high(43.0)), []
    for _ in range(3):
        case.rows.at(case.at_s + MIN)
        case.run()
        seen.append(in_force(case).high)
    assert seen == pytest.approx([35.1, 35.2, 35.3])


@pytest.mark.parametrize(("after_min", "calls"), [(30, True), (70, False)])
def test_koji_is_judged_by_the_limit_of_the_hour(after_min: float, calls: bool) -> None:
    """40 °C is too hot half an hour after 35 °C was the limit, and not ten minutes before 43 °C is."""
    case = ramped(high(35.0), high(43.0))
    case.hold(after_min * MIN, every_s=30).hold(3 * MIN, bed=40.0)
    assert bool(case.moves()) is calls


def test_koji_that_stays_as_it_is_is_called_when_the_limit_has_come_down_to_it() -> None:
    """From 43 to 35 °C in 80 min: 39.5 °C is the limit after 35."""
    case = ramped(high(43.0), high(35.0))
    began_s = case.at_s
    case.hold(45 * MIN, every_s=15, bed=39.5)
    ((at_s, signal, _),) = case.moves()
    assert signal == "on" and began_s + 36 * MIN <= at_s <= began_s + 38 * MIN


def test_a_low_limit_moves_too_and_one_that_was_not_there_before_holds_at_once() -> None:
    before, after = Band("bed", "temperature", low=limit(22.0)), Band("bed", "temperature", low=limit(26.0))
    case = ramped(before, replace(after, high=limit(43.0)))
    case.hold(40 * MIN, every_s=30)
    assert (in_force(case).low, in_force(case).high) == (pytest.approx(24.0), 43.0)
    case.hold(3 * MIN, bed=24.5)
    assert case.moves(LOW) == []
    case.hold(H, every_s=30)
    assert [to for _, _, to in case.moves(LOW)] == ["UNACK"]
