"""A batch with its readings counted: curves, figures, alarms, how probes and forecasts fared. Nothing is written."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence

from msgspec import Struct

from kojimon.contract.inputs import Forecast
from kojimon.journal.reading.certificates import certificates
from kojimon.journal.reading.reader import Reader
from kojimon.model import Quality
from kojimon.review.load import Case, load_case
from kojimon.review.measure.alarms import AlarmFigures, alarm_figures
from kojimon.review.measure.figures import Figures, figures
from kojimon.review.measure.forecasts import STEP_MS, Lead, Past, fared, read_forecast
from kojimon.review.measure.minutes import middles, minutes_of
from kojimon.review.measure.quality import ProbeQuality, quality_of
from kojimon.review.measure.series import Series, gap_of
from kojimon.review.measure.stays import site_at
from kojimon.review.measure.warned import Warned, warned

Progress = Callable[[int, int], None]


class Review(Struct, frozen=True):
    """A case with its readings counted."""

    case: Case
    curves: tuple[Series, ...]
    figures: Figures
    alarms: AlarmFigures
    quality: tuple[ProbeQuality, ...]
    forecasts: tuple[Lead, ...] = ()
    warned: Warned = Warned()


def load_review(reader: Reader, batch: str, progress: Progress | None = None) -> Review:
    """The batch with all its figures; reads every reading once, in pages.

    Args:
        progress: told rows done and rows in all.
    """
    case = load_case(reader, batch)
    curves, verdicts = read_curves(reader, case, progress)
    stored = certificates(reader, case.t1_ms)
    leads, warnings = _forecasts(reader, case, curves)
    return Review(
        case=case,
        curves=tuple(curves),
        figures=figures(curves, case.story, case.bands, case.hours, case.end_ms),
        alarms=alarm_figures(case.events, max(case.t0_ms, case.hours.zero_ms), case.t1_ms),
        quality=tuple(
            quality_of(
                one, verdicts.get(one.probe, {}), case.end_ms, case.settings, stored.get(one.probe), case.watched_ms
            )
            for one in whole(curves)
        ),
        forecasts=leads,
        warned=warnings,
    )


def _forecasts(reader: Reader, case: Case, curves: Sequence[Series]) -> tuple[tuple[Lead, ...], Warned]:
    """How the forecasts of the batch fared, and how early they warned."""
    first, end = reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1)
    made = []
    for row in reader.inputs(Forecast.kind, first, end):
        told = row.what
        one = read_forecast(told.forecast) if isinstance(told, Forecast) and told.batch == case.row.id else None
        if one is not None and isinstance(told, Forecast):
            made.append((case.hours.ms(row.t_ms if told.made_ms is None else told.made_ms), one))
    if not made:
        return (), Warned()
    beds = [minutes_of(one) for one in curves if one.place == "bed" and one.quantity == "temperature"]
    hot = middles(beds, STEP_MS)
    works = [float(case.hours.ms(work.at_ms)) for work in case.story.works]
    return fared([Past(made, hot, works)]), warned(made, hot, works)


def read_curves(
    reader: Reader, case: Case, progress: Progress | None = None
) -> tuple[list[Series], dict[str, dict[int, int]]]:
    """Every good reading of the batch's probes by probe and tray, and how many readings of each verdict each had."""
    times = {seat: array("q") for seat in case.seats}
    values = {seat: array("d") for seat in case.seats}
    present = dict(case.probes)
    verdicts: dict[int, dict[int, int]] = {no: {} for no in case.probes}
    good = int(Quality.GOOD)
    axis = case.hours.ms if case.hours.anchors else None
    zero_ms = case.hours.zero_ms
    first, end = reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1)
    for page in reader.stored_pages(first, end):
        for _seq, t_ms, no, raw, value, verdict in page:
            counted = verdicts.get(no)
            if counted is None:
                continue
            counted[verdict] = counted.get(verdict, 0) + 1
            true = raw if value is None else value
            if verdict == good and true is not None:
                if no in case.stays:
                    present[no] = site_at(case.stays[no], t_ms)
                seat = no, present[no]
                times[seat].append(t_ms - zero_ms if axis is None else axis(t_ms))
                values[seat].append(true)
        if progress is not None:
            progress(page[-1][0] - first + 1, end - first)
    curves = [
        Series(case.names[no], site.place, site.tray, site.quantity, times[no, site], values[no, site],
               gap_of(times[no, site]))
        for no, site in case.seats
        if verdicts[no] and (times[no, site] or no not in case.stays)
    ]  # fmt: skip
    return curves, {case.names[no]: counted for no, counted in verdicts.items()}


def whole(curves: Sequence[Series]) -> list[Series]:
    """One series a probe, through every tray in which it was, in the order of the first of each."""
    found: dict[str, list[Series]] = {}
    for one in curves:
        found.setdefault(one.probe, []).append(one)
    return [own[0] if len(own) == 1 else _joined(own) for own in found.values()]


def _joined(own: Sequence[Series]) -> Series:
    pairs = sorted(pair for one in own for pair in zip(one.t_ms, one.values, strict=True))
    times, values = array("q", [t_ms for t_ms, _ in pairs]), array("d", [value for _, value in pairs])
    return Series(own[0].probe, own[0].place, "", own[0].quantity, times, values, gap_of(times))
