"""The figures in a cook's words: tables of plain text, ready for a page, a file or a terminal. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from kojimon.forecast.thermal import KOJI, WORTH_C
from kojimon.review.counted import Review
from kojimon.review.draw.sheet import alarm_text, label_of
from kojimon.review.measure.alarms import AlarmFigures, Occurrence
from kojimon.review.measure.figures import RANGES, Curve, InBand, Timing, Tray
from kojimon.review.measure.quality import ProbeQuality
from kojimon.review.tell import by_hand
from kojimon.review.tell.forecasts import fared, warned_first, what_became, when_warned
from kojimon.review.tell.tables import Row, Table
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words.scale import impossible
from kojimon.words.speech import QUALITY_WORDS, Speech

HOUR_S: Final = 3600.0
NOBODY: Final = "could wake nobody: no channel, no loudspeaker"
LISTED_MOST: Final = 40
"""Alarms listed one by one."""

FAVOURS: Final = (
    "threads of mould and proteases: on steamed rice protease was made best at 30 °C (Narahara and others 1982, "
    "Journal of Fermentation Technology 60, 311-319)",
    "growth at its fastest: the optimum on steamed rice lay near 38 °C (the same paper)",
    "amylases; the gene of the acid protease falls off sharply above 38 °C, that of the amylase does not "
    "(pepA on steamed rice, Journal of Bioscience and Bioengineering 93, 563-567, 2002)",
    "nothing: growth is braked from 42 °C on (a miso maker's process page, kokonoemiso.com/seizou)",
)
"""What each of `figures.RANGES` favours, with its source."""
YIELD_SOURCE: Final = (
    "117 to 119 % of the white rice is what sake brewers' notes give for finished koji (box koji: 117; a standard gain "
    "of 17 to 19 % quoted from a textbook of koji making); home koji may stay damper and heavier"
)


def at_hour(hour: float | None) -> str:
    """`hour 26.9`, or `never`."""
    return "never" if hour is None else f"hour {hour:.1f}"


def _never(review: Review) -> str:
    """`never`; of a batch that was begun in arrears only what is known of it."""
    from_ms = review.case.watched_ms
    return f"not since {at_hour(from_ms / 1000 / HOUR_S)}" if from_ms else "never"


def for_hours(hours: float) -> str:
    """`none`, `40 min`, `2 h 10 min`."""
    return "none" if hours * 60 < 0.5 else show_duration(hours * HOUR_S)


def lead(review: Review, speech: Speech) -> list[str]:
    """The batch in a few sentences."""
    row, figures = review.case.row, review.figures
    found = [one for one in (_ended(review, speech), by_hand.sentence(review, speech)) if one]
    hottest = figures.hottest
    if hottest is not None and hottest.curve.highest is not None:
        where = say.where("bed", hottest.curve.tray)
        value = speech.value("temperature", hottest.curve.highest)
        found.append(f"{say.big_first(where)} grew hottest: {value} at {at_hour(hottest.curve.highest_h)}.")
    if figures.onset_h is not None:
        found.append(f"It was first seen clearly warm at {at_hour(figures.onset_h)}.")
    elif figures.trays and row.ended_t_ms is not None:
        never = _never(review)
        found.append(f"It was {never if never == 'never' else f'{never}, when watching began,'} seen clearly warm.")
    found.append(_woken(review.alarms, mute(review)))
    return [*found, *warned_first(review, speech)]


def _ended(review: Review, speech: Speech) -> str:
    row = review.case.row
    hours = f"{review.figures.length_h:.1f} hours after the {'spores' if review.case.inoculated else 'start'}"
    if row.ended_t_ms is None:
        return f"Still growing, {hours}."
    if row.outcome == "discard":
        return f"Thrown away {hours}."
    got = f": {speech.mass(row.yield_kg)} of koji" if row.yield_kg else ""
    return f"Harvested {hours}{got}."


def mute(review: Review) -> str:
    """Why what wakes may have woken nobody: no channel in the settings of the batch, and no loudspeaker, or one that
    nobody can say was there; "" where there was a channel or the settings are not known."""
    settings = review.case.settings
    if not settings or settings.get("channels"):
        return ""
    sounds = (settings.get("speaker") or {}).get("use", True)
    return "could wake you by a loudspeaker only: no channel" if sounds else NOBODY


def _woken(alarms: AlarmFigures, mute: str) -> str:
    if not alarms.count:
        return "No alarm."
    came = f"{alarms.count} alarm{'s' if alarms.count > 1 else ''}"
    if mute and alarms.woken:
        return f"{came}; {alarms.woken} of them {mute}."
    return f"{came}; {alarms.woken or 'none'} of them woke you."


def tables(review: Review, speech: Speech) -> list[Table]:
    """All tables of the review."""
    found = [
        _koji(review, speech), _around(review, speech), by_hand.table(review, speech), _steps(review, speech),
        _alarms(review, speech), _weight(review, speech),
        _alarm_figures(review, speech), fared(review, speech), when_warned(review, speech),
        what_became(review, speech), _readings(review, speech),
    ]  # fmt: skip
    return [table for table in found if table is not None]


# The koji.


def _koji(review: Review, speech: Speech) -> Table | None:
    trays = review.figures.trays
    if not trays:
        return None
    heads = tuple(_label(review, tray.curve) for tray in trays)
    rows = [
        _row("First seen clearly warm", trays,
             lambda t: "not seen" if t.later else _never(review) if t.onset_h is None else at_hour(t.onset_h),
             _onset_note(speech)),
        _row("Hottest", trays, lambda t: _peak(t.curve, speech)),
        _row("Fastest rise", trays, lambda t: _rise(t, speech), "over half an hour, not within half an hour of a work"),
        *_ranges(trays, speech),
        _row("Thermal time", trays, lambda t: worth(t, speech),
             f"as far as growth depends on temperature, best at {speech.brief('temperature', KOJI.opt_c)} (cardinal "
             "model of Rosso and others 1993); says nothing of what really grew"),
        *_in_band([tray.curve for tray in trays], _never(review), speech),
    ]  # fmt: skip
    return Table("The koji", heads, tuple(rows))


def _onset_note(speech: Speech) -> str:
    warm, above = speech.brief("temperature", 34.0), speech.difference("temperature", 3.0)
    return f"{warm}, or {above} above the box air's mean of an hour, for 10 min, from hour 8 on (judgement)"


def _row(label: str, trays: Sequence[Tray], cell: Callable[[Tray], str], note: str = "") -> Row:
    return Row(label, tuple(cell(tray) for tray in trays), note)


def _peak(curve: Curve, speech: Speech) -> str:
    if curve.highest is None:
        return "no reading"
    return f"{speech.value(curve.quantity, curve.highest)} at {at_hour(curve.highest_h)}"


def worth(tray: Tray, speech: Speech) -> str:
    """`46.3 h at 86 °F`: thermal time."""
    return f"{tray.worth_h:.1f} h at {speech.brief('temperature', WORTH_C)}"


def _rise(tray: Tray, speech: Speech) -> str:
    if tray.rise_k_per_h is None:
        return "not known"
    return f"{speech.slope('temperature', tray.rise_k_per_h)} at {at_hour(tray.rise_h)}"


def _ranges(trays: Sequence[Tray], speech: Speech) -> Iterator[Row]:
    for index, (low, high) in enumerate(RANGES):
        if high is None:
            label = f"Above {speech.brief('temperature', low)}"
        else:
            label = f"{speech.brief('temperature', low, unit=False)} to {speech.brief('temperature', high)}"
        cells = tuple(for_hours(tray.ranges_h[index]) for tray in trays)
        yield Row(label, cells, f"favours {FAVOURS[index]}")


LEVELS: Final = (("high", "Over the upper limit"), ("high_high", "Over the upper critical limit"),
                 ("low", "Under the lower limit"), ("low_low", "Under the lower critical limit"))  # fmt: skip


def _in_band(curves: Sequence[Curve], never: str, speech: Speech) -> Iterator[Row]:
    if not any(curve.band for curve in curves):
        return
    yield Row("Within its limits", tuple(_inside(curve.band) for curve in curves))
    for level, label in LEVELS:
        if any(curve.band and level in curve.band.beyond_h for curve in curves):
            yield Row(label, tuple(_beyond(curve, level, never, speech) for curve in curves))


def _inside(band: InBand | None) -> str:
    if band is None:
        return "no limits"
    inside, known = for_hours(band.in_h), for_hours(band.known_h)
    return f"all {known}" if inside == known else f"{inside} of {known}"


def _beyond(curve: Curve, level: str, never: str, speech: Speech) -> str:
    if curve.band is None or level not in curve.band.beyond_h:
        return "no limit"
    hours, area = curve.band.beyond_h[level], curve.band.beyond_area[level]
    if hours * 60 < 0.5:
        return never
    if curve.quantity == "humidity":
        return f"{for_hours(hours)}, {area:.1f} %·h"
    degrees = area * 1.8 if speech.fahrenheit else area
    return f"{for_hours(hours)}, {degrees:.2f} {'°F' if speech.fahrenheit else '°C'}·h"


# Around it.


def _around(review: Review, speech: Speech) -> Table | None:
    curves = review.figures.others
    if not curves:
        return None
    heads = tuple(_label(review, curve) for curve in curves)
    rows = [
        Row("On average", tuple("no reading" if c.mean is None else speech.value(c.quantity, c.mean) for c in curves)),
        Row("Highest", tuple(_peak(curve, speech) for curve in curves)),
        Row("Lowest", tuple(_lowest(curve, speech) for curve in curves)),
        *_in_band(curves, _never(review), speech),
    ]
    return Table("Box and room", heads, tuple(rows))


def _lowest(curve: Curve, speech: Speech) -> str:
    if curve.lowest is None:
        return "no reading"
    return f"{speech.value(curve.quantity, curve.lowest)} at {at_hour(curve.lowest_h)}"


def _label(review: Review, curve: Curve) -> str:
    seats = review.case.seats
    site = next(site for no, site in seats if review.case.names[no] == curve.probe and site.tray == curve.tray)
    return label_of(site, curve.probe, [site for _, site in seats])


# Steps.


def _steps(review: Review, speech: Speech) -> Table | None:
    timings = review.figures.timings
    rows = [Row(one.label, (at_hour(one.hour), _window(one), _kept(one))) for one in timings]
    rows += [
        Row(one.label, ("not done", f"until {at_hour(review.case.hours.hour(one.closes_ms or 0))}", "missed"))
        for one in review.figures.missed
    ]
    return Table("Steps", ("done", "window (hours)", "in time?"), tuple(rows)) if rows else None


def _window(one: Timing) -> str:
    parts = [
        f"{word} {hour:.1f}"
        for word, hour in (("from", one.opens_h), ("due", one.due_h), ("until", one.closes_h))
        if hour is not None
    ]
    return ", ".join(parts) if parts else "any time"


def _kept(one: Timing) -> str:
    if one.late_h > 0:
        return f"{for_hours(one.late_h)} too late"
    if one.early_h > 1 / 60:
        return f"{for_hours(one.early_h)} early"
    if one.after_due_h is not None and one.after_due_h > 1 / 60:
        return f"in time, {for_hours(one.after_due_h)} after it was due"
    return "in time" if one.opens_h is not None or one.due_h is not None or one.closes_h is not None else ""


# Alarms.


def _alarms(review: Review, speech: Speech) -> Table:
    alarms, hour = review.alarms, review.case.hours.hour
    if not alarms.occurrences and not alarms.count:
        return Table("Alarms", ("",), (Row("Alarms", ("none",)),))
    got_up = f"{alarms.wakings}, by {alarms.woken} alarm{'s' if alarms.woken > 1 else ''}"
    rows = [
        Row("Alarms", (str(alarms.count),)),
        Row("Times you were woken", ((mute(review) or got_up) if alarms.wakings else "none",)),
    ]
    listed = alarms.occurrences[:LISTED_MOST]
    rows += [Row(f"At hour {hour(one.called_ms):.1f}", (alarm_text(one, speech),)) for one in listed]
    if len(listed) < len(alarms.occurrences):
        rows.append(Row("And more", (f"{len(alarms.occurrences) - len(listed)} not listed here",)))
    return Table("Alarms", ("",), tuple(rows))


def _alarm_figures(review: Review, speech: Speech) -> Table | None:
    alarms = review.alarms
    if not alarms.occurrences and not alarms.count and not alarms.shelved_ms:
        return None
    rows = (
        Row("Most in ten minutes", (str(alarms.peak_rate),), "a person can handle about one in ten minutes"),
        Row("On average in ten minutes", (f"{alarms.mean_rate:.3f}",)),
        _longest("Longest over its limit", alarms.longest_active, speech),
        _longest("Longest unacknowledged", alarms.longest_unacknowledged, speech),
        Row("Back to normal before acknowledged", (str(alarms.unseen) if alarms.unseen else "none",)),
        Row("Chattering", (", ".join(alarms.chattering) or "none",), "one alarm three times within a minute"),
        Row("Shelved, in all", (for_hours(alarms.shelved_ms / 3_600_000),)),
    )
    note = "Counted as in OPC UA part 9 (alarm metrics); rates over ten minutes."
    return Table("Alarm figures", ("",), rows, note, expert=True)


def _longest(label: str, found: tuple[int, Occurrence] | None, speech: Speech) -> Row:
    if found is None:
        return Row(label, ("none",))
    return Row(label, (f"{show_duration(found[0] / 1000)}: {alarm_text(found[1], speech)}",))


# Readings.


def _readings(review: Review, speech: Speech) -> Table | None:
    rows = [
        Row(
            one.probe,
            (f"{one.readings}", f"{100 * one.covered:.1f} %", _gaps(one), _bad(one), _calibrated(one, review, speech)),
        )
        for one in review.quality
    ]
    heads = ("readings", "time covered", "gaps", "doubtful", "calibration")
    return Table("Readings", heads, tuple(rows), expert=True) if rows else None


def _gaps(one: ProbeQuality) -> str:
    if not one.gaps:
        return "none"
    begin, end = one.gaps[0]
    longest = f"longest {show_duration((end - begin) * HOUR_S)} from hour {begin:.1f}"
    return f"{len(one.gaps)}, {longest}" if len(one.gaps) > 1 else longest.removeprefix("longest ")


def _bad(one: ProbeQuality) -> str:
    parts = [f"{number} {QUALITY_WORDS.get(verdict, str(verdict))}" for verdict, number in sorted(one.bad.items())]
    return "; ".join(parts) or "none"


def _calibrated(one: ProbeQuality, review: Review, speech: Speech) -> str:
    if not one.calibration:
        return "none"
    quantity = next(curve.quantity for curve in review.curves if curve.probe == one.probe)
    when = f", {one.dated}" if one.dated else ""
    note = f" ({one.noted})" if one.noted else ""
    if len(one.calibration) == 1:
        raw, true = one.calibration[0]
        sign = "+" if true >= raw else "-"
        return f"{sign}{speech.difference(quantity, abs(true - raw))}{when}{note}"
    return f"{len(one.calibration)} points{when}{note}"


# Weight.


def _weight(review: Review, speech: Speech) -> Table | None:
    row = review.case.row
    if not row.rice_kg and not row.yield_kg:
        return None
    rows = [Row("Dry rice", (speech.mass(row.rice_kg) if row.rice_kg else "not weighed",))]
    rows.append(Row("Koji", (speech.mass(row.yield_kg) if row.yield_kg else "not weighed",)))
    if row.rice_kg and row.yield_kg:
        grain = review.case.schedule.grain if review.case.schedule else ""
        wrong = impossible(row.rice_kg, row.yield_kg, grain)
        rows.append(Row("Koji of the rice", (f"{100 * row.yield_kg / row.rice_kg:.0f} %{wrong}",), YIELD_SOURCE))
    return Table("Weight", ("",), tuple(rows))
