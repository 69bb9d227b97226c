"""Beside the strips: windows as bars, what happened as signs with words, near its hour and none over another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from kojimon.curve.element import NARROWEST, escaped, num, path, tag, width_of, words
from kojimon.curve.layout import Column, Layout
from kojimon.curve.sheet import Mark, Sheet, Style, Window
from kojimon.units import show_duration

LINES_MOST = 3
BOLDER = 1.12
"""So much wider bold words are, about."""
SIGNS_MOST = 300
"""Beyond so many marks (an alarm that comes and goes for a night) only those with words get a sign."""
Place = Callable[[float], float]
"""An hour to its place down the sheet, px."""


class Label(NamedTuple):
    """A mark's words: lines, and where the block wants to stand and stands (top edge, px)."""

    mark: Mark
    lines: tuple[str, ...]
    cut: bool
    wanted: float
    top: float


def margin(sheet: Sheet, layout: Layout, style: Style) -> str:
    """Windows, signs and words."""

    def y_of(hour: float) -> float:
        return layout.top + (hour - sheet.from_h) * style.per_hour_px

    marks = sheet.marks if sheet.now_h is None else (*sheet.marks, Mark(sheet.now_h, "now", "now", rank=-1))
    shown = [mark for mark in marks if sheet.from_h <= mark.hour <= sheet.to_h]
    parts = [_windows(sheet, layout, y_of)]
    lasting = [mark for mark in sheet.marks if mark.until_h is not None]
    parts += [_lasting(mark, layout, y_of, sheet) for mark in lasting[:SIGNS_MOST]]
    labels, left_out = place([_label(mark, layout, y_of(mark.hour)) for mark in shown], layout)
    signed = shown if len(shown) <= SIGNS_MOST else [label.mark for label in labels]
    parts += [
        sign(mark.kind, layout.marks.left + layout.marks.width / 2, y_of(mark.hour), mark.tone) for mark in signed
    ]
    parts += [_words(label, layout, y_of(label.mark.hour)) for label in labels]
    if left_out:
        text = f"+ {left_out} more"
        parts.append(words(layout.words.left + 4, layout.bottom + layout.line, text, "k-small"))
    return tag("g", "".join(parts), class_="k-margin")


SIGNS = {
    "step": "M-4 0A4 4 0 1 0 4 0A4 4 0 1 0 -4 0Z",
    "alarm": "M0 -5L5 4H-5Z",
    "note": "M-3.5 -3.5H3.5V3.5H-3.5Z",
    "stage": "M-5 0H5",
    "gap": "M-4 -3L4 3M-4 3L4 -3",
    "end": "M-4 -1.2H4V1.2H-4Z",
    "window": "M-4 -4L4 0L-4 4",
    "now": "M-6 -0.8H6V0.8H-6Z",
}
"""Shapes about their middle: each kind has its own, so that colour is never the only sign."""


def sign(kind: str, x: float, y: float, tone: str) -> str:
    """The sign of a kind of mark."""
    shape = SIGNS.get(kind, SIGNS["note"])
    return tag("path", d=shape, transform=f"translate({num(x)} {num(y)})", class_=f"k-mark k-{kind} k-tone-{tone}")


# Words.


def wrapped(text: str, room: float, font: float, most: int) -> tuple[list[str], bool]:
    """The text in at most so many lines of a width, and whether something was cut off (an ellipsis says so)."""
    lines: list[str] = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if not lines[-1] or width_of(longer, font) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    cut = len(lines) > most
    fitted = [_fit(line, room, font, force=cut and index == most - 1) for index, line in enumerate(lines[:most])]
    return fitted, cut or fitted != lines


def _fit(line: str, room: float, font: float, force: bool) -> str:
    if not force and width_of(line, font) <= room:
        return line
    line = line[: int(room / (NARROWEST * font)) + 1]  # a long word is cut at a stroke, not letter by letter
    while line and width_of(f"{line}…", font) > room:
        line = line[:-1]
    return f"{line.rstrip(' ,.;:')}…"


def _label(mark: Mark, layout: Layout, y: float) -> Label:
    font = layout.font * (BOLDER if mark.tone == "wrong" else 1.0)
    lines, cut = wrapped(mark.text, layout.words.width - 6, font, LINES_MOST if mark.rank == 0 else 2)
    return Label(mark, tuple(lines), cut, y - layout.line * 0.5, 0.0)


def _height(label: Label, layout: Layout) -> float:
    return len(label.lines) * layout.line + 1.5


