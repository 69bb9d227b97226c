"""One strip of the sheet: its band, its scale, its lines, and at its edges what lies beyond."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from kojimon.curve.axes import Scale
from kojimon.curve.element import num, path, tag, width_of, words
from kojimon.curve.layout import Layout, Span
from kojimon.curve.legend import class_of, marker
from kojimon.curve.sheet import Band, Limits, Run, Sheet, Strip
from kojimon.curve.thin import line, rows

NAMES = {Strip.KOJI: "the koji", Strip.AIR: "air", Strip.HUMIDITY: "damp"}
UNITS = {"c": "°C", "f": "°F", "pct": "%"}
LEAST_PX = 0.3
"""Lowest and highest of a row of pixels nearer than this are drawn as one point."""
ROW_PX = 1.5
"""So much along is one row, of which lowest and highest stay: a line of 1.8 px shows no more."""
MARKER_PX = 110.0
"""Between two markers of a line."""
LIMITS = ("low_low", "low", "high", "high_high")


def strip_of(sheet: Sheet, strip: Strip, scale: Scale, layout: Layout) -> str:
    """A whole strip. The script of the page finds the scale of its lines in the `data-` attributes."""
    span = layout.strips[strip]
    inside = [tag("rect", **layout.box(layout.along, span), class_="k-ground")]
    inside += [_band(band, scale, sheet, layout) for band in sheet.bands if band.strip is strip]
    inside += _grid(strip, scale, layout)
    if strip is Strip.KOJI:
        inside += _behind(sheet, scale, layout)
    for index, track in enumerate(sheet.tracks):
        if track.strip is strip:
            class_, number = class_of(sheet, index)
            inside.append(_track(track.runs, class_, track.label, scale, sheet, layout,
                                 number if strip is Strip.KOJI else -1))  # fmt: skip
    box = {name: num(value) for name, value in layout.box(layout.along, span).items()}
    # A nested svg cuts off at its own edges what lies beyond the strip's scale.
    clipped = tag("svg", "".join(inside), **box, viewBox=" ".join(box.values()))
    data = {
        "data_low": f"{scale.shown(scale.low):.4g}", "data_high": f"{scale.shown(scale.high):.4g}",
        "data_at_low": num(scale.at(scale.low)), "data_at_high": num(scale.at(scale.high)),
        "data_unit": UNITS[scale.unit],
    }  # fmt: skip
    return tag("g", clipped + _head(strip, scale, span, layout), class_=f"k-strip k-{strip}", **data)


def _ticks(strip: Strip, scale: Scale, layout: Layout) -> list[tuple[float, str]]:
    """The values that stand beside a strip; a slim one has two."""
    ticks = scale.ticks((1.9 if layout.lying else 2.8) * layout.font)
    return ticks if strip is Strip.KOJI or len(ticks) < 3 else [ticks[0], ticks[-1]]


def _head(strip: Strip, scale: Scale, span: Span, layout: Layout) -> str:
    """Name and unit of the strip, and its scale."""
    unit, font = UNITS[scale.unit], layout.font
    if layout.lying:
        return "".join(_lying_head(strip, scale, span, layout, unit))
    if strip is not Strip.KOJI:
        name = words(span.begin, layout.head, NAMES[strip])
        return name + words(span.begin, layout.head + layout.line, unit, "k-tick")
    parts = [words(span.begin, layout.head, f"{NAMES[strip]} {unit}", "k-head")]
    for value, text in _ticks(strip, scale, layout):
        half = width_of(text, font) / 2
        x = min(span.end - half, max(span.begin + half, scale.at(value)))
        for y in (layout.along.begin - 0.35 * layout.line, layout.along.end + layout.line):
            parts.append(words(x, y, text, "k-tick k-middle"))
    return "".join(parts)


def _lying_head(strip: Strip, scale: Scale, span: Span, layout: Layout, unit: str) -> Iterator[str]:
    left, font = layout.along.begin, layout.font
    if strip is Strip.KOJI:
        yield words(0, layout.head, f"{NAMES[strip]} {unit}", "k-head")
    else:
        name = f"{'box air' if strip is Strip.AIR else 'humidity'} {unit}"
        plate = {"x": left + 2, "y": span.begin + 1, "width": width_of(name, font) + 2, "height": font * 1.2}
        yield tag("rect", **plate, class_="k-plate") + words(left + 3, span.begin + font, name, "k-small")
    for value, text in _ticks(strip, scale, layout):
        y = min(span.end - 1, max(span.begin + font * 0.75, scale.at(value) + font * 0.36))
        yield words(left - 5, y, text, "k-tick k-end-of")


def _grid(strip: Strip, scale: Scale, layout: Layout) -> Iterator[str]:
    for value, _ in _ticks(strip, scale, layout):
        across = scale.at(value)
        (x0, y0), (x1, y1) = layout.xy(layout.along.begin, across), layout.xy(layout.along.end, across)
        yield tag("path", d=f"M{num(x0)} {num(y0)}L{num(x1)} {num(y1)}", class_="k-grid")


def _band(band: Band, scale: Scale, sheet: Sheet, layout: Layout) -> str:
    """The band as shading between its inner limits, each limit as a line of its own pattern."""
    from_h, to_h = max(band.from_h, sheet.from_h), min(band.to_h, sheet.to_h)
    if to_h <= from_h:
        return ""
    begin, end = limits_at(band, from_h), limits_at(band, to_h)
    ends = layout.at(from_h), layout.at(to_h)
    low = (scale.low if begin.low is None else begin.low, scale.low if end.low is None else end.low)
    high = (scale.high if begin.high is None else begin.high, scale.high if end.high is None else end.high)
    corners = [(ends[0], low[0]), (ends[0], high[0]), (ends[1], high[1]), (ends[1], low[1])]
    area = path(layout.xy(along, scale.at(value)) for along, value in corners) + " Z"
    parts = [tag("path", d=area, class_="k-band")]
    for name in LIMITS:
        first, last = getattr(begin, name), getattr(end, name)
        if first is not None and last is not None:
            d = path([layout.xy(ends[0], scale.at(first)), layout.xy(ends[1], scale.at(last))])
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


def _behind(sheet: Sheet, scale: Scale, layout: Layout) -> Iterable[str]:
    """What stands behind the koji's own lines: the earlier batch, the likely range."""
    if sheet.earlier:
        yield _track(sheet.earlier.runs, "k-line k-earlier", sheet.earlier.label, scale, sheet, layout, -1)
    fan = sheet.fan
    if fan:
        places = [layout.at(hour) for hour in fan.hours]
        low, middle, high = (
            [layout.xy(along, scale.at(value)) for along, value in zip(places, values, strict=True)]
            for values in (fan.low_c, fan.middle_c, fan.high_c)
        )
        yield tag("path", d=path([*low, *reversed(high)]) + " Z", class_="k-fan")
        yield tag("path", d=path(middle), class_="k-line k-fan-middle")


