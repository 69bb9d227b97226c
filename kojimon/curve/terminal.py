"""The same sheet for a terminal: a line an hour or so, the koji as signs, words where they leave room. Pure text.

Every sign of its own is plain ASCII and no colour carries a meaning: what the marks say in other letters is turned into
plain ones where the terminal has no others (`cli.main`).
"""

from __future__ import annotations

import math
import re
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
NUMBER = 6
"""Columns of the koji's number, and of the air's where there is room."""
LEAST = 9
"""Fewer free columns of a line hold no words."""
FAR = 5
"""Words stand no further below their hour than so many lines."""


class Page(NamedTuple):
    """What every line shares: hours a line, the plot's scale and width, the column of clocks."""

    sheet: Sheet
    step: float
    scale: Scale
    wide: int
    clock: dict[int, str] | None

    @property
    def narrow(self) -> bool:
        """Whether there is no room for clock and air."""
        return self.clock is None


def lines(sheet: Sheet, columns: int, rows: int, fahrenheit: bool, zone: str) -> list[str]:
    """The sheet as lines of text, the koji over at least 60 % of the width.

    Args:
        columns: width of the terminal.
        rows: about how many lines there may be.
    """
    step = next((one for one in STEPS_H if (sheet.to_h - sheet.from_h) / one <= max(4, rows - 4)), 12.0)
    first_h = math.floor(sheet.from_h / step) * step
    clock = None if columns < NARROW else _clock(sheet, zone, step, first_h)
    wide = columns - (7 + NUMBER if clock is None else 13 + 2 * NUMBER)
    page = Page(sheet, step, scale_of(sheet, Strip.KOJI, 0, wide - 1, fahrenheit), wide, clock)
    hours = [first_h + number * step for number in range(math.ceil((sheet.to_h - first_h) / step))]
    plot = [_cells(page, hour) for hour in hours]
    left = [f"hour {hours[number]:g}: {text}" for number, text in _put_words(page, hours, plot)]
    head, unit = "hour   " if page.narrow else "hour clock   ", "F" if fahrenheit else "C"
    names = ("koji",) if page.narrow else ("koji", "air")
    found = [f"{head}{_scale(page.scale, wide)}{''.join(f'{name} {unit}'.rjust(NUMBER) for name in names)}"]
    found += [_line(page, number, hour, plot[number]) for number, hour in enumerate(hours)]
    found += textwrap.wrap(". ".join(left), columns, max_lines=3, placeholder=" ..")
    found += textwrap.wrap(", ".join(_legend(page)), columns)
    return [line.rstrip() for line in found]


def _clock(sheet: Sheet, zone: str, step: float, first_h: float) -> dict[int, str]:
    """Text of the clock by number of the line; where a day begins, its name."""
    ticks = clock_ticks(sheet, zone, 1.0, max(1.0, step))
    return {int((tick.hour - first_h) / step): tick.text.split(" ")[0] for tick in ticks}


def _scale(scale: Scale, wide: int) -> str:
    cells = [" "] * (wide + 4)
    for value, text in scale.ticks(6):
        at = round(scale.at(value))
        if 0 <= at < wide - len(text):
            cells[at : at + len(text)] = text
    return "".join(cells)[:wide]


def _koji(sheet: Sheet) -> list[Track]:
    return [track for track in sheet.tracks if track.strip is Strip.KOJI]


def _air(sheet: Sheet) -> list[Track]:
    return [track for track in sheet.tracks if track.strip is Strip.AIR and track.label != "room"]


