"""The same sheet for a terminal: a line an hour or so, the koji as signs, the words beside it. Pure text.

Every sign of its own is plain ASCII and no colour carries a meaning: what the marks say in other letters is turned into
plain ones where the terminal has no others (`cli.main`).
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from kojimon.curve.axes import Scale, clock_ticks, scale_of
from kojimon.curve.sheet import Mark, Sheet, Strip, Track
from kojimon.curve.strips import limits_at

SIGNS = "ox+*"
"""One a tray; where trays share a place the first is shown."""
AIR, INNER, OUTER, AHEAD = "a", "|", ":", "~"
NARROW = 64
STEPS_H = (0.25, 0.5, 1.0, 2.0, 3.0, 6.0)
NUMBERS = 12
"""Columns of the koji's and the air's number."""


class Page(NamedTuple):
    """What every line shares: hours a line, the plot's scale and width, the columns of clock and words."""

    sheet: Sheet
    step: float
    scale: Scale
    wide: int
    clock: dict[int, str] | None
    room: int


def lines(sheet: Sheet, columns: int, rows: int, fahrenheit: bool, zone: str) -> list[str]:
    """The sheet as lines of text.

    Args:
        columns: width of the terminal.
        rows: about how many lines there may be.
    """
    step = next((one for one in STEPS_H if (sheet.to_h - sheet.from_h) / one <= max(4, rows - 4)), 12.0)
    first_h = math.floor(sheet.from_h / step) * step
    clock = None if columns < NARROW else _clock(sheet, zone, step, first_h)
    left = 5 + (6 if clock is not None else 0) + 2
    wide = max(10, min(48, round((columns - left - NUMBERS - 2) * 0.45)))
    page = Page(
        sheet, step, scale_of(sheet, Strip.KOJI, 0, wide - 1, fahrenheit), wide, clock,
        columns - left - wide - NUMBERS - 2,
    )  # fmt: skip
    count = math.ceil((sheet.to_h - first_h) / step)
    words = _words(page, [first_h + number * step for number in range(count)])
    head = "hour " + ("clock " if clock is not None else "") + "  "
    unit = "F" if fahrenheit else "C"
    found = [f"{head}{_scale(page.scale, wide)}{f'koji {unit}':>{6}}{f'air {unit}':>{6}}"]
    found += [_line(page, number, first_h + number * step, words.get(number, "")) for number in range(count)]
    found += textwrap.wrap(", ".join(_legend(page)), columns)
    return [line.rstrip() for line in found]


def _clock(sheet: Sheet, zone: str, step: float, first_h: float) -> dict[int, str]:
    """Text of the clock by number of the line; where a day begins, its name."""
    ticks = clock_ticks(sheet, zone, 1.0, max(1.0, step))
    return {int((tick.hour - first_h) / step): tick.text.split(" ")[0] for tick in ticks}


def _scale(scale: Scale, wide: int) -> str:
    cells = [" "] * (wide + 4)
    for value, text in scale.ticks(4):
        at = round(scale.at(value))
        if 0 <= at < wide - len(text):
            cells[at : at + len(text)] = text
    return "".join(cells)[:wide]


def _line(page: Page, number: int, hour: float, words: str) -> str:
    koji = [track for track in page.sheet.tracks if track.strip is Strip.KOJI]
    air = [track for track in page.sheet.tracks if track.strip is Strip.AIR and track.label != "room"]
    tops = [high for track in koji for _, high in _spans(track, hour, page.step)]
    means = [(low + high) / 2 for track in air for low, high in _spans(track, hour, page.step)]
    at = f"{hour:>4.0f} " if page.step >= 1 or not hour % 1 else "     "
    told = "" if page.clock is None else f"{page.clock.get(number, ''):<6}"
    shown = page.scale.shown
    values = (max(tops) if tops else None, sum(means) / len(means) if means else None)
    numbers = "".join("     -" if value is None else f"{shown(value):6.1f}" for value in values)
    blank = page.sheet.now_h is not None and hour >= page.sheet.now_h
    cells = _cells(page, hour, koji, air)
    return f"{at}{told}{_sign(page, hour)} {cells}{' ' * NUMBERS if blank else numbers}  {words}"


def _sign(page: Page, hour: float) -> str:
    """`!` while an alarm lasted, `*` where something was done or written."""
    end_h = hour + page.step
    marks = page.sheet.marks
    if any(mark.kind == "alarm" and mark.hour < end_h and (mark.until_h or mark.hour) >= hour for mark in marks):
        return "!"
    return "*" if any(mark.kind in ("step", "note") and hour <= mark.hour < end_h for mark in marks) else " "


