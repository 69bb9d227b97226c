"""Where everything stands: hours down on a phone, across on a wide screen; the koji wide, air and humidity slim."""

from __future__ import annotations

from typing import NamedTuple

from kojimon.curve.sheet import Sheet, Strip, Style

LIE_PX = 640
"""From this width on the hours run across."""
WIDE_PX = 1000
"""From this width on letters are a size larger."""
SLIM_PX = {True: 40.0, False: 30.0}
"""Air and humidity across, by whether the hours run across; between strips a gap."""
GAP_PX = 4.0
TIMES_EM = 3.45
"""Room for `22:43` beside hours that run down, of the font's size."""
SHORTEST_PX, TALLEST_PX = 380.0, 860.0
PER_HOUR_PX = 14.0
"""An hour of a sheet whose height nobody asked for."""


class Span(NamedTuple):
    """A stretch along one axis, px."""

    begin: float
    size: float

    @property
    def end(self) -> float:
        """Where it ends, px."""
        return self.begin + self.size


class Layout(NamedTuple):
    """All measures of a picture, px. `along` is the axis of the hours, `across` that of the values.

    Attributes:
        lying: whether the hours run across the picture.
        font: size of the words; line: from one line to the next.
        along: where hour `from_h` stands, and the last one.
        strips: those the sheet has tracks for, across.
        head: baseline of what stands above the strips.
    """

    lying: bool
    width: float
    height: float
    font: float
    line: float
    along: Span
    from_h: float
    per_hour: float
    strips: dict[Strip, Span]
    head: float

    def at(self, hour: float) -> float:
        """Place of an hour along the picture."""
        return self.along.begin + (hour - self.from_h) * self.per_hour

    def xy(self, along: float, across: float) -> tuple[float, float]:
        """A place as x and y."""
        return (along, across) if self.lying else (across, along)

    def box(self, along: Span, across: Span) -> dict[str, float]:
        """A rectangle as attributes."""
        wide, high = (along, across) if self.lying else (across, along)
        return {"x": wide.begin, "y": high.begin, "width": wide.size, "height": high.size}

    def line_at(self, along: float, begin: float, end: float) -> str:
        """The `d` of a line across, at a place along."""
        (x0, y0), (x1, y1) = self.xy(along, begin), self.xy(along, end)
        return f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"


def strips_of(sheet: Sheet) -> list[Strip]:
    """The strips there is something to draw in; the koji's always."""
    wanted = {track.strip for track in sheet.tracks if track.runs} | {Strip.KOJI}
    return [strip for strip in Strip if strip in wanted]


def font_of(width_px: float) -> float:
    """Size of the words, px."""
    return 11.0 if width_px < LIE_PX else 12.0 if width_px < WIDE_PX else 13.0


def height_of(sheet: Sheet, style: Style) -> float:
    """Height of the picture, px: what was asked, else what suits its width and hours."""
    if style.height_px:
        return style.height_px
    wanted = style.width_px * 0.5 if style.width_px >= LIE_PX else 120 + (sheet.to_h - sheet.from_h) * PER_HOUR_PX
    return min(TALLEST_PX, max(SHORTEST_PX, wanted))


def arrange(sheet: Sheet, style: Style, above_px: float, below_px: float) -> Layout:
    """The measures of a picture.

    Args:
        above_px, below_px: room for the legend.
    """
    lying = style.width_px >= LIE_PX
    width, height, font = float(style.width_px), height_of(sheet, style), font_of(style.width_px)
    line = font * 1.3
    strips, slim = strips_of(sheet), SLIM_PX[lying] + GAP_PX
    if lying:
        top, bottom = above_px + 1.5 * line, height - below_px - 2.4 * line
        along, first, room = Span(3.4 * font, width - 3.4 * font - 1), top, bottom - top
    else:
        top, bottom = above_px + 2.6 * line, height - below_px - 1.5 * line
        along, first, room = Span(top, bottom - top), TIMES_EM * font, width - TIMES_EM * font - 1
    columns: dict[Strip, Span] = {}
    for strip in strips:
        size = max(80.0, room - slim * (len(strips) - 1)) if strip is Strip.KOJI else SLIM_PX[lying]
        columns[strip] = Span(first, size)
        first += size + GAP_PX
    per_hour = along.size / (sheet.to_h - sheet.from_h)
    return Layout(lying, width, height, font, line, along, sheet.from_h, per_hour, columns, above_px + line)
