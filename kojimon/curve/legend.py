"""What every line and sign means, in words, above the sheet: colour is never the only sign."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from kojimon.curve.element import tag, width_of, words
from kojimon.curve.margin import sign
from kojimon.curve.sheet import Sheet, Strip

SAMPLE_PX = 22.0
TONES = 4
"""Lines are told apart by so many patterns of dashes and colours, then they begin anew."""


class Entry(NamedTuple):
    """A sample and its words. `shape` is `line`, `area` or a sign of the marks."""

    shape: str
    class_: str
    text: str


def class_of(sheet: Sheet, index: int) -> str:
    """The class of a track: its strip and its number among the tracks of that strip."""
    track = sheet.tracks[index]
    number = sum(other.strip is track.strip for other in sheet.tracks[:index])
    return f"k-line k-{track.strip}-{number % TONES}"


def entries(sheet: Sheet) -> Iterator[Entry]:
    """Everything the sheet uses, in order."""
    for index, track in enumerate(sheet.tracks):
        if track.runs:
            yield Entry("line", class_of(sheet, index), track.label)
    if sheet.earlier:
        yield Entry("line", "k-line k-earlier", sheet.earlier.label)
    if sheet.fan:
        yield Entry("area", "k-fan", "likely range, 8 of 10")
    if any(band.strip is Strip.KOJI for band in sheet.bands):
        yield Entry("area", "k-band", "band of the stage")
    if sheet.windows:
        yield Entry("area", "k-window", "time for a step")
    kinds = {mark.kind for mark in sheet.marks}
    for kind, text in (("step", "step done"), ("alarm", "alarm"), ("note", "note"), ("gap", "nothing read")):
        if kind in kinds:
            yield Entry(kind, f"k-mark k-{kind}", text)


def legend(sheet: Sheet, width: float, font: float) -> tuple[str, float]:
    """The legend as markup, and its height, px."""
    parts: list[str] = []
    x, row, line = 0.0, 0, font * 1.45
    for entry in entries(sheet):
        room = SAMPLE_PX + 5 + width_of(entry.text, font) + 12
        if x and x + room > width:
            x, row = 0.0, row + 1
        y = (row + 0.5) * line
        if entry.shape == "line":
            parts.append(tag("path", d=f"M{x:.1f} {y:.1f}H{x + SAMPLE_PX:.1f}", class_=entry.class_))
        elif entry.shape == "area":
            parts.append(tag("rect", x=x, y=y - 4, width=SAMPLE_PX, height=8.0, class_=entry.class_))
        else:
            parts.append(sign(entry.shape, x + SAMPLE_PX / 2, y, "plain"))
        parts.append(words(x + SAMPLE_PX + 5, y + font * 0.36, entry.text, "k-small"))
        x += room
    height = (row + 1) * line + 4 if parts else 0.0
    return (tag("g", "".join(parts), class_="k-legend") if parts else ""), height
