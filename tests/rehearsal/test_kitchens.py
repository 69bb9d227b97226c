"""Kitchens as they are, drawn by hand: what `rehearse` says of each curve for the kind of box it is."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin
from typing import Any

import pytest

from kojimon.cli.commands.rehearse import load
from kojimon.rehearsal import Recording, Rehearsal, Track, rehearse_curve
from kojimon.words.events import Teller
from kojimon.words.speech import Speech
from tests.parts.inputs import says

MIN, H = 60_000, 3_600_000
BED, AIR = Track("koji", "bed", "temperature"), Track("box", "air", "temperature")
Course = Callable[[float], float]


def kitchen(
    bed: Course | None, air: Course | None, kind: str, cover: str = "unknown", hours: float = 46.0,
    schedule: str = "rice-koji-home-trays", steps: tuple[tuple[float, str], ...] = (),
) -> tuple[Rehearsal, list[tuple[float, str]]]:  # fmt: skip
    """°C by the hour, a reading a minute; (hour, line) of what is told."""
    measured = [(track, course) for track, course in ((BED, bed), (AIR, air)) if course is not None]
    tracks, courses = [track for track, _ in measured], [course for _, course in measured]
    readings = [
        (minute * MIN, index, round(course(minute / 60), 2))
        for minute in range(round(hours * 60) + 1) for index, course in enumerate(courses)
    ]  # fmt: skip
    done = [(round(hour * H), name) for hour, name in steps]
    plan = load(schedule, None)
    result = rehearse_curve(Recording(tracks, readings, done, hour0_ms=0), plan, kind=kind, cover=cover)
    teller, lines = Teller(Speech().knowing(plan.steps, plan.stages)), []
    for event in result.events:
        line = teller.tell(event)
        if line is not None:
            lines.append(((event.t_ms - (result.hour0_t_ms or 0)) / H, line.text))
    return result, lines


def stage_h(result: Rehearsal, stage: str) -> float:
    events = [event for event in result.events if (event.kind, event.key) == ("stage", stage)]
    return (events[0].t_ms - (result.hour0_t_ms or 0)) / H


def hours(lines: list[tuple[float, str]], *parts: str) -> list[float]:
    return [hour for hour, text in lines if all(part in text for part in parts)]


def test_a_dead_starter_on_a_mat_is_not_said_to_grow_and_is_harvested_with_a_word() -> None:
    """Koji steady at 32.6, air at 23: nothing grew, however warm the mat keeps it."""
    result, lines = kitchen(lambda h: min(32.6, 31.0 + 0.4 * h), lambda h: 23.0, "heat-mat", "cloth-and-plastic")
    assert stage_h(result, "growing") >= 28.0, "by the clock alone"
    offered = hours(lines, "take the koji out")
    assert offered and len(hours(lines, "take the koji out", "cannot be known. Look and smell")) == len(offered)


def test_the_air_over_a_mat_is_the_rooms_and_calls_nobody() -> None:
    night: Course = lambda h: 20.0 - 4.0 * sin(2 * pi * (h - 4) / 24)  # noqa: E731
    result, lines = kitchen(lambda h: 31.0 + min(6.0, max(0.0, (h - 16) * 0.6)), night, "heat-mat")
    assert hours(lines, "Is the", "on? Check plug") == []
    assert not [event for event in result.events if event.key in ("box/off", "limit/air/temperature/low")]


def test_open_rice_that_dries_in_a_fan_box_is_neither_called_dead_nor_out_of_the_koji() -> None:
    _, lines = kitchen(lambda h: 31.0 - min(9.0, 4.0 * h), lambda h: 32.0, "fan", "open", hours=30.0)
    assert hours(lines, "Probe in it?") == [] and hours(lines, "not warmed itself yet") == []


def test_the_trough_of_a_thermostats_ripple_is_no_growth() -> None:
    """Wrapped trays in a fan box whose air ripples by 2.5 K every half hour: the koji hardly follows."""
    ripple: Course = lambda h: 30.0 + 2.5 * sin(2 * pi * h / 0.5)  # noqa: E731
    result, _ = kitchen(lambda h: 30.5, ripple, "fan", "cloth-and-plastic", hours=27.0)
    assert not [event for event in result.events if (event.kind, event.key) == ("stage", "growing")]


def test_without_a_probe_in_the_koji_the_clock_opens_each_mixing_and_nothing_is_said_of_warmth() -> None:
    result, lines = kitchen(None, lambda h: 30.0, "still", "cloth", hours=36.0, steps=((22.0, "first-check"),))
    assert hours(lines, "not warmed itself yet") == []
    opened = [event for event in result.events if (event.kind, event.key) == ("step-open", "mix")]
    assert opened and (opened[0].t_ms - (result.hour0_t_ms or 0)) / H == pytest.approx(28.0, abs=0.1)


OUT = "It is not known whether the probe is in the koji"


@pytest.mark.parametrize("air", [True, False], ids=["air measured", "koji alone"])
def test_a_probe_left_out_through_the_hot_hours_leaves_the_work_to_the_clock_and_says_so(air: bool) -> None:
    """Mixed at hour 21, the probe laid on the rim since: nothing it shows would ever open the next mixing."""
    def bed(h: float) -> float:
        return 30.0 + (min(8.0, max(0.0, (h - 14.0) * 1.2)) if h < 21.0 else 0.3)
    _, lines = kitchen(
        bed, (lambda h: 30.0) if air else None, "still", "cloth", hours=46.0, steps=((21.0, "first-check"),)
    )  # fmt: skip
    assert hours(lines, "You can now: mix and spread thinner", OUT) == [pytest.approx(27.0, abs=0.05)]
    assert hours(lines, "Due now: mix and spread thinner", OUT) == [pytest.approx(29.0, abs=0.05)]
    offered = hours(lines, "take the koji out")
    assert offered and offered == hours(lines, "take the koji out", OUT)


def test_a_probe_that_is_back_is_believed_again_and_its_koji_opens_the_work() -> None:
    def bed(h: float) -> float:
        return 30.0 + (0.3 if 21.0 <= h < 25.0 else min(7.5, max(0.0, (h - 14.0) * 1.2)))
    _, lines = kitchen(bed, lambda h: 30.0, "still", "cloth", hours=41.0, steps=((21.0, "first-check"),))
    assert hours(lines, "swap the trays", OUT) and hours(lines, "You can now: mix and spread thinner") == []
    assert hours(lines, "take the koji out") and hours(lines, "take the koji out", OUT) == []


def test_mixed_twice_and_never_marked_is_asked_about_twice() -> None:
    def bed(h: float) -> float:
        koji_c = 30.0 + min(9.0, max(0.0, (h - 14.0) * 1.2))
        return koji_c - sum(4.0 * max(0.0, 1 - (h - at) / 3) for at in (24.0, 29.0) if h >= at)
    result, lines = kitchen(bed, lambda h: 30.0, "still", "cloth", hours=33.0)
    guesses: list[Any] = [event for event in result.events if event.kind == "mix-guess"]
    assert [says(event)["step"] for event in guesses] == ["first-check", "mix"]
    assert len(hours(lines, "Mixed?", "cooled suddenly")) == 2


def test_a_box_that_cannot_do_better_is_not_asked_whether_it_is_on() -> None:
    """A fixed box of 85 °F under the sake schedule, whose koji ends under the warm finish's band."""
    works = ((20.0, "mori"), (27.0, "naka"), (33.0, "shimai"))
    bed: Course = lambda h: 29.4 + min(6.5, max(0.0, (h - 14) * 0.5)) - max(0.0, (h - 36) * 0.3)  # noqa: E731
    _, lines = kitchen(bed, lambda h: 29.4, "still", "cloth", schedule="rice-koji-sake", steps=works)
    assert hours(lines, "on? Check") == []
