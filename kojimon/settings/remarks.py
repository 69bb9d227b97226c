"""What is no fault in the settings and may still not be meant: said by `check` and at each start, never refused."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from kojimon.model import Priority
from kojimon.schedule.spec import Limit, Schedule, Stage
from kojimon.settings.spec import Settings

HOT_C, COLD_C = 50.0, 5.0
"""A limit beyond is no warning: koji is dead at the one, and no brewer's room falls to the other (judgement)."""
SLOWEST_S = 7200.0
"""A delay over this wakes nobody in time: koji in full growth gains several kelvin in an hour (judgement)."""


def remarks(settings: Settings, today: date) -> Iterator[str]:
    """A sentence for each: schedules that wake nobody, dates to come, topics of several senders.

    Args:
        today: by the wall clock; calibrations dated later cannot have been.
    """
    for schedule in {box.schedule.name: box.schedule for box in settings.incubators}.values():
        yield from _sleepless(schedule)
    for probe in settings.probes:
        if probe.calibration.date and date.fromisoformat(probe.calibration.date) > today:
            yield f"Probe {probe.name}: its calibration is dated {probe.calibration.date}, and today is {today}."
        if {"+", "#"} & set(probe.topic.split("/")):
            yield (
                f"Probe {probe.name}: `topic: {probe.topic}` takes in whatever is sent below it. Two senders would be "
                "mixed into one reading; name the one topic where there is one."
            )


def _sleepless(schedule: Schedule) -> Iterator[str]:
    """What about the koji's temperature never wakes anybody, by stage."""
    sides = {"heat": ("high", "high_high"), "cold": ("low_low", "low")}
    asleep = {
        what: [stage for stage in schedule.stages if not any(_wakes(one) for one in _limits(stage, keys))]
        for what, keys in sides.items()
    }
    why = (
        f"A limit wakes with `priority: wake`, a delay up to {SLOWEST_S / 3600:g} h, and a level from {COLD_C:g} to "
        f"{HOT_C:g} C ({COLD_C * 1.8 + 32:g} to {HOT_C * 1.8 + 32:g} F)."
    )
    if all(len(stages) == len(schedule.stages) for stages in asleep.values()):
        yield f"Nothing about the temperature of the koji ever wakes anybody with this schedule: {schedule.name}. {why}"
        return
    for what, stages in asleep.items():
        if stages:
            where = ", ".join(f"`{stage.name}`" for stage in stages)
            yield f"No {what} of the koji wakes anybody in {where} of the schedule {schedule.name}. {why}"


def _limits(stage: Stage, sides: tuple[str, ...]) -> Iterator[Limit]:
    for band in stage.bands:
        if (band.place, band.quantity) == ("bed", "temperature"):
            yield from (limit for side in sides if (limit := getattr(band, side)) is not None)


def _wakes(limit: Limit) -> bool:
    return limit.priority == Priority.WAKE and limit.on_delay_s <= SLOWEST_S and COLD_C <= limit.limit <= HOT_C
