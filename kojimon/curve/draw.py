"""A sheet as one SVG text. The same sheet and style give the same text, byte for byte."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.curve.axes import clock_at, clock_ticks, hour_ticks, scale_of
from kojimon.curve.element import num, tag, width_of, words
from kojimon.curve.layout import TIMES_EM, Layout, arrange, font_of
from kojimon.curve.legend import lines_of, rows_of, signs_of
from kojimon.curve.look import CSS
from kojimon.curve.margin import margin
from kojimon.curve.sheet import Sheet, Strip, Style
from kojimon.curve.strips import strip_of
from kojimon.curve.thin import extremes
from kojimon.units import show_temperature

SHORTEST_H = 0.05
SHORT_H = 3.0
"""A sheet no longer than that is read by the clock: ticks stand at its half hours, beside them the batch's hours."""
FONTS = {11.0: "k-small-font", 12.0: "", 13.0: "k-wide-font"}


def draw(sheet: Sheet, style: Style | None = None) -> str:
    """The sheet as SVG.

    Args:
        sheet: what is drawn; a sheet with nothing in it is an empty form.
        style: how.

    Returns:
        One `<svg>` element; its text alternative stands in `aria-label`. Every text is escaped.
    """
    style = style or Style()
    if sheet.to_h - sheet.from_h < SHORTEST_H:
        sheet = replace(sheet, to_h=sheet.from_h + SHORTEST_H)
    font, shown = font_of(style.width_px), _shown(sheet, style.hidden)
    above, above_px = rows_of(lines_of(sheet), style.width_px, font, style.hidden)
    below, below_px = rows_of(signs_of(shown), style.width_px, font, style.hidden)
    layout = arrange(shown, style, above_px, below_px)
    parts = [f"<style>{CSS}</style>" if style.standalone else "", tag("g", "".join(above), class_="k-legend")]
    parts.append(tag("g", "".join(below), class_="k-legend", transform=f"translate(0 {num(layout.height - below_px)})"))
    scales = {
        strip: scale_of(shown, strip, span.begin, span.size, style.fahrenheit, layout.lying)
        for strip, span in layout.strips.items()
    }
    parts += [strip_of(shown, strip, scale, layout) for strip, scale in scales.items()]
    parts += [_times(shown, layout, style), _now(shown, layout), margin(shown, scales[Strip.KOJI], layout, style)]
    size = {"width": num(layout.width), "height": num(layout.height)}
    return tag(
        "svg", "".join(parts), xmlns="http://www.w3.org/2000/svg", **size,
        viewBox=f"0 0 {size['width']} {size['height']}", class_=f"k-sheet {FONTS[font]}".strip(),
        role="img", aria_label=told(shown, style), data_from=f"{sheet.from_h:.6g}",
        data_begin=num(layout.along.begin), data_end=num(layout.along.end), data_per_hour=f"{layout.per_hour:.6g}",
        data_seams=" ".join(f"{seam.from_h:.6g}:{seam.utc_ms}" for seam in sheet.seams) or None,
        data_lying="yes" if layout.lying else None,
    )  # fmt: skip


def _shown(sheet: Sheet, hidden: frozenset[str]) -> Sheet:
    """The sheet without what was switched off."""
    if not hidden:
        return sheet
    tracks = tuple(one for one in sheet.tracks if one.name not in hidden and str(one.strip) not in hidden)
    return replace(
        sheet, tracks=tracks, earlier=None if "earlier" in hidden else sheet.earlier,
        fan=None if "fan" in hidden else sheet.fan,
    )  # fmt: skip


