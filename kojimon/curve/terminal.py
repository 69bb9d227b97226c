"""The same sheet for a terminal: a line an hour or so, the koji as signs, the words beside it. Pure text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from kojimon.curve.axes import Scale, clock_ticks, scale_of
from kojimon.curve.sheet import Mark, Sheet, Strip

SIGNS = "ox+*"
"""One a tray; where trays share a place the first is shown."""
NARROW = 64
STEPS_H = (0.25, 0.5, 1.0, 2.0, 3.0, 6.0)


def lines(sheet: Sheet, columns: int, rows: int, fahrenheit: bool, zone: str) -> list[str]:
    """The sheet as lines of text.

    Args:
        columns: width of the terminal.
        rows: about how many lines there may be.
    """
    step = next((one for one in STEPS_H if (sheet.to_h - sheet.from_h) / one <= max(4, rows - 4)), 12.0)
    narrow = columns < NARROW
    first_h = math.floor(sheet.from_h / step) * step
    clock = {} if narrow else _clock(sheet, zone, step, first_h)
    left = 5 + (10 if clock else 0)
    wide = max(12, min(48, round((columns - left) * (0.5 if narrow else 0.45))))
    scale = scale_of(sheet, Strip.KOJI, 0, wide - 1, fahrenheit)
    room = columns - left - wide - 14
    found = [" " * left + _scale(scale, wide) + "  koji   air"]
    hour = first_h
    while hour < sheet.to_h:
        found.append(
            _line(
                sheet, scale, hour, step, wide, clock.get(round((hour - first_h) / step), "") if clock else None, room
            )
        )
        hour += step
    names = [track.label for track in sheet.tracks if track.strip is Strip.KOJI]
    found.append("  ".join(f"{SIGNS[n % len(SIGNS)]} {name}" for n, name in enumerate(names)) + "  | limits")
    return [line.rstrip() for line in found]


def _clock(sheet: Sheet, zone: str, step: float, first_h: float) -> dict[int, str]:
    """Text of the clock by number of the line."""
    ticks = clock_ticks(sheet, zone, 1.0, max(1.0, step))
    return {int((tick.hour - first_h) / step): tick.text for tick in ticks}


def _scale(scale: Scale, wide: int) -> str:
    cells = [" "] * (wide + 4)
    for value, text in scale.ticks(6):
        at = round(scale.x(value))
        if 0 <= at <= wide - len(text):
            cells[at : at + len(text)] = text
    return "".join(cells)[:wide]


def _line(sheet: Sheet, scale: Scale, hour: float, step: float, wide: int, clock: str | None, room: int) -> str:
    cells = [" "] * wide
    for limit in _limits_at(sheet, hour + step / 2):
        _put(cells, scale, limit, "|")
    trays = [track for track in sheet.tracks if track.strip is Strip.KOJI]
    tops: list[float] = []
    for number, track in reversed(list(enumerate(trays))):
        spans = [(p.low, p.high) for run in track.runs for p in run if hour <= p.hour < hour + step]
        if spans:
            _fill(cells, scale, min(low for low, _ in spans), max(high for _, high in spans), SIGNS[number % 4])
            tops.append(max(high for _, high in spans))
    at = f"{hour:>4.0f} " if step >= 1 or not hour % 1 else "     "
    told = "" if clock is None else f"{clock:<10}"
    koji = f"{scale.shown(max(tops)):6.1f}" if tops else "     -"
    words = _words([mark for mark in sheet.marks if hour <= mark.hour < hour + step], room)
    return f"{at}{told}{''.join(cells)}{koji}{_air(sheet, scale, hour, step)}  {words}"


def _air(sheet: Sheet, scale: Scale, hour: float, step: float) -> str:
    values = [
        (p.low + p.high) / 2
        for track in sheet.tracks
        if track.strip is Strip.AIR and track.label != "room"
        for run in track.runs
        for p in run
        if hour <= p.hour < hour + step
    ]
    return f"{scale.shown(sum(values) / len(values)):6.1f}" if values else "     -"


def _limits_at(sheet: Sheet, hour: float) -> Iterable[float]:
    for band in sheet.bands:
        if band.strip is Strip.KOJI and band.from_h <= hour < band.to_h:
            yield from (limit for limit in (band.begin.low, band.begin.high) if limit is not None)


def _put(cells: list[str], scale: Scale, value: float, sign: str) -> None:
    at = round(scale.x(value))
    if 0 <= at < len(cells):
        cells[at] = sign


def _fill(cells: list[str], scale: Scale, low: float, high: float, sign: str) -> None:
    first, last = (min(len(cells) - 1, max(0, round(scale.x(value)))) for value in (low, high))
    cells[first : last + 1] = sign * (last - first + 1)


def _words(marks: Sequence[Mark], room: int) -> str:
    text = "; ".join(mark.text for mark in sorted(marks, key=lambda mark: mark.rank))
    return text if len(text) <= room else f"{text[: max(0, room - 1)]}…"
