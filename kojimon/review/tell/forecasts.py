"""How the forecasts fared, in a cook's words. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from kojimon.review.counted import Review
from kojimon.review.measure.forecasts import Lead
from kojimon.review.measure.warned import Passing
from kojimon.review.tell.tables import Row, Table
from kojimon.units import show_duration
from kojimon.words.speech import Speech


def fared(review: Review, speech: Speech) -> Table | None:
    """How the forecasts fared, held against what the koji did."""
    return leads_table(review.forecasts, speech) if review.forecasts else None


def leads_table(leads: Sequence[Lead], speech: Speech) -> Table:
    """The same of any forecasts."""
    limit = [show_duration(60 * round(60 * one.limit_off_h)) if one.limit_off_h is not None else "-" for one in leads]
    rows = [
        Row("Temperature off by", tuple(speech.difference("temperature", one.off_k) for one in leads),
            "the middle of what was forecast; half of them were nearer"),
        Row("As warm as was likely", tuple(f"{100 * one.inside:.0f} %" for one in leads), "8 in 10 are expected"),
        Row("Time to the limit off by", tuple(limit), "- where it was not passed untouched"),
        Row("Forecasts counted", tuple(str(one.count) for one in leads)),
    ]  # fmt: skip
    if all(one.limit_off_h is None for one in leads):
        del rows[2]  # no limit was passed: nothing to be off by
    heads = tuple(f"{one.hours:.0f} h ahead" for one in leads)
    note = "Only those count between whose making and whose hour nobody touched the koji."
    return Table("How the forecasts fared", heads, tuple(rows), note, expert=True)


def warned_first(review: Review, speech: Speech) -> list[str]:
    """How early the first limit that was passed had been warned of, in one sentence; nothing where none was."""
    first = min(review.warned.passings, key=lambda one: one.hour, default=None)
    if first is None or not first.known:
        return []
    limit = speech.brief("temperature", first.limit_c)
    if first.first_h is None:
        return [f"No forecast warned that the koji would pass {limit}."]
    return [f"The forecasts warned of {limit} {_span(first.first_h)} before the koji passed it."]


def when_warned(review: Review, speech: Speech) -> Table | None:
    """How long before each limit that was really passed the forecasts said so."""
    if not review.forecasts and not review.warned.warnings and not review.warned.passings:
        return None
    title, heads = "When the forecasts warned", ("first warned", "right from then on")
    if not review.warned.passings:
        return Table(title, ("",), (Row("The koji passed no limit", ("no warning was due",)),), expert=True)
    rows = tuple(
        Row(f"{speech.brief('temperature', one.limit_c)}, passed at hour {one.hour:.1f}", _warning(one), _since(one))
        for one in review.warned.passings
    )
    note = (
        "Looked at: forecasts made since somebody last worked on the koji, for each says what comes if nobody does. "
        '"First warned" is the first that thought it more likely than not; "right from then on" is since when '
        "each had the real moment within its likely times (8 chances in 10)."
    )
    return Table(title, heads, rows, note, expert=True)


def _warning(one: Passing) -> tuple[str, str]:
    if not one.known:
        return "no forecast then", "-"
    first = "not before it was passed" if one.first_h is None else _before(one.first_h)
    return first, "never" if one.right_h is None else _before(one.right_h)


def _since(one: Passing) -> str:
    if not one.known or one.since_h is None or one.first_h is None or one.since_h - one.first_h > 1 / 12:
        return ""
    return "warned from the first forecast on that could have known"


def _before(hours: float) -> str:
    return f"{_span(hours)} before" if hours * 60 >= 1 else "as it was passed"


def _span(hours: float) -> str:
    return show_duration(60 * round(60 * hours))


def what_became(review: Review, speech: Speech) -> Table | None:
    """How many forecasts warned of a limit that was never passed."""
    found = review.warned.warnings
    if not found:
        return None
    rows = [
        _counts("Forecasts that warned of it", [one.said for one in found],
                "made while the koji was below it: of a lower limit fewer, for the koji is past it sooner"),
        _counts("It came", [one.came for one in found]),
        _counts(
            "Never came", [one.never for one in found],
            "nobody touched the koji, and it stayed below past the latest likely time",
        ),
        _counts(
            "Worked on first", [one.hands for one in found],
            "somebody worked on the koji before it could come to that",
        ),
    ]  # fmt: skip
    if any(one.unknown for one in found):
        rows.append(_counts("Not known", [one.unknown for one in found], "readings are missing"))
    heads = tuple(f"passing {speech.brief('temperature', one.limit_c)}" for one in found)
    return Table("What became of the warnings", heads, tuple(rows), expert=True)


def _counts(label: str, counts: list[int], note: str = "") -> Row:
    return Row(label, tuple(map(str, counts)), note)