def _track(
    runs: Iterable[Run], class_: str, label: str, scale: Scale, sheet: Sheet, layout: Layout, number: int
) -> str:  # fmt: skip
    """A track's runs, each a line of its own: across a gap there is none. A lone reading is a marker.

    Args:
        number: of its marker; -1 for none.
    """
    least = LEAST_PX * (scale.high - scale.low) / scale.size
    parts: list[str] = []
    # Markers of different lines stand apart, so that two lines on one another can be told as well.
    next_px = (0.25 + 0.25 * number) * MARKER_PX
    for run in runs:
        found = line(rows(run, sheet.from_h, sheet.to_h, layout.per_hour / ROW_PX), least)
        places = [layout.xy(layout.along.begin + row * ROW_PX, scale.at(value)) for row, value in found]
        if len(places) == 1:
            dot = tag("circle", cx=places[0][0], cy=places[0][1], r=1.6, class_=class_.replace("line", "dot"))
            parts.append(dot if number < 0 else marker(number, *places[0], class_))
        elif places:
            parts.append(tag("path", d=path(places), class_=class_))
            for (row, _), place in zip(found, places, strict=True):
                if number >= 0 and row * ROW_PX >= next_px:
                    parts.append(marker(number, *place, class_))
                    next_px = row * ROW_PX + MARKER_PX
    return tag("g", "".join(parts), class_="k-track", data_label=label) if parts else ""