def place(labels: Sequence[Label], layout: Layout) -> tuple[list[Label], int]:
    """The labels at places where none covers another, each as near to its hour as the others let it.

    Where there is no room for all, those of the highest rank number go first, the later before the earlier.

    Returns:
        The labels placed, in order, and how many were left out.
    """
    top, bottom = layout.top - layout.line * 0.5, layout.bottom + layout.line * 0.6
    kept: list[Label] = []
    room = bottom - top
    for label in sorted(labels, key=lambda label: (label.mark.rank, label.wanted)):
        if _height(label, layout) > room:
            break
        room -= _height(label, layout)
        kept.append(label)
    kept.sort(key=lambda label: label.wanted)
    placed: list[Label] = []
    at = top
    for label in kept:
        at = max(at, label.wanted)
        placed.append(label._replace(top=at))
        at += _height(label, layout)
    at = bottom
    for index in range(len(placed) - 1, -1, -1):
        label = placed[index]
        at = min(label.top, at - _height(label, layout))
        placed[index] = label._replace(top=at)
    return placed, len(labels) - len(kept)


def _words(label: Label, layout: Layout, y: float) -> str:
    left = layout.words.left + 4
    first = label.top + layout.line * 0.86
    middle = label.top + layout.line * 0.5
    leader = path([(layout.marks.left + layout.marks.width / 2 + 5, y), (left - 1, middle)])
    parts = [tag("path", d=leader, class_="k-leader")]
    title = label.mark.text if label.cut else ""
    class_ = f"k-word k-of-{label.mark.kind} k-tone-{label.mark.tone}"
    parts += [words(left, first + number * layout.line, text, class_, title) for number, text in enumerate(label.lines)]
    return "".join(parts)


# What lasts.


def _lasting(mark: Mark, layout: Layout, y_of: Place, sheet: Sheet) -> str:
    """A bar beside the signs while an alarm's condition held, or a hatched field across the strips for a gap."""
    assert mark.until_h is not None
    begin_h, end_h = max(mark.hour, sheet.from_h), min(mark.until_h, sheet.to_h)
    if end_h <= begin_h:
        return ""
    y0, y1 = y_of(begin_h), y_of(end_h)
    if mark.kind == "gap":
        left, right = min(c.left for c in layout.strips.values()), max(c.right for c in layout.strips.values())
        edges = f"M{num(left)} {num(y0)}H{num(right)}M{num(left)} {num(y1)}H{num(right)}"
        return tag("path", d=edges, class_="k-gap-edge")
    x = layout.marks.left + 1
    return tag("rect", x=x, y=y0, width=2.5, height=max(1.0, y1 - y0), class_=f"k-lasting k-tone-{mark.tone}")


def _windows(sheet: Sheet, layout: Layout, y_of: Place) -> str:
    """A bar a window, wide from where the work is wanted; bars that overlap stand side by side."""
    parts: list[str] = []
    taken: list[float] = []
    for window in sorted(sheet.windows, key=lambda one: one.opens_h):
        end_h = sheet.to_h if window.closes_h is None else window.closes_h
        begin_h, end_h = max(window.opens_h, sheet.from_h), min(end_h, sheet.to_h)
        if end_h <= begin_h:
            continue
        lane = next((index for index, until in enumerate(taken) if until <= begin_h), len(taken))
        taken[lane : lane + 1] = [end_h]
        parts.append(_bar(window, _lane(layout.windows, lane), y_of(begin_h), y_of(end_h), y_of))
    return "".join(parts)


def _lane(column: Column, number: int) -> Column:
    wide = column.width / 2
    return Column(column.left + (number % 2) * wide, wide - 1)


def _bar(window: Window, lane: Column, y0: float, y1: float, y_of: Place) -> str:
    hint = f"{window.label}: hour {window.opens_h:.1f}"
    if window.closes_h is not None:
        hint += f" to {window.closes_h:.1f} ({show_duration((window.closes_h - window.opens_h) * 3600)})"
    parts = [tag("title", escaped(hint))]
    parts.append(tag("rect", x=lane.left, y=y0, width=lane.width, height=max(1.0, y1 - y0), class_="k-window"))
    if window.due_h is not None and y0 <= (due := y_of(window.due_h)) <= y1:
        parts.append(tag("rect", x=lane.left, y=due, width=lane.width, height=max(1.0, y1 - due), class_="k-due"))
    return tag("g", "".join(parts))
