"""Batches beside each other: aligned at the spores or at the beginning of self-warming, differences in words. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import Struct

from kojimon.review.counted import Review
from kojimon.review.earlier import score_of
from kojimon.review.measure.figures import ABOVE_C, MIXING, REACHED_C, Figures
from kojimon.review.tell.figures import at_hour, for_hours, mute, worth
from kojimon.review.tell.tables import Row, Table
from kojimon.words.speech import Speech

LEAST_H: Final = 0.5
"""Half an hour's difference of a moment is worth a word (judgement)."""
LEAST_K: Final = 0.3
LEAST_ABOVE_H: Final = 0.25
LEAST_PCT: Final = 3.0


class Side(Struct, frozen=True):
    """One batch in a comparison.

    Attributes:
        name: what people call it; with its id where two are called the same.
        shift_h: hours from its hour 0 to the moment all are aligned at; None where it has no such moment.
    """

    review: Review
    shift_h: float | None
    name: str

    @property
    def figures(self) -> Figures:
        """Its figures."""
        return self.review.figures

    @property
    def whole(self) -> bool:
        """Whether its koji was measured, and watched from the beginning: only then is `never` known."""
        return bool(self.figures.trays) and self.review.case.watched_ms == 0

    def moment(self, hour: float | None) -> float | None:
        """An hour of the batch counted from the moment of alignment."""
        return None if hour is None or self.shift_h is None else hour - self.shift_h


def sides(reviews: Sequence[Review], align: str = "spores") -> list[Side]:
    """The batches of a comparison, aligned at the `spores` or at the beginning of self-`warming`."""
    names = [one.case.row.name for one in reviews]
    return [
        Side(
            one,
            0.0 if align == "spores" else one.figures.onset_h,
            name if names.count(name) == 1 else f"{name} ({one.case.row.id})",
        )
        for one, name in zip(reviews, names, strict=True)
    ]


def best(reviews: Sequence[Review]) -> int:
    """Index of the reference: the best score, of equals the latest; else the latest harvest; else the latest."""

    def rank(index: int) -> tuple[float, bool, int]:
        case = reviews[index].case
        return score_of(case) or 0.0, case.row.outcome == "harvest", case.row.started_t_ms

    return max(range(len(reviews)), key=rank)


def reached(figures: Figures, index: int) -> float | None:
    """The hour at which the first tray reached `REACHED_C[index]`."""
    return min(
        (tray.reached_h[index] or 0.0 for tray in figures.trays if tray.reached_h[index] is not None), default=None
    )


def above(figures: Figures, index: int) -> float:
    """Hours above `ABOVE_C[index]` in the tray that stood there longest."""
    return max((tray.above_h[index] for tray in figures.trays), default=0.0)


def differences(one: Side, other: Side, speech: Speech) -> list[str]:
    """What was different in `one`, seen from `other`, a sentence each; one sentence when nothing was."""
    found = [*_moments(one, other, speech), *_heat(one, other, speech), *_rest(one, other, speech)]
    return found or [f"Much the same as {other.name}."]


def _moments(one: Side, other: Side, speech: Speech) -> Iterator[str]:
    pairs = []
    if one.whole and other.whole:
        pairs += [("was first seen clearly warm", one.figures.onset_h, other.figures.onset_h)]
        pairs += [
            (f"reached {speech.brief('temperature', value)}", reached(one.figures, i), reached(other.figures, i))
            for i, value in enumerate(REACHED_C)
        ]
    pairs += [("was mixed first", _first_mix(one), _first_mix(other))]
    pairs += [("ended", one.figures.length_h, other.figures.length_h)]
    for what, mine, theirs in pairs:
        yield from _moment(what, one.moment(mine), other.moment(theirs), other.name)


def _moment(what: str, mine: float | None, theirs: float | None, name: str) -> Iterator[str]:
    if mine is None and theirs is None:
        return
    if mine is None:
        yield f"never {what}; {name} did, at {at_hour(theirs)}"
    elif theirs is None:
        yield f"{what} at {at_hour(mine)}; {name} never did"
    elif abs(mine - theirs) >= LEAST_H:
        yield f"{what} {for_hours(abs(mine - theirs))} {'later' if mine > theirs else 'earlier'}"


def _first_mix(side: Side) -> float | None:
    case = side.review.case
    return min((case.hours.hour(work.at_ms) for work in case.story.works if work.work in MIXING), default=None)


