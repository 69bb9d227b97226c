"""What a batch under a schedule as shipped is told: curves through the real engine, its events in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import pi, sin

import pytest

from kojimon.cli.commands.rehearse import load
from kojimon.model import Event
from kojimon.rehearsal import Recording, Rehearsal, Track, rehearse_curve
from kojimon.words.events import Teller
from kojimon.words.speech import Speech
from tests.parts.inputs import says

MIN, H = 60_000, 3_600_000
BED, AIR = Track("koji", "bed", "temperature"), Track("box", "air", "temperature")
HOT_OVER = "Back to normal, not acknowledged: the koji was too warm"

Course = Callable[[float], float]


def rehearsed(
    hours: float, bed: Course, air: Course | None = None, steps: Sequence[tuple[float, str]] = (),
    every_ms: int = MIN,
) -> Rehearsal:  # fmt: skip
    """Courses of °C by the hour, a reading a minute, under the schedule for trays at home."""
    courses = [bed] if air is None else [bed, air]
    readings = [
        (t_ms, index, round(course(t_ms / H), 2))
        for t_ms in range(0, round(hours * H) + 1, every_ms)
        for index, course in enumerate(courses)
    ]
    done = [(round(hour * H), name) for hour, name in steps]
    return rehearse_curve(
        Recording((BED, AIR)[: len(courses)], readings, done, hour0_ms=0), load("rice-koji-home-trays", None)
    )


def told(result: Rehearsal, fahrenheit: bool = False) -> list[tuple[float, str]]:
    """(hour, line) of all that is told."""
    plan = load("rice-koji-home-trays", None)
    teller = Teller(Speech(fahrenheit=fahrenheit).knowing(plan.steps, plan.stages))
    lines = [(event, teller.tell(event)) for event in result.events]
    return [(hour_of(result, event), line.text) for event, line in lines if line is not None]


def hour_of(result: Rehearsal, event: Event) -> float:
    return round((event.t_ms - (result.hour0_t_ms or 0)) / H, 2)


def found(lines: list[tuple[float, str]], part: str) -> list[float]:
    """The hours of the lines that hold these words."""
    return [hour for hour, text in lines if part in text]


# -- a probe that falls out of hot koji ------------------------------------------------------------------------------


def falling(to_c: float) -> Course:
    """Koji at 44 °C from hour 27; between hours 30 and 32 its probe shows something else."""
    return lambda h: to_c if 30 < h < 32 else 31 if h < 14 else min(44, 31 + (h - 14))


def test_a_fall_that_no_mixing_makes_ends_no_alarm() -> None:
    lines = told(rehearsed(34, falling(27)))
    assert not found(lines, HOT_OVER)
    assert found(lines, "Probe koji fell from 44.0 °C to 27.0 °C: out of the koji?") == [30.02]
    assert found(lines, "The koji 27 °C (was over 43). Is the probe in the koji? Look.")


def test_nor_does_one_seen_every_ten_seconds_through_its_sheath() -> None:
    """A steel tip in air: time constant 40 s (judgement)."""
    slow = lambda h: 27 + 17 * 0.5 ** ((h - 30) * 3600 / 28) if 30 < h < 32 else falling(44)(h)  # noqa: E731
    lines = told(rehearsed(33, slow, every_ms=10_000))
    assert not found(lines, HOT_OVER)
    assert len(found(lines, "out of the koji?")) == 1


def test_a_fall_as_mixing_makes_it_is_back_to_normal() -> None:
    lines = told(rehearsed(34, falling(38)))
    assert found(lines, HOT_OVER) == [30.03]
    assert not found(lines, "out of the koji?")


def test_work_that_is_marked_explains_the_fall() -> None:
    lines = told(rehearsed(31.9, falling(27), steps=[(31, "first-check")]))
    assert found(lines, "out of the koji?") == [30.02]
    assert found(lines, "Back to normal: the koji was too warm") == [31.17]  # when it is seen not to rise on


def test_a_probe_that_is_back_in_cooler_koji_is_back_to_normal() -> None:
    lines = told(rehearsed(33, lambda h: 38 if h >= 30.5 else falling(27)(h)))
    assert found(lines, HOT_OVER) == [30.52]


# -- a lone probe left out after mixing ------------------------------------------------------------------------------

FOLLOWS = "Since the work on the koji its probe follows the box air. Is it back in the koji?"
UNANSWERED = "It is not known whether the probe is back in the koji"


def air(h: float) -> float:
    """A thermostat's air: 30 °C, half a degree up and down every ten minutes."""
    return 30 + 0.5 * sin(2 * pi * h * 6)


def mixed_at_26(after: Course) -> list[tuple[float, str]]:
    """Koji that is at 38 °C by hour 24, mixed at hour 26."""
    before: Course = lambda h: 31 if h < 14 else min(38.0, 31 + 0.7 * (h - 14))  # noqa: E731
    return told(rehearsed(34, lambda h: before(h) if h <= 26 else after(h), air, [(26, "first-check")]))


@pytest.mark.parametrize("above_k", [0.0, 1.5])
def test_a_lone_probe_left_out_after_mixing_is_told_of(above_k: float) -> None:
    lines = mixed_at_26(lambda h: air(h) + above_k)
    (at,) = found(lines, FOLLOWS) + found(lines, "out of the koji? Until it is back")
    assert 26.3 < at < 27.5
    assert found(lines, UNANSWERED) == [28.0]


def test_koji_that_warms_again_is_not_asked_for() -> None:
    lines = mixed_at_26(lambda h: min(38.0, 32 + (h - 26)))
    assert not found(lines, FOLLOWS)
    assert not found(lines, UNANSWERED), "the readings showed it"


