"""What stood out in a batch, and what to try next time: a few sentences, each a fact and a proposal. Pure.

The thresholds are judgement: so much is worth a sentence. What is proposed is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from kojimon.review.load import Review
from kojimon.review.measure.figures import MIXING, Tray
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words.speech import Speech

NOTHING: Final = "No limit or timing stood out. This says nothing about safety."
MOST: Final = 5
HOT_H, COLD_H = 10 / 60, 30 / 60
"""So long beyond a limit is worth a sentence."""
SOONER_C: Final = 38.0
LATE_H: Final = 1.0
APART_K: Final = 1.5
"""Trays so far apart on average are."""
COVERED: Final = 0.97
WAITED_MS: Final = 20 * 60_000


class Hint(Struct, frozen=True):
    """What was seen, and what to try."""

    seen: str
    proposal: str


def hints(review: Review, speech: Speech) -> list[Hint]:
    """The few that matter most, the koji's heat first. Empty where nothing stood out."""
    found = [
        *_hot(review, speech), *_late(review), *_missed(review), *_cold(review), *_apart(review, speech),
        *_unanswered(review), *_blind(review), *_unsaid(review),
    ]  # fmt: skip
    return found[:MOST]


def _beyond(tray: Tray, side: str) -> float:
    return tray.curve.band.beyond_h.get(side, 0.0) if tray.curve.band else 0.0


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
    hour = review.case.hours.hour
    works = [hour(work.at_ms) for work in review.case.story.works if work.work in MIXING]
    last_h = max((one for one in works if one <= peak_h), default=None)
    if last_h is None:
        sooner = speech.value("temperature", SOONER_C)
        yield Hint(seen, f"Break it up and spread it before it gets there: when it passes {sooner}, or sooner.")
    else:
        ago = show_duration((peak_h - last_h) * 3600)
        yield Hint(
            seen, f"It was last worked on {ago} before. Do so sooner, spread it thinner, or turn the box down after it."
        )


def _late(review: Review) -> Iterator[Hint]:
    late = [one for one in review.figures.timings if (one.after_due_h or 0.0) >= LATE_H]
    if late:
        worst = max(late, key=lambda one: one.after_due_h or 0.0)
        yield Hint(
            f"{worst.label}: done {show_duration((worst.after_due_h or 0.0) * 3600)} after it was due.",
            "Begin the batch at another hour, so that this step falls into your day: kojimon plan.",
        )


def _missed(review: Review) -> Iterator[Hint]:
    missed = [one for one in review.figures.missed if not one.optional]
    if missed:
        names = say.listing(list(dict.fromkeys(say.small_first(one.label) for one in missed)))
        yield Hint(f"Not marked as done: {names}.", "Mark each step when you do it: a review can then say what it did.")


def _cold(review: Review) -> Iterator[Hint]:
    trays = [tray for tray in review.figures.trays if _beyond(tray, "low") >= COLD_H]
    if trays:
        tray = max(trays, key=lambda one: _beyond(one, "low"))
        yield Hint(
            f"{say.big_first(say.where('bed', tray.curve.tray))} was under its lower limit for "
            f"{show_duration(_beyond(tray, 'low') * 3600)}.",
            "Warm the box before the rice goes in, and heap the rice until it warms itself.",
        )


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
            f"A call that was to wake you went unanswered for {show_duration(max(waits) / 1000)}.",
            "Try the alarm before the night, with the phone where it lies then: kojimon alarms test.",
        )


def _blind(review: Review) -> Iterator[Hint]:
    poor = [one for one in review.quality if one.covered < COVERED]
    if poor:
        worst = min(poor, key=lambda one: one.covered)
        yield Hint(
            f"Probe {worst.probe} was seen {worst.covered * 100:.0f} % of the time only.",
            "Look at its plug, cable or battery before the next batch.",
        )


def _unsaid(review: Review) -> Iterator[Hint]:
    if review.case.row.outcome == "harvest" and review.case.story.verdict is None:
        yield Hint("You have not said yet how it was.", "Score it: the curve of the best batch stands behind the next.")