def _heat(one: Side, other: Side, speech: Speech) -> Iterator[str]:
    mine, theirs = one.figures.hottest, other.figures.hottest
    if mine and theirs and mine.curve.highest is not None and theirs.curve.highest is not None:
        apart = mine.curve.highest - theirs.curve.highest
        if abs(apart) >= LEAST_K:
            word = "hotter" if apart > 0 else "cooler"
            values = [speech.value("temperature", v) for v in (mine.curve.highest, theirs.curve.highest)]
            yield f"{speech.difference('temperature', abs(apart))} {word} at its hottest ({values[0]}, not {values[1]})"
    for index, value in enumerate(ABOVE_C if one.whole and other.whole else ()):
        a, b = above(one.figures, index), above(other.figures, index)
        if abs(a - b) >= LEAST_ABOVE_H:
            yield f"{for_hours(a)} above {speech.brief('temperature', value)}, {for_hours(b)} in {other.name}"


def _rest(one: Side, other: Side, speech: Speech) -> Iterator[str]:
    for place, quantity, least, what in (
        ("air", "temperature", LEAST_K, "box air"), ("air", "humidity", LEAST_PCT, "humidity"),
        ("room", "temperature", 1.0, "room"),
    ):  # fmt: skip
        a, b = _mean(one, place, quantity), _mean(other, place, quantity)
        if a is not None and b is not None and abs(a - b) >= least:
            word = ("warmer" if a > b else "cooler") if quantity == "temperature" else ("damper" if a > b else "drier")
            yield f"{what} {speech.difference(quantity, abs(a - b))} {word} on average"
    mine, theirs = one.review.alarms.wakings, other.review.alarms.wakings
    if mine != theirs and not mute(one.review) and not mute(other.review):
        yield f"woke you {mine or 'no'} time{'' if mine == 1 else 's'}, {theirs or 'never'} in {other.name}"


def _mean(side: Side, place: str, quantity: str) -> float | None:
    return next((c.mean for c in side.figures.others if (c.place, c.quantity) == (place, quantity)), None)


def table(found: Sequence[Side], speech: Speech, align: str) -> Table:
    """The batches' main figures, a column a batch."""
    since = "the spores" if align == "spores" else "self-warming"
    rows = [
        Row("First seen clearly warm", tuple(_seen(side, side.figures.onset_h, shifted=False) for side in found)),
        *(
            Row(
                f"Reached {speech.brief('temperature', value)}",
                tuple(_seen(side, reached(side.figures, i)) for side in found),
            )
            for i, value in enumerate(REACHED_C)
        ),
        Row("Hottest", tuple(_hottest(side, speech) for side in found)),
        *(
            Row(
                f"Above {speech.brief('temperature', value)}",
                tuple(for_hours(above(side.figures, i)) if side.figures.trays else "not measured" for side in found),
            )
            for i, value in enumerate(ABOVE_C)
        ),
        Row("Thermal time of that tray", tuple(_worth(side, speech) for side in found)),
        Row("Length", tuple(f"{side.figures.length_h:.1f} h" for side in found)),
        Row("Times you were woken", tuple(_wakings(side) for side in found)),
        Row("Koji", tuple(_yield(side, speech) for side in found)),
        Row("Your scores", tuple(_scores(side) for side in found)),
    ]
    return Table("Side by side", tuple(side.name for side in found), tuple(rows), f"Moments are hours since {since}.")


def _wakings(side: Side) -> str:
    count = side.review.alarms.wakings
    return f"{count}, {why}" if count and (why := mute(side.review)) else str(count)


def _seen(side: Side, hour: float | None, shifted: bool = True) -> str:
    """An hour of the koji; what nothing measured, or not from the spores on, is no `never`."""
    if hour is None and not side.whole:
        return "not known" if side.figures.trays else "not measured"
    return at_hour(side.moment(hour) if shifted else hour)


def _hottest(side: Side, speech: Speech) -> str:
    tray = side.figures.hottest
    if tray is None:
        return "no reading"
    return f"{speech.value('temperature', tray.curve.highest)} at {at_hour(side.moment(tray.curve.highest_h))}"


def _worth(side: Side, speech: Speech) -> str:
    tray = side.figures.hottest
    return "no reading" if tray is None else worth(tray, speech)


def _yield(side: Side, speech: Speech) -> str:
    row = side.review.case.row
    return speech.mass(row.yield_kg) if row.yield_kg else "not weighed"


def _scores(side: Side) -> str:
    verdict = side.review.case.story.verdict
    return (
        ", ".join(f"{name} {value}" for name, value in verdict.scores.items()) if verdict and verdict.scores else "none"
    )
