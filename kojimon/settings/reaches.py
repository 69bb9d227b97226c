"""Whether a probe can show what its schedule warns of: what lies outside its `range` raises no alarm."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from kojimon.correction import correction
from kojimon.document.report import Report
from kojimon.schedule.spec import Schedule
from kojimon.settings.checks import Draft
from kojimon.units import f_from_c

PAST: Final = {"temperature": 2.0, "humidity": 0.0}
"""So far past a limit a range must go, K or %: koji that has reached one climbs on while its delay runs (judgement)."""


def check(draft: Draft, schedules: Mapping[str, Schedule], report: Report) -> None:
    """Tells each range that ends before the critical limit of its place.

    Runs after the checks of the probes, on what they made of ranges and calibrations.

    Args:
        schedules: those that could be read, by name.
    """
    for name, probe in draft.get("probes", {}).items():
        schedule = schedules.get(draft.get("incubators", {}).get(probe.get("incubator"), {}).get("schedule", ""))
        quantity = probe.get("quantity", "temperature")
        try:
            correct = correction(probe.get("calibration", {}).get("points", ()), quantity)
        except ValueError:
            continue  # told already
        limits = list(_limits(schedule, probe.get("place", "bed"), quantity)) if schedule else []
        for end, sign in (("low", -1.0), ("high", 1.0)):
            given = probe.get(f"range_{end}")
            if given is None or not (own := [one for one in limits if one[1].startswith(end)]):
                continue
            limit, side, stage = max(own, key=lambda one: sign * one[0])
            reached = given if correct is None else correct(given)
            short = sign * (limit - reached) + PAST[quantity]
            if short > 0:
                what = f"found {_said(reached, quantity)}, and `{side}` of stage `{stage}` is {_said(limit, quantity)}"
                wanted = f"expected {_difference(short, quantity)} {'lower' if sign < 0 else 'higher'} at least"
                report.at(f"probes.{name}.range.{end}", what, f"{wanted}: what is outside the range raises no alarm")


def _limits(schedule: Schedule, place: str, quantity: str) -> Iterator[tuple[float, str, str]]:
    """Each limit of a place: value, side, stage."""
    for stage in schedule.stages:
        for band in stage.bands:
            if (band.place, band.quantity) == (place, quantity):
                for side in ("low_low", "low", "high", "high_high"):
                    if (limit := getattr(band, side)) is not None:
                        yield limit.limit, side, stage.name


def _said(value: float, quantity: str) -> str:
    return f"{value:.4g} %" if quantity == "humidity" else f"{value:.4g} C ({f_from_c(value):.4g} F)"


def _difference(value: float, quantity: str) -> str:
    return f"{value:.3g} %" if quantity == "humidity" else f"{value:.3g} C ({value * 1.8:.3g} F)"
