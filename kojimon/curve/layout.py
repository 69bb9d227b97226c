"""Where the columns of a sheet stand, by its width: hours and clock, the strips, windows and marks, the words."""

from __future__ import annotations

from typing import NamedTuple

from kojimon.curve.sheet import Sheet, Strip, Style

NARROW_PX = 520
"""Below this the sheet is a phone's: smaller words, narrower columns."""


class Column(NamedTuple):
    """A column: left edge and width, px."""

    left: float
    width: float

    @property
    def right(self) -> float:
        """Right edge, px."""
        return self.left + self.width


class Layout(NamedTuple):
    """All measures of a sheet, px.

    Attributes:
        hours, clock: times beside the strips.
        strips: those the sheet has tracks for, in order.
        windows: the lane of windows; marks: the lane of signs; words: what happened, in words.
        top: where hour `from_h` stands, below heads and scales; bottom: where `to_h` stands.
        font: size of the words; line: from one line to the next.
    """

    width: float
    height: float
    top: float
    bottom: float
    font: float
    line: float
    hours: Column
    clock: Column
    strips: dict[Strip, Column]
    windows: Column
    marks: Column
    words: Column


SHARE = {Strip.KOJI: 3.0, Strip.AIR: 1.35, Strip.HUMIDITY: 1.05}
HEAD_LINES = 2.4
"""Lines above a strip: its name, its scale."""


def strips_of(sheet: Sheet) -> list[Strip]:
    """The strips there is something to draw in; the koji's where a forecast or an earlier batch is shown."""
    wanted = {track.strip for track in sheet.tracks if track.runs}
    if sheet.fan or sheet.earlier:
        wanted.add(Strip.KOJI)
    return [strip for strip in Strip if strip in wanted] or [Strip.KOJI]


def arrange(sheet: Sheet, style: Style, legend_px: float) -> Layout:
    """The measures of a sheet.

    Args:
        legend_px: room for the legend above everything.
    """
    narrow = style.width_px < NARROW_PX
    font = 10.0 if narrow else 12.0
    gap = 6.0 if narrow else 14.0
    hours = Column(0, (2.9 if narrow else 3.4) * font)
    clock = Column(hours.right, (3.5 if narrow else 6.0) * font if sheet.seams else 0)
    lane, sign = (7.0, 12.0) if narrow else (10.0, 16.0)
    told = bool(sheet.marks or sheet.windows or sheet.now_h is not None)
    words_px = max(74.0, style.width_px * (0.225 if narrow else 0.31)) if told else 0.0
    strips = strips_of(sheet)
    right = style.width_px - words_px - sign - lane - gap
    room = right - clock.right - gap * len(strips)
    share, left = sum(SHARE[strip] for strip in strips), clock.right
    columns: dict[Strip, Column] = {}
    for strip in strips:
        columns[strip] = Column(left, room * SHARE[strip] / share)
        left = columns[strip].right + gap
    windows = Column(right, lane)
    marks = Column(windows.right, sign)
    line = font * 1.25
    top = legend_px + HEAD_LINES * line
    bottom = top + (sheet.to_h - sheet.from_h) * style.per_hour_px
    return Layout(
        style.width_px, bottom + 1.6 * line, top, bottom, font, line, hours, clock, columns, windows, marks,
        Column(marks.right, style.width_px - marks.right),
    )  # fmt: skip
