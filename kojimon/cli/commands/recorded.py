"""`kojimon forecast --from`: a recorded curve as if live, and every forecast it would have made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import any_settings
from kojimon.errors import KojimonError, UsageError
from kojimon.settings.installed import has_part
from kojimon.units import median, show_duration
from kojimon.words.outlook import NO_PROBE, NOT_INSTALLED

if TYPE_CHECKING:
    from kojimon.forecast.answers import Forecast
    from kojimon.forecast.recorded import Recorded
    from kojimon.journal.reading.curve_file import Curve
    from kojimon.review.measure.forecasts import Past
    from kojimon.schedule.spec import Schedule
    from kojimon.settings.spec import Box
    from kojimon.words.speech import Speech

USUAL = "rice-koji-sake"
HOUR_ZERO = "inoculate"


def over_curve(
    path: Path, every_s: float, schedule: str | None, incubator: str, config: str | None, as_json: bool
) -> None:
    """Prints every forecast over a curve file, by the schedule and the box of the settings unless another is named.

    Raises KojimonError where forecasts are not installed or the curve has no koji in it.
    """
    import msgspec

    from kojimon.cli.commands.rehearse import _speech

    told = _told_by(schedule, incubator, config)
    made = _forecasts(path, every_s, told, config)[0]
    if as_json:
        box = {"kind": told.box.kind, "cover": told.box.cover}
        rows = msgspec.to_builtins(made)
        screen.print_json({"schedule": told.plan.name, "box": box, "every_s": every_s, "forecasts": rows})
        return
    speech = _speech(config, None)
    screen.say(f"{path}, a forecast every {every_s / 60:g} min, limits of {told.plan.label}:", "head")
    _tell(made, speech)


def over_curves(
    path: Path, every_s: float, schedule: str | None, incubator: str, config: str | None, as_json: bool
) -> None:
    """Prints how the forecasts over a curve, or over every `.csv` of a folder, fared against what came.

    Raises KojimonError as `over_curve`, and where a folder holds no curve.
    """
    import msgspec

    from kojimon.cli.commands.rehearse import _speech
    from kojimon.forecast.words import odds
    from kojimon.review.measure.forecasts import fared, promised
    from kojimon.review.tell.forecasts import leads_table

    told = _told_by(schedule, incubator, config)
    files = sorted(path.glob("*.csv")) if path.is_dir() else [path]
    if not files:
        raise KojimonError(f"{path}: no curve there. Expected files that end in .csv.")
    past = [_forecasts(file, every_s, told, config)[1] for file in files]
    leads, nights = fared(past), promised(past)
    if as_json:
        plain = msgspec.to_builtins({"leads": leads, "nights": nights})
        screen.print_json({"schedule": told.plan.name, "curves": [str(file) for file in files], **plain})
        return
    count = f"{len(files)} curves" if len(files) > 1 else "1 curve"
    screen.say(f"{path}: {count}, a forecast every {every_s / 60:g} min, limits of {told.plan.label}:", "head")
    if not leads:
        screen.say("No forecast knew enough to be held against what came.", "look")
        return
    table = leads_table(leads, _speech(config, None))
    screen.grid([["", *table.heads], *([row.label, *row.cells] for row in table.rows)])
    for night in nights:
        screen.say(
            f"Quiet for {night.hours:.0f} h, said with about {odds(night.said)}: it came "
            f"{night.came} times of {night.count}."
        )


class _Told(NamedTuple):
    """The schedule and the box that forecasts over a curve are made by."""

    plan: Schedule
    box: Box


def _told_by(schedule: str | None, incubator: str, config: str | None) -> _Told:
    """The named schedule, else that of the settings' box; its kind and cover where it is clear which box."""
    from kojimon.cli.commands.rehearse import load
    from kojimon.settings.spec import Box

    settings = any_settings(config)
    boxes = settings.incubators if settings else ()
    named = [one for one in boxes if one.name == incubator] if incubator else list(boxes)
    if incubator and not named:
        known = ", ".join(one.name for one in boxes) or "none"
        raise UsageError(f"--incubator {incubator}: the settings have no such box. They have: {known}.")
    if schedule is None and len({one.schedule.name for one in named}) > 1:
        names = ", ".join(one.name for one in named)
        raise UsageError(f"By which schedule? Your boxes have several: add --schedule, or --incubator: {names}.")
    plan = named[0].schedule if schedule is None and named else load(schedule or USUAL, config)
    return _Told(plan, named[0].box if len(named) == 1 else Box())


