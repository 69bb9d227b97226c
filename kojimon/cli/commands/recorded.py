"""`kojimon forecast --from`: a recorded curve as if live, and every forecast it would have made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from kojimon.cli.shared import screen
from kojimon.errors import KojimonError
from kojimon.settings.installed import has_part
from kojimon.words.outlook import NOT_INSTALLED

if TYPE_CHECKING:
    from kojimon.forecast.answers import Forecast
    from kojimon.forecast.recorded import Recorded
    from kojimon.journal.reading.curve_file import Curve
    from kojimon.schedule.spec import Schedule
    from kojimon.words.speech import Speech

USUAL = "rice-koji-sake"
HOUR_ZERO = "inoculate"


def over_curve(path: Path, every_s: float, schedule: str | None, config: str | None, as_json: bool) -> None:
    """Prints every forecast over a curve file.

    Raises KojimonError where forecasts are not installed or the curve has no koji in it.
    """
    if not has_part("forecast"):
        raise KojimonError(NOT_INSTALLED)
    import msgspec

    from kojimon.cli.commands.rehearse import _places, _speech, load
    from kojimon.daemon.forecast_batch import setup_of
    from kojimon.forecast.recorded import forecasts
    from kojimon.journal.reading.curve_file import read_curve

    plan = load(schedule or USUAL, config)
    recorded = recorded_of(read_curve(path, _places(config)), plan, str(path))
    made = []
    with screen.progress("Forecasting", recorded.readings[-1][0]) as bar:
        for one in forecasts(recorded, every_s, limits_of_koji(plan), setup=setup_of(plan)):
            made.append(one)
            bar(one.at_s)
    if as_json:
        screen.print_json({"schedule": plan.name, "every_s": every_s, "forecasts": msgspec.to_builtins(made)})
        return
    screen.say(f"{path}, a forecast every {every_s / 60:g} min, limits of {plan.label}:", "head")
    _tell(made, _speech(config, None))


def limits_of_koji(plan: Schedule) -> tuple[float, ...]:
    """The schedule's highest upper limits of the koji, mildest first."""
    bands = [band for stage in plan.stages for band in stage.bands
             if (band.place, band.quantity) == ("bed", "temperature") and band.high is not None]  # fmt: skip
    top = max(bands, key=lambda band: band.high.limit if band.high else 0.0, default=None)
    return tuple(one.limit for one in (top.high, top.high_high) if one is not None) if top else ()


def recorded_of(curve: Curve, plan: Schedule, name: str) -> Recorded:
    """A curve file as the daemon would have told it: one set of readings a minute since the spores."""
    from kojimon.daemon.forecast_batch import WORKS, Subject, mix_of, readings_of
    from kojimon.forecast.recorded import Recorded
    from kojimon.review.measure.minutes import Minute, joined

    sown = [row.t_ms for row in curve.rows if row.step == HOUR_ZERO]
    if curve.start_utc_ms is not None and not sown:
        raise KojimonError(
            f"{name}: nothing says when the spores went on. Expected a step `inoculate` in the column `step`, or a "
            "first column `hour` that counts from there."
        )
    probes = tuple((no, column.place, column.quantity) for no, column in enumerate(curve.columns))
    subject = Subject("box", "curve", sown[0] if sown else 0, (), probes)
    minutes: dict[int, list[Minute]] = {no: [] for no, _, _ in probes}
    for row in curve.rows:
        for no, value in enumerate(row.values):
            if value is not None:
                joined(minutes[no], (Minute(row.t_ms, row.t_ms, value, value, 1),))
    readings = readings_of(subject, minutes)
    if not any(row[1] is not None for row in readings):
        raise KojimonError(f"{name}: no koji temperature after the spores: expected a column `bed.temperature_c`.")
    works = {step.name: step.work for step in plan.steps}
    marks = [(subject.since_s(row.t_ms), row.step) for row in curve.rows if row.step]
    done = tuple((at_s, works.get(step, step)) for at_s, step in marks)
    mixes = [(at_s, mix_of(plan, {step for earlier_s, step in marks if earlier_s <= at_s})) for at_s, _ in marks]
    return Recorded(
        readings, tuple((at_s, work) for at_s, work in done if work in WORKS and at_s >= 0),
        ((0.0, mix_of(plan, ())), *mixes),
    )  # fmt: skip


def _tell(made: list[Forecast], speech: Speech) -> None:
    from kojimon.forecast.words import sleep_first

    for one in made:
        koji = f", {speech.value('temperature', one.bed_now_c)}" if one.reading_age_s is not None else ""
        first, *rest = sleep_first(one, speech.fahrenheit)
        tone = "look" if one.check.contradicts else "plain"
        screen.say(f"Hour {one.at_s / 3600:.2f}{koji}: {first}", tone)
        if one.known:
            screen.say(" ".join(rest[:-1]), "quiet", indent=2)
