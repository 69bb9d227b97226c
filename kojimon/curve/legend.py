"""What every line and sign means, in words: colour is never the only sign. Lines above the picture, signs below it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from kojimon.curve.element import num, tag, width_of, words
from kojimon.curve.margin import sign
from kojimon.curve.sheet import Sheet, Strip

SAMPLE_PX = 24.0
TONES = 4
"""Lines are told apart by so many dashes, markers and colours, then they begin anew."""
MARKERS = ("M-3 0A3 3 0 1 0 3 0A3 3 0 1 0 -3 0Z", "M-2.8 -2.8H2.8V2.8H-2.8Z", "M0 -3.6L3.5 2.6H-3.5Z",
           "M0 -3.9L3.9 0L0 3.9L-3.9 0Z")  # fmt: skip


class Entry(NamedTuple):
    """A sample and its words. `shape` is `line`, `area` or a sign of the marks; `names` what it switches off."""

    shape: str
    class_: str
    text: str
    names: str = ""
    number: int = -1


def class_of(sheet: Sheet, index: int) -> tuple[str, int]:
    """The class of a track, and its number among the tracks of its strip."""
    track = sheet.tracks[index]
    number = sum(other.strip is track.strip for other in sheet.tracks[:index]) % TONES
    return f"k-line k-{track.strip}-{number}", number


def marker(number: int, x: float, y: float, class_: str) -> str:
    """The shape that tells a tray's line apart without its colour."""
    return tag("path", d=MARKERS[number % TONES], transform=f"translate({num(x)} {num(y)})",
               class_=f"k-marker {class_}")  # fmt: skip


def lines_of(sheet: Sheet) -> Iterator[Entry]:
    """Every line, in order: a tray each; air and humidity as a whole."""
    for index, track in enumerate(sheet.tracks):
        class_, number = class_of(sheet, index)
        if track.runs:
            yield Entry("line", class_, track.label, track.name, number if track.strip is Strip.KOJI else -1)
    if sheet.earlier:
        yield Entry("line", "k-line k-earlier", sheet.earlier.label, "earlier")
    if sheet.fan:
        yield Entry("area", "k-fan", "likely, 8 chances in 10", "fan")


def signs_of(sheet: Sheet) -> Iterator[Entry]:
    """Everything else the sheet uses."""
    if any(band.strip is Strip.KOJI for band in sheet.bands):
        yield Entry("area", "k-band", "band of the stage")
    if sheet.windows:
        yield Entry("area", "k-window", "time for a step")
    kinds = {mark.kind for mark in sheet.marks}
    for kind, text in (("step", "step done"), ("alarm", "alarm"), ("note", "note"), ("gap", "nothing read")):
        if kind in kinds:
            yield Entry(kind, f"k-mark k-{kind}", text)


def rows_of(entries: Iterable[Entry], width: float, font: float, hidden: frozenset[str]) -> tuple[list[str], float]:
    """The entries as markup that begins at the top, and their height, px."""
    parts: list[str] = []
    x, row, line = 0.0, 0, font * 1.6
    for entry in entries:
        room = SAMPLE_PX + 5 + width_of(entry.text, font) + 12
        if x and x + room > width:
            x, row = 0.0, row + 1
        off = " k-off" if entry.names in hidden else ""
        sample = _sample(entry, x, (row + 0.5) * line)
        text = words(x + SAMPLE_PX + 5, (row + 0.5) * line + font * 0.36, entry.text, "k-small")
        reach = tag("rect", x=x, y=row * line, width=room - 6, height=line, class_="k-reach") if entry.names else ""
        parts.append(tag("g", sample + text + reach, class_=f"k-entry{off}", data_name=entry.names or None))
        x += room
    return parts, (row + 1) * line + 2 if parts else 0.0


def _sample(entry: Entry, x: float, y: float) -> str:
    if entry.shape == "line":
        line = tag("path", d=f"M{num(x)} {num(y)}H{num(x + SAMPLE_PX)}", class_=entry.class_)
        return line + (marker(entry.number, x + SAMPLE_PX / 2, y, entry.class_) if entry.number >= 0 else "")
    if entry.shape == "area":
        return tag("rect", x=x, y=y - 4, width=SAMPLE_PX, height=8.0, class_=entry.class_)
    return sign(entry.shape, x + SAMPLE_PX / 2, y, "plain")