def told(sheet: Sheet, style: Style) -> str:
    """The sheet in one sentence, for those who do not see it."""
    parts = [f"{sheet.title}, hour {round(sheet.from_h)} to {round(sheet.to_h)}"]
    for strip, name in ((Strip.KOJI, "koji"), (Strip.AIR, "box air")):
        runs = [run for track in sheet.tracks if track.strip is strip for run in track.runs]
        found = extremes(runs, sheet.from_h, sheet.to_h)
        if found:
            low, high = (show_temperature(value, style.fahrenheit) for value in found)
            parts.append(f"{name} from {low} to {high}")
    done = [mark for mark in sheet.marks if mark.kind == "step" and sheet.from_h <= mark.hour <= sheet.to_h]
    if done:
        parts.append("done: " + ", ".join(f"{mark.text} at hour {mark.hour:.1f}" for mark in done))
    return "; ".join(parts)


def _times(sheet: Sheet, layout: Layout, style: Style) -> str:
    """Hours with the clock at them along the strips, a line across for each; a stronger one where a day begins."""
    first, last = min(s.begin for s in layout.strips.values()), max(s.end for s in layout.strips.values())
    parts = []
    for tick in clock_ticks(sheet, style.zone, layout.per_hour, 24 * layout.per_hour):
        if tick.day:
            parts.append(tag("path", d=layout.line_at(layout.at(tick.hour), first, last), class_="k-hour k-day-line"))
    today, short, hours = "", bool(sheet.seams) and sheet.to_h - sheet.from_h <= SHORT_H, _hours(sheet, layout, style)
    for hour in hours:
        along = layout.at(hour)
        parts.append(tag("path", d=layout.line_at(along, first, last), class_="k-hour"))
        found = clock_at(sheet, style.zone, hour)
        day, clock = found or ("", "")
        clock = clock if sheet.clock_sure or not found else f"{clock}?"
        new, today = ("" if day == today else day), day
        since = f"{round(hour, 1):g} h" if sheet.inoculated or not short else ""
        parts += _tick(*((clock, since) if short else (since, clock)), new, along, last, layout)
    return tag("g", "".join(parts), class_="k-times")


def _hours(sheet: Sheet, layout: Layout, style: Style) -> list[float]:
    """Where ticks stand: whole hours of the batch, or on a short sheet half hours of the clock."""
    room, span_h = (5.6 if layout.lying else 4.6) * layout.font, sheet.to_h - sheet.from_h
    if span_h > SHORT_H or not sheet.seams:
        return [float(hour) for hour in hour_ticks(sheet, layout.per_hour, room)]
    ticks = clock_ticks(sheet, style.zone, layout.per_hour, room, 30 if span_h > 1.0 else 15)
    return [tick.hour for tick in ticks]


def _tick(head: str, below: str, day: str, along: float, last: float, layout: Layout) -> list[str]:
    font, line = layout.font, layout.line
    if layout.lying:
        # The day stands before the clock, wherever that is.
        head, below = (f"{day} {text}".strip() if ":" in text else text for text in (head, below))
        half = max(2.4 * font, width_of(below, font) / 2)
        x = min(layout.width - half, max(half, along))
        found = [words(x, last + line * 0.95, head, "k-head k-middle")]
        return [*found, words(x, last + line * 1.9, below, "k-clock k-middle")] if below else found
    right = TIMES_EM * font - 4
    low = min(along, layout.along.end - font * (1.0 if day else 0.4))
    head, below = (text.split(" ", maxsplit=1)[0] if ":" in text else text for text in (head, below))
    # A bold clock is wider than the room.
    parts = [words(right, low + font * 0.36, head, "k-end-of" if ":" in head else "k-head k-end-of")]
    if below:
        parts.append(words(right, low + font * 0.36 + 0.9 * line, below, "k-clock k-end-of"))
    if day:
        parts.append(words(right, low + font * 0.36 + 1.75 * line, day, "k-clock k-end-of"))
    return parts


def _now(sheet: Sheet, layout: Layout) -> str:
    if sheet.now_h is None or not sheet.from_h <= sheet.now_h <= sheet.to_h:
        return ""
    first, last = min(s.begin for s in layout.strips.values()), max(s.end for s in layout.strips.values())
    return tag("path", d=layout.line_at(layout.at(sheet.now_h), first, last), class_="k-now")