def _line(page: Page, number: int, hour: float, cells: Sequence[str]) -> str:
    tops = [high for track in _koji(page.sheet) for _, high in _spans(track, hour, page.step)]
    means = [(low + high) / 2 for track in _air(page.sheet) for low, high in _spans(track, hour, page.step)]
    at = f"{hour:>4.0f} " if page.step >= 1 or not hour % 1 else "     "
    told = "" if page.clock is None else f"{page.clock.get(number, ''):<6}"
    values = [max(tops, default=None), *(() if page.narrow else (sum(means) / len(means) if means else None,))]
    texts = ["-" if value is None else f"{page.scale.shown(value):.1f}" for value in values]
    shown = "".join(text.rjust(NUMBER) for text in texts)
    blank = page.sheet.now_h is not None and hour >= page.sheet.now_h
    return f"{at}{told}{_sign(page, hour)} {''.join(cells)}{'' if blank else shown}"


def _sign(page: Page, hour: float) -> str:
    """`!` while an alarm lasted, `*` where something was done or written."""
    end_h = hour + page.step
    marks = page.sheet.marks
    if any(mark.kind == "alarm" and mark.hour < end_h and (mark.until_h or mark.hour) >= hour for mark in marks):
        return "!"
    return "*" if any(mark.kind in ("step", "note") and hour <= mark.hour < end_h for mark in marks) else " "


def _cells(page: Page, hour: float) -> list[str]:
    """The plot of one line: limits, the likely range, the air, the trays; later ones stand over earlier ones."""
    cells = [" "] * page.wide
    for sign, limit in _limits(page.sheet, min(hour + page.step / 2, page.sheet.to_h)):
        _fill(cells, page.scale, limit, limit, sign, clip=True)
    for low, high in _ahead(page.sheet, hour, page.step):
        _fill(cells, page.scale, low, high, AHEAD)
    tracks = [(AIR, track) for track in _air(page.sheet)]
    tracks += [(SIGNS[number % len(SIGNS)], track) for number, track in reversed(list(enumerate(_koji(page.sheet))))]
    for sign, track in tracks:
        spans = _spans(track, hour, page.step)
        if spans:
            low, high = min(low for low, _ in spans), max(high for _, high in spans)
            _fill(cells, page.scale, low, high, sign, clip=sign == AIR)
    return cells


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


def _put_words(page: Page, hours: Sequence[float], plot: list[list[str]]) -> Iterator[tuple[int, str]]:
    """Puts the words where their line is free; what is too long goes on in the lines below, up to the next words.

    Yields the line and the words that find no place.
    """
    own = {number: text for number, hour in enumerate(hours) if (text := _told(page, hour))}
    for number, text in own.items():
        ends = next((later for later in range(number + 1, len(hours)) if later in own), len(hours))
        near = plot[number : min(ends, number + FAR)]
        free = [(cells, *room) for cells in near if (room := _free(cells))[1] >= LEAST]
        whole = rest = " ".join(text.split())
        for index, (cells, begin, size) in enumerate(free):
            most = 1 if index == len(free) - 1 else None
            piece = textwrap.wrap(rest, size, max_lines=most, placeholder=" ..")[0]
            if piece.strip(" .") == "":
                break
            cells[begin : begin + len(piece)] = piece
            rest = rest[len(piece) :].strip()
            if not rest:
                break
        if rest == whole:
            yield number, whole


def _free(cells: Sequence[str]) -> tuple[int, int]:
    """The longest stretch of a line with nothing in it: its begin and size, less a blank at each end."""
    runs = [(found.end() - found.start(), found.start()) for found in re.finditer(" +", "".join(cells))]
    size, begin = max(runs, key=lambda run: run[0], default=(0, 0))
    return begin + 1, size - 2


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
    yield from (f"{SIGNS[number % len(SIGNS)]} {track.label}" for number, track in enumerate(_koji(sheet)))
    if _air(sheet):
        yield f"{AIR} air"
    bands = [limit for band in sheet.bands if band.strip is Strip.KOJI for limit in (band.begin, band.end)]
    if any(one.low is not None or one.high is not None for one in bands):
        yield f"{INNER} band"
    if any(one.low_low is not None or one.high_high is not None for one in bands):
        yield f"{OUTER} critical limit"
    if sheet.fan is not None:
        yield f"{AHEAD} likely, 8 chances in 10"
    yield "before a line: ! alarm, * done or noted"
