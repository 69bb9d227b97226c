"""One strip of the sheet: its band, its scale, its lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kojimon.curve.axes import Scale
from kojimon.curve.element import num, path, tag, width_of, words
from kojimon.curve.layout import Column, Layout
from kojimon.curve.legend import class_of
from kojimon.curve.sheet import Band, Limits, Run, Sheet, Strip, Style
from kojimon.curve.thin import line, rows

NAMES = {Strip.KOJI: "the koji", Strip.AIR: "box air", Strip.HUMIDITY: "humidity"}
SHORT = {Strip.KOJI: "koji", Strip.AIR: "air", Strip.HUMIDITY: "damp"}
UNITS = {"c": "°C", "f": "°F", "pct": "%"}
LEAST_PX = 0.2
"""Lowest and highest of a row of pixels nearer than this are drawn as one point."""
LIMITS = ("low_low", "low", "high", "high_high")


def strip_of(sheet: Sheet, strip: Strip, scale: Scale, layout: Layout, style: Style) -> str:
    """A whole strip. The script of the page finds the scale of its lines in the `data-` attributes."""
    column = layout.strips[strip]
    inside = [tag("rect", x=column.left, y=layout.top, width=column.width, height=layout.bottom - layout.top,
                  class_="k-ground")]  # fmt: skip
    inside += [_band(band, scale, sheet, layout, style) for band in sheet.bands if band.strip is strip]
    inside += _grid(scale, layout)
    if strip is Strip.KOJI:
        inside += _behind(sheet, scale, layout, style)
    lines = [
        _track(track.runs, class_of(sheet, index), track.label, scale, sheet, layout, style)
        for index, track in enumerate(sheet.tracks)
        if track.strip is strip
    ]
    # A nested svg cuts off at its own edges what lies beyond the strip's scale.
    clipped = tag(
        "svg", "".join((*inside, *lines)), x=column.left, y=layout.top, width=column.width,
        height=layout.bottom - layout.top,
        viewBox=f"{num(column.left)} {num(layout.top)} {num(column.width)} {num(layout.bottom - layout.top)}",
    )  # fmt: skip
    data = {
        "data_low": f"{scale.shown(scale.low):.4g}", "data_high": f"{scale.shown(scale.high):.4g}",
        "data_left": num(column.left), "data_width": num(column.width), "data_unit": UNITS[scale.unit],
    }  # fmt: skip
    return tag("g", _head(strip, scale, column, layout) + clipped, class_=f"k-strip k-{strip}", **data)


def _head(strip: Strip, scale: Scale, column: Column, layout: Layout) -> str:
    """Name and unit above the strip; its scale above and below it."""
    y = layout.top - 1.4 * layout.line
    head = f"{NAMES[strip]} {UNITS[scale.unit]}"
    if width_of(head, layout.font) > column.width:
        head = f"{SHORT[strip]} {UNITS[scale.unit]}"
    parts = [words(column.left, y, head, "k-head")]
    for value, text in scale.ticks(2.6 * layout.font):
        x = scale.x(value)
        if column.left + 4 <= x <= column.right - 4:
            parts.append(words(x, layout.top - 0.35 * layout.line, text, "k-tick k-middle"))
            parts.append(words(x, layout.bottom + 1.0 * layout.line, text, "k-tick k-middle"))
    return "".join(parts)


def _grid(scale: Scale, layout: Layout) -> list[str]:
    return [
        tag("path", d=f"M{num(scale.x(value))} {num(layout.top)}V{num(layout.bottom)}", class_="k-grid")
        for value, _ in scale.ticks(2.6 * layout.font)
    ]


def _band(band: Band, scale: Scale, sheet: Sheet, layout: Layout, style: Style) -> str:
    """The band as shading between its inner limits, each limit as a line of its own pattern."""
    top_h, end_h = max(band.from_h, sheet.from_h), min(band.to_h, sheet.to_h)
    if end_h <= top_h:
        return ""
    begin, end = limits_at(band, top_h), limits_at(band, end_h)
    y0, y1 = (layout.top + (hour - sheet.from_h) * style.per_hour_px for hour in (top_h, end_h))
    left = (scale.low if begin.low is None else begin.low, scale.low if end.low is None else end.low)
    right = (scale.high if begin.high is None else begin.high, scale.high if end.high is None else end.high)
    corners = [(left[0], y0), (right[0], y0), (right[1], y1), (left[1], y1)]
    area = path((scale.x(value), y) for value, y in corners) + " Z"
    parts = [tag("path", d=area, class_="k-band")]
    for name in LIMITS:
        first, last = getattr(begin, name), getattr(end, name)
        if first is not None and last is not None:
            d = path([(scale.x(first), y0), (scale.x(last), y1)])
            parts.append(tag("path", d=d, class_=f"k-limit k-{name.replace('_', '-')}"))
    return "".join(parts)


def limits_at(band: Band, hour: float) -> Limits:
    """The limits of a band at an hour within it: on a ramp they lie between those of its ends."""
    part = (hour - band.from_h) / (band.to_h - band.from_h)
    return Limits(
        *(
            one if one is None or other is None else one + (other - one) * part
            for one, other in zip(band.begin, band.end, strict=True)
        )
    )


def _behind(sheet: Sheet, scale: Scale, layout: Layout, style: Style) -> Iterable[str]:
    """What stands behind the koji's own lines: the earlier batch, the likely range."""
    if sheet.earlier:
        yield _track(sheet.earlier.runs, "k-line k-earlier", sheet.earlier.label, scale, sheet, layout, style)
    fan = sheet.fan
    if fan:
        ys = [layout.top + (hour - sheet.from_h) * style.per_hour_px for hour in fan.hours]
        low = [(scale.x(value), y) for value, y in zip(fan.low_c, ys, strict=True)]
        high = [(scale.x(value), y) for value, y in zip(fan.high_c, ys, strict=True)]
        yield tag("path", d=path([*low, *reversed(high)]) + " Z", class_="k-fan")
        middle = [(scale.x(value), y) for value, y in zip(fan.middle_c, ys, strict=True)]
        yield tag("path", d=path(middle), class_="k-line k-fan-middle")


def _track(
    runs: Sequence[Run], class_: str, label: str, scale: Scale, sheet: Sheet, layout: Layout, style: Style
) -> str:
    """A track's runs, each a line of its own: across a gap there is none. A lone reading is a dot."""
    least = LEAST_PX * (scale.high - scale.low) / scale.width
    parts = []
    for run in runs:
        found = line(rows(run, sheet.from_h, sheet.to_h, style.per_hour_px), least)
        places = [(scale.x(value), layout.top + y) for y, value in found]
        if len(places) == 1:
            parts.append(tag("circle", cx=places[0][0], cy=places[0][1], r=1.6, class_=class_.replace("line", "dot")))
        elif places:
            parts.append(tag("path", d=path(places), class_=class_))
    return tag("g", "".join(parts), class_="k-track", data_label=label) if parts else ""
