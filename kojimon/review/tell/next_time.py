"""What stood out in a batch, and what to try next time: a few sentences, each a fact and a proposal. Pure.

The thresholds are judgement: so much is worth a sentence. What is proposed is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from kojimon.forecast.thermal import WORTH_C, worth
from kojimon.review.counted import Review
from kojimon.review.earlier import Best, score_of
from kojimon.review.load import Case
from kojimon.review.measure import series as count
from kojimon.review.measure.figures import MIXING, Tray
from kojimon.review.measure.hours import HOUR_MS
from kojimon.review.measure.series import Line, Series
from kojimon.review.measure.story import Work
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words.speech import Speech

NOTHING: Final = "No limit or timing stood out. This says nothing about safety."
MOST: Final = 5
HOT_H, COLD_H = 10 / 60, 30 / 60
"""So long beyond a limit is worth a sentence."""
SOONER_C: Final = 38.0
LATE_H: Final = 1.0
OTHERWISE_H: Final = 2.0
"""A work so far from its hour in the best batch is worth a word."""
LISTED_MOST: Final = 3
START_H: Final = 6.0
"""Until then heat and cold come from the start: the rice as it went in, the box as it stood."""
WORKED_H: Final = 3.0
"""So long after a work cold is put down to it."""
APART_K: Final = 1.5
"""Trays so far apart on average are."""
COVERED: Final = 0.97
WAITED_MS: Final = 20 * 60_000


class Hint(Struct, frozen=True):
    """What was seen, and what to try."""

    seen: str
    proposal: str


def hints(review: Review, speech: Speech, best: Best | None = None) -> list[Hint]:
    """The few that matter most, the koji's heat first. Empty where nothing stood out.

    Args:
        best: the best batch before, where a person scored one.
    """
    found = [
        *_hot(review, speech), *_late(review), *_otherwise(review, best), *_end(review, speech, best), *_missed(review),
        *_cold(review), *_apart(review, speech), *_unanswered(review), *_blind(review), *_unsaid(review),
    ]  # fmt: skip
    return found[:MOST]


def _beyond(tray: Tray, side: str) -> float:
    return tray.curve.band.beyond_h.get(side, 0.0) if tray.curve.band else 0.0


def _last_work(review: Review, before_h: float) -> Work | None:
    works = [work for work in review.case.story.works if work.work in MIXING]
    return next((work for work in reversed(works) if review.case.hours.hour(work.at_ms) <= before_h), None)


def _hot(review: Review, speech: Speech) -> Iterator[Hint]:
    trays = [tray for tray in review.figures.trays if _beyond(tray, "high") >= HOT_H]
    if not trays:
        return
    tray = max(trays, key=lambda one: _beyond(one, "high"))
    peak, peak_h = tray.curve.highest, tray.curve.highest_h
    if peak is None or peak_h is None:
        return
    where = say.big_first(say.where("bed", tray.curve.tray))
    seen = (
        f"{where} was over its upper limit for {show_duration(_beyond(tray, 'high') * 3600)}, "
        f"{speech.value('temperature', peak)} at hour {peak_h:.1f}."
    )
    yield Hint(seen, _against_heat(review, tray, peak_h, speech))


def _against_heat(review: Review, tray: Tray, peak_h: float, speech: Speech) -> str:
    """What helps against heat at that hour: before it warms itself the heat is that of the rice, or of the box."""
    bed, end_h, onset_h = _bed_of(review, tray), review.figures.length_h, review.figures.onset_h
    if _out_h(review, bed, "high", START_H, end_h) < HOT_H:
        return "Let the rice cool further before the spores go on, and let the box be cooler."
    if onset_h is None or _out_h(review, bed, "high", onset_h, end_h) < HOT_H:
        return "It did not warm itself yet: the box did. Turn the box down for the first day."
    last = _last_work(review, peak_h)
    if last is None:
        sooner = speech.value("temperature", SOONER_C)
        return f"Break it up and spread it before it gets there: when it passes {sooner}, or sooner."
    ago = show_duration((peak_h - review.case.hours.hour(last.at_ms)) * 3600)
    return f"It was last worked on {ago} before. Do so sooner, spread it thinner, or turn the box down after it."


def _late(review: Review) -> Iterator[Hint]:
    """A step that was done late, where the koji was over its limit meanwhile: else nothing was lost."""
    late = []
    for one in review.figures.timings:
        if one.due_h is not None and (one.after_due_h or 0.0) >= LATE_H and one.step not in _ends(review.case):
            late.append((_over_h(review, one.due_h, one.hour), one))
    lost_h, worst = max(late, key=lambda pair: pair[0], default=(0.0, None))
    if worst is not None and lost_h >= HOT_H:
        yield Hint(
            f"{worst.label}: done {show_duration((worst.after_due_h or 0.0) * 3600)} after it was due; "
            f"of these the koji was over its upper limit for {show_duration(lost_h * 3600)}.",
            "Begin the batch at another hour, so that this step falls into your day: kojimon plan",
        )


def _over_h(review: Review, from_h: float, to_h: float) -> float:
    """How long the tray that was there longest stood over its upper limit, between two hours."""
    return max((_out_h(review, bed, "high", from_h, to_h) for bed in _beds(review)), default=0.0)


def _out_h(review: Review, bed: Series, level: str, from_h: float, to_h: float) -> float:
    total_ms = 0.0
    for span in review.case.bands:
        line = span.line(level)
        begin, end = max(span.from_ms, from_h * HOUR_MS), min(span.to_ms, to_h * HOUR_MS)
        if (span.place, span.quantity) == ("bed", "temperature") and line is not None and end > begin:
            total_ms += count.beyond(bed, Line(begin, end, line.at(begin), line.at(end)), level == "high").ms
    return total_ms / HOUR_MS


def _beds(review: Review) -> list[Series]:
    return [one for one in review.curves if (one.place, one.quantity) == ("bed", "temperature")]


def _bed_of(review: Review, tray: Tray) -> Series:
    return next(one for one in _beds(review) if (one.probe, one.tray) == (tray.curve.probe, tray.curve.tray))


def _otherwise(review: Review, best: Best | None) -> Iterator[Hint]:
    """What was done at another hour than in the best batch, where that one was better."""
    own = score_of(review.case)
    if best is None or (own is not None and own >= best.score):
        return
    theirs = _hours(best.case)
    told = [
        f"{label} at hour {hour:.0f}, not {theirs[label]:.0f}"
        for label, hour in _hours(review.case).items()
        if label in theirs and abs(hour - theirs[label]) >= OTHERWISE_H
    ]
    if told:
        name = f"{best.case.row.name}, your best ({best.score:.1f} of 5)"
        yield Hint(f"Otherwise than in {name}: {', '.join(told[:LISTED_MOST])}.", "Try its hours again.")


def _hours(case: Case) -> dict[str, float]:
    """When the koji was worked on and taken out, hours: the first time of each step, and the final mixing."""
    works = [work for work in case.story.works if work.work in MIXING]
    found = {_name(work): case.hours.hour(work.at_ms) for work in works if work.round == 1}
    if len(works) > 1:
        if works[-1].round == 1:
            del found[_name(works[-1])]
        found["final mixing"] = case.hours.hour(works[-1].at_ms)
    if case.row.ended_t_ms is not None:
        found["the end"] = case.end_ms / HOUR_MS
    return found


def _name(work: Work) -> str:
    return say.small_first(work.label.split(" (", maxsplit=1)[0])


def _ends(case: Case) -> set[str]:
    return {work.step for work in case.story.works if work.work == "harvest"}


def _end(review: Review, speech: Speech, best: Best | None) -> Iterator[Hint]:
    """What an early or a late end cost in warmth; silent where the koji was scored as good as the best, and where it
    was unseen for more than half of the stretch that is gone by."""
    own, aim = score_of(review.case), 4.0 if best is None else best.score
    ends = _ends(review.case)
    harvest = next((one for one in reversed(review.figures.timings) if one.step in ends), None)
    if harvest is None or (own is not None and own >= aim):
        return
    hour, unit = harvest.hour, speech.brief("temperature", WORTH_C)
    bed = max(_beds(review), key=lambda one: count.known_ms(one, 0.0, hour * HOUR_MS), default=None)
    if bed is None:
        return
    stretch = (hour - max(1.0, harvest.late_h)) * HOUR_MS, hour * HOUR_MS
    known_ms = count.known_ms(bed, *stretch)
    if known_ms < (stretch[1] - stretch[0]) / 2:
        return
    rate = worth(count.pieces(bed, *stretch)) / known_ms
    if harvest.early_h >= LATE_H and rate > 0:
        yield Hint(
            f"Taken out {show_duration(harvest.early_h * 3600)} before its time: as warm as it was, that is "
            f"{harvest.early_h * rate:.1f} h at {unit} less to grow.",
            "Leave it until its time, unless it is hot or blooms.",
        )
    elif (after_h := harvest.late_h) >= LATE_H:
        more_h = worth(count.pieces(bed, (hour - after_h) * HOUR_MS, hour * HOUR_MS)) / HOUR_MS
        yield Hint(
            f"Taken out {show_duration(after_h * 3600)} after its time: {more_h:.1f} h at {unit} more, in which it "
            "dries and goes on towards bloom.",
            "Plan the end into your day: kojimon plan.",
        )


def _missed(review: Review) -> Iterator[Hint]:
    missed = [one for one in review.figures.missed if not one.optional]
    if missed:
        names = say.listing(list(dict.fromkeys(say.small_first(one.label) for one in missed)))
        yield Hint(f"Not marked as done: {names}.", "Mark each step when you do it: a review can then say what it did.")


def _cold(review: Review) -> Iterator[Hint]:
    trays = [tray for tray in review.figures.trays if _beyond(tray, "low") >= COLD_H]
    if not trays:
        return
    tray = max(trays, key=lambda one: _beyond(one, "low"))
    at_h = _coldest_h(review, tray)
    yield Hint(
        f"{say.big_first(say.where('bed', tray.curve.tray))} was under its lower limit for "
        f"{show_duration(_beyond(tray, 'low') * 3600)}, coldest at hour {at_h:.1f}.",
        _against_cold(review, at_h),
    )


def _coldest_h(review: Review, tray: Tray) -> float:
    """The hour of the lowest reading in the stage in which the tray was longest too cold."""
    bed = _bed_of(review, tray)
    spans = [span for span in review.case.bands if (span.place, span.quantity) == ("bed", "temperature")]
    worst = max(spans, key=lambda span: _out_h(review, bed, "low", span.from_ms / HOUR_MS, span.to_ms / HOUR_MS))
    lowest = count.extreme(bed, worst.from_ms, worst.to_ms, highest=False)
    return (worst.from_ms if lowest is None else lowest[1]) / HOUR_MS


def _against_cold(review: Review, at_h: float) -> str:
    """What helps against cold at that hour: at hour 40 nobody warms the box before the rice goes in."""
    onset_h, last = review.figures.onset_h, _last_work(review, at_h)
    if at_h <= START_H:
        return "Warm the box before the rice goes in, and heap the rice until it warms itself."
    if onset_h is None or at_h < onset_h:
        return "Keep the box warmer until the koji warms itself; heap the rice and cover it."
    if last is not None and at_h - review.case.hours.hour(last.at_ms) <= WORKED_H:
        return f"It cooled after a work ({_name(last)}): work faster, cover it at once."
    return "Its own warmth no longer carried it: cover it, close the vent or turn the box up as it cools."


def _apart(review: Review, speech: Speech) -> Iterator[Hint]:
    if review.case.stays:
        return  # trays seen in other hours cannot be compared by their means
    means = {tray.curve.tray: tray.curve.mean for tray in review.figures.trays if tray.curve.mean is not None}
    if len(means) > 1 and max(means.values()) - min(means.values()) >= APART_K:
        warm, cold = max(means, key=lambda name: means[name]), min(means, key=lambda name: means[name])
        apart = speech.difference("temperature", means[warm] - means[cold])
        yield Hint(
            f"{say.big_first(say.where('bed', warm))} was {apart} warmer than {say.where('bed', cold)}, on average.",
            "Swap the trays whenever you work on the koji, or put the same weight of rice into each.",
        )


def _unanswered(review: Review) -> Iterator[Hint]:
    waits = [
        (one.ack_ms if one.ack_ms is not None else one.off_ms or review.case.t1_ms) - one.called_ms
        for one in review.alarms.occurrences if one.wakings
    ]  # fmt: skip
    if waits and max(waits) >= WAITED_MS:
        yield Hint(
            f"An alarm that wakes you was not acknowledged for {show_duration(max(waits) / 1000)}.",
            "Do the night check, with the phone where it lies at night: kojimon alarms night-check",
        )


def _blind(review: Review) -> Iterator[Hint]:
    poor = [one for one in review.quality if one.covered < COVERED]
    if poor:
        worst = min(poor, key=lambda one: one.covered)
        yield Hint(
            f"Probe {worst.probe} had readings only {worst.covered * 100:.0f} % of the time.",
            "Look at its plug, cable or battery before the next batch.",
        )


def _unsaid(review: Review) -> Iterator[Hint]:
    if review.case.row.outcome == "harvest" and review.case.story.verdict is None:
        told = "Score it: the curve of your best batch is drawn behind the next one."
        yield Hint("You have not said yet how it was.", told)