def test_koji_that_had_no_heat_of_its_own_yet_may_be_as_warm_as_the_air() -> None:
    lines = told(rehearsed(30, lambda h: 31, air, [(20, "first-check")]))
    assert not found(lines, FOLLOWS)
    assert found(lines, UNANSWERED) == [22.0]


# -- a box that runs away, and changes of stage ----------------------------------------------------------------------


def test_koji_colder_than_the_air_warms_itself_not() -> None:
    """The air climbs to 45 °C from hour 2 on; the koji follows 5 K behind."""
    hot: Course = lambda h: min(45.5, 30 + 2.5 * max(0.0, h - 2))  # noqa: E731
    lines = told(rehearsed(20, lambda h: max(30, hot(h) - 5), hot))
    assert found(lines, "The koji 40"), "too warm is called"
    assert not found(lines, "Stage: watching for heat")
    assert not found(lines, "Back to normal")


def test_koji_that_rises_with_its_air_does_not_warm_itself_until_it_leaves_it_behind() -> None:
    lines = told(rehearsed(20, lambda h: min(38, 31 + 0.5 * h), lambda h: 31 + 0.4 * h if h < 6 else 33.4))
    (at,) = found(lines, "Stage: watching for heat")
    assert 8.5 < at < 10.5


def test_no_stage_that_begins_by_itself_ends_a_standing_call_of_hot_koji() -> None:
    """Koji at 41 °C from hour 8: over 40, and still so once it counts as warming itself."""
    lines = told(rehearsed(13, lambda h: 31 if h < 7.6 else min(41, 31 + 30 * (h - 7.6)), lambda h: 30))
    assert found(lines, "Stage: watching for heat") and found(lines, "The koji 4")
    assert not found(lines, "Back to normal: the koji was too warm") and not found(lines, HOT_OVER)
    assert not found(lines, "another limit, 43 °C")


@pytest.mark.parametrize("hours", [17.0, 33.0])
def test_a_lamp_that_heats_air_and_koji_is_no_growth_and_its_call_is_not_taken_back(hours: float) -> None:
    """Air from 31 to 41 °C within hours, the koji about as warm: 40 calls, and neither heat nor the clock ends that."""
    lines = told(rehearsed(hours, lambda h: min(41.5, 31 + 0.72 * h), lambda h: min(41.0, 31 + 0.75 * h)))
    grown = found(lines, "Stage: watching for heat")
    assert grown == ([28.0] if hours > 28 else [])
    assert min(found(lines, "The koji 40")) < 14 and not found(lines, "Back to normal: the koji was too warm")
    assert not found(lines, "another limit, 43 °C")


def test_a_mat_that_runs_away_calls_at_the_lower_limit_however_it_looks_like_growth() -> None:
    """In a room of 20 °C, by 1.3 K an hour from hour 3 on: early koji keeps the limit of koji that settles in."""
    lines = told(rehearsed(13, lambda h: 31.5 + 1.3 * max(0.0, h - 3), lambda h: 20.0))
    assert found(lines, "Stage: watching for heat")
    assert min(found(lines, "The koji 40")) < 10.0


def test_a_stage_without_such_a_limit_is_not_back_to_normal() -> None:
    damp = Track("damp", "air", "humidity")
    readings = [(t_ms, i, v) for t_ms in range(0, 41 * H, MIN) for i, v in enumerate((36.0, 35.0))]
    result = rehearse_curve(Recording((BED, damp), readings, hour0_ms=0), load("rice-koji-home-trays", None))
    over = [event for event in result.events if event.key == "limit/air/humidity/low" and says(event)["event"] == "off"]
    assert [(hour_of(result, event), says(event)["ended"]) for event in over] == [(40.0, "stage")]
    assert not found(told(result), "Back to normal: box air was too dry")


def test_repeats_name_the_limit_the_alarm_was_raised_by() -> None:
    hot: Course = lambda h: min(45.5, 30 + 2.5 * max(0.0, h - 2))  # noqa: E731
    box = [text for _, text in told(rehearsed(12, lambda h: 31, hot)) if "Box air" in text and "(limit" in text]
    assert len(box) > 10
    assert all("(limit 36)" in text for text in box)


# -- time to a limit -------------------------------------------------------------------------------------------------


def test_the_limit_itself_takes_over_from_soon_too_hot_without_a_word() -> None:
    lines = told(rehearsed(28, falling(44)))
    assert found(lines, "The koji 42.6 °C, 43 in 23 min.") == [25.63]
    assert found(lines, "The koji 43.2 °C (limit 43)") == [26.17]
    assert not found(lines, "Back to normal")


def test_a_probe_put_back_makes_no_forecast() -> None:
    """Mixed at hour 26, 24 min on the rim, then in koji at 34 °C that gains 1 K an hour."""
    course: Course = lambda h: 38 if h <= 26 else 30 if h < 26.4 else 33.4 + (h - 26.4)  # noqa: E731
    lines = told(rehearsed(29, course, lambda h: 30, [(26, "first-check")]))
    assert not found(lines, " in 2")
    assert not found(lines, "at 43")


# -- what is advised -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hour", [25.0, 41.0])
def test_hot_koji_in_hotter_air_is_not_to_be_spread(hour: float) -> None:
    """Koji that was 38 °C and above the air; then the box heats it to 44 °C, 3 K behind the air."""
    bed: Course = lambda h: 31 if h < 14 else min(38.0, 31 + (h - 14)) if h < hour else min(44, 38 + 4 * (h - hour))  # noqa: E731
    lines = told(rehearsed(hour + 4, bed, lambda h: 30 if h < hour else bed(h) + 3))
    called = [text for at, text in lines if "The koji 4" in text and at > hour]
    assert called
    assert all(text.endswith("Less heat, or open it.") for text in called)