def _cells(page: Page, hour: float, koji: Sequence[Track], air: Sequence[Track]) -> str:
    """The plot of one line: limits, the likely range, the air, the trays; later ones stand over earlier ones."""
    cells = [" "] * page.wide
    for sign, limit in _limits(page.sheet, min(hour + page.step / 2, page.sheet.to_h)):
        _fill(cells, page.scale, limit, limit, sign, clip=True)
    for low, high in _ahead(page.sheet, hour, page.step):
        _fill(cells, page.scale, low, high, AHEAD)
    tracks = [(AIR, track) for track in air]
    tracks += [(SIGNS[number % len(SIGNS)], track) for number, track in reversed(list(enumerate(koji)))]
    for sign, track in tracks:
        spans = _spans(track, hour, page.step)
        if spans:
            low, high = min(low for low, _ in spans), max(high for _, high in spans)
            _fill(cells, page.scale, low, high, sign, clip=sign == AIR)
    return "".join(cells)


def _spans(track: Track, hour: float, step: float) -> list[tuple[float, float]]:
    return [(point.low, point.high) for run in track.runs for point in run if hour <= point.hour < hour + step]


def _limits(sheet: Sheet, hour: float) -> Iterator[tuple[str, float]]:
    for band in sheet.bands:
        if band.strip is Strip.KOJI and band.from_h <= hour < band.to_h:
            low_low, low, high, high_high = limits_at(band, hour)
            signs = ((OUTER, low_low), (OUTER, high_high), (INNER, low), (INNER, high))
            yield from ((sign, limit) for sign, limit in signs if limit is not None)


def _ahead(sheet: Sheet, hour: float, step: float) -> Iterable[tuple[float, float]]:
    """The likely range where it lies in this line."""
    fan = sheet.fan
    if fan is not None:
        for at_h, low, high in zip(fan.hours, fan.low_c, fan.high_c, strict=True):
            if hour <= at_h < hour + step:
                yield low, high


def _fill(cells: list[str], scale: Scale, low: float, high: float, sign: str, clip: bool = False) -> None:
    """Puts a sign from one value to another; beyond the scale stands an arrow at its edge, with `clip` nothing."""
    if clip and not (scale.low <= high and low <= scale.high):
        return
    first, last = (min(len(cells) - 1, max(0, round(scale.at(value)))) for value in (low, high))
    cells[first : last + 1] = sign * (last - first + 1)
    if low < scale.low:
        cells[0] = "<"
    if high > scale.high:
        cells[-1] = ">"


# Words.


def _words(page: Page, hours: Sequence[float]) -> dict[int, str]:
    """The words by number of the line: what is too long goes on in the lines below, as far as those are free."""
    own = {number: text for number, hour in enumerate(hours) if (text := _told(page, hour))}
    found: dict[int, str] = {}
    for number, text in own.items():
        free = next((later - number for later in range(number + 1, len(hours)) if later in own), len(hours) - number)
        pieces = textwrap.wrap(text, max(4, page.room), max_lines=max(1, free), placeholder=" ..")
        found |= {number + below: piece for below, piece in enumerate(pieces)}
    return {number: text[: page.room] for number, text in found.items()}


def _told(page: Page, hour: float) -> str:
    sheet, end_h = page.sheet, hour + page.step
    marks = [mark for mark in sheet.marks if hour <= mark.hour < end_h]
    if sheet.now_h is not None and hour <= sheet.now_h < end_h:
        marks.append(Mark(sheet.now_h, "now", "now", rank=-1))
    for window in sheet.windows:
        if sheet.now_h is not None and window.opens_h > sheet.now_h and hour <= window.opens_h < end_h:
            until = "" if window.closes_h is None else f" to {window.closes_h:.0f}"
            marks.append(Mark(window.opens_h, "window", f"{window.label}: from hour {window.opens_h:.0f}{until}"))
    return "; ".join(mark.text for mark in sorted(marks, key=lambda mark: mark.rank))


def _legend(page: Page) -> Iterator[str]:
    sheet = page.sheet
    trays = [track.label for track in sheet.tracks if track.strip is Strip.KOJI]
    yield from (f"{SIGNS[number % len(SIGNS)]} {name}" for number, name in enumerate(trays))
    if any(track.strip is Strip.AIR and track.label != "room" for track in sheet.tracks):
        yield f"{AIR} air"
    bands = [limit for band in sheet.bands if band.strip is Strip.KOJI for limit in (band.begin, band.end)]
    if any(one.low is not None or one.high is not None for one in bands):
        yield f"{INNER} band"
    if any(one.low_low is not None or one.high_high is not None for one in bands):
        yield f"{OUTER} critical limit"
    if sheet.fan is not None:
        yield f"{AHEAD} likely, 8 chances in 10"
    yield "before a line: ! alarm, * done or noted"