def _forecasts(path: Path, every_s: float, told: _Told, config: str | None) -> tuple[list[Forecast], Past]:
    """Every forecast over a curve file, and the same beside what came."""
    if not has_part("forecast"):
        raise KojimonError(NOT_INSTALLED)
    from kojimon.cli.commands.rehearse import _places
    from kojimon.daemon.forecast_batch import low_of, setup_of
    from kojimon.forecast.recorded import forecasts
    from kojimon.journal.reading.curve_file import read_curve
    from kojimon.review.measure.forecasts import STEP_MS, Past

    recorded = recorded_of(read_curve(path, _places(config)), told.plan, str(path))
    setup, made = setup_of(told.plan, told.box.kind, told.box.cover), []
    with screen.progress("Forecasting", recorded.readings[-1][0]) as bar:
        for one in forecasts(recorded, every_s, limits_of_koji(told.plan), setup=setup, low_c=low_of(told.plan)):
            made.append(one)
            bar(one.at_s)
    steps: dict[int, list[float]] = {}
    for t_s, bed_c, *_ in recorded.readings:
        if bed_c is not None:
            steps.setdefault(int(t_s * 1000 // STEP_MS), []).append(bed_c)
    hottest = {step: median(values) for step, values in steps.items()}
    return made, Past([(one.at_s * 1000, one) for one in made], hottest, [at_s * 1000 for at_s, _ in recorded.works])


def limits_of_koji(plan: Schedule) -> tuple[float, ...]:
    """The schedule's highest upper limits of the koji, mildest first."""
    bands = [band for stage in plan.stages for band in stage.bands
             if (band.place, band.quantity) == ("bed", "temperature") and band.high is not None]  # fmt: skip
    top = max(bands, key=lambda band: band.high.limit if band.high else 0.0, default=None)
    return tuple(one.limit for one in (top.high, top.high_high) if one is not None) if top else ()


def recorded_of(curve: Curve, plan: Schedule, name: str) -> Recorded:
    """A curve file as the daemon would have told it: one set of readings a minute since the spores, and what was read
    of the koji by hand."""
    from kojimon.cli.commands.rehearse import SPARSE
    from kojimon.daemon.forecast_batch import WORKS, Subject, mix_of, readings_of
    from kojimon.forecast.recorded import Recorded
    from kojimon.rehearsal import recording_of
    from kojimon.review.measure.minutes import Minute, joined

    sown = [row.t_ms for row in curve.rows if row.step == HOUR_ZERO]
    if curve.start_utc_ms is not None and not sown:
        raise KojimonError(
            f"{name}: nothing says when the spores went on. Expected a step `inoculate` in the column `step`, or a "
            "first column `hour` that counts from there."
        )
    tracks = recording_of(curve).tracks
    probes = tuple((no, one.place, one.quantity) for no, one in enumerate(tracks) if not one.by_hand)
    if not any(place in ("bed", "air") for _, place, _ in probes):
        sparse = any(one.by_hand and not column.by_hand for one, column in zip(tracks, curve.columns, strict=True))
        raise KojimonError(f"{name}: {SPARSE} {NO_PROBE}" if sparse else NO_PROBE)
    subject = Subject("box", "curve", sown[0] if sown else 0, (), probes)
    minutes: dict[int, list[Minute]] = {no: [] for no, _, _ in probes}
    hand: list[tuple[float, str]] = []
    for row in curve.rows:
        for no, value in enumerate(row.values):
            if value is not None and not tracks[no].by_hand:
                joined(minutes[no], (Minute(row.t_ms, row.t_ms, value, value, 1),))
            elif value is not None and (tracks[no].place, tracks[no].quantity) == ("bed", "temperature"):
                hand.append((subject.since_s(row.t_ms), f"read {value:g}"))
    readings = readings_of(subject, minutes)
    if not readings or not (hand or any(row[1] is not None for row in readings)):
        raise KojimonError(f"{name}: no koji temperature after the spores: expected a column `bed.temperature_c`.")
    works = {step.name: step.work for step in plan.steps}
    marks = [(subject.since_s(row.t_ms), row.step) for row in curve.rows if row.step]
    steps = ((at_s, works.get(step, step)) for at_s, step in marks)
    told = [*hand, *(one for one in steps if one[1] in WORKS)]
    mixes = [(at_s, mix_of(plan, {step for earlier_s, step in marks if earlier_s <= at_s})) for at_s, _ in marks]
    return Recorded(
        readings, tuple(sorted(one for one in told if one[0] >= 0)),
        ((0.0, mix_of(plan, ())), *mixes),
    )  # fmt: skip


def _tell(made: list[Forecast], speech: Speech) -> None:
    from kojimon.forecast.compose import STALE_S
    from kojimon.forecast.words import sleep_first

    for one in made:
        age_s, koji = one.reading_age_s, ""
        if age_s is not None and age_s <= STALE_S:
            koji = f", {speech.value('temperature', one.bed_now_c)}"
        elif age_s is not None:
            koji = f", koji last read {show_duration(age_s)} ago"
        first, *rest = sleep_first(one, speech.fahrenheit)
        tone = "look" if one.check.contradicts else "plain"
        screen.say(f"Hour {one.at_s / 3600:.2f}{koji}: {first}", tone)
        if one.known:
            screen.say(" ".join(rest[:-1]), "quiet", indent=2)
