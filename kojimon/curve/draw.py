"""A sheet as one SVG text. The same sheet and style give the same text, byte for byte."""

from __future__ import annotations

from kojimon.curve.axes import Tick, clock_ticks, hour_ticks, scale_of
from kojimon.curve.element import num, tag, words
from kojimon.curve.layout import NARROW_PX, Layout, arrange
from kojimon.curve.legend import legend
from kojimon.curve.look import CSS
from kojimon.curve.margin import margin
from kojimon.curve.sheet import Sheet, Strip, Style
from kojimon.curve.strips import strip_of
from kojimon.curve.thin import extremes
from kojimon.units import show_temperature

SHORTEST_H = 0.05


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
        from msgspec.structs import replace

        sheet = replace(sheet, to_h=sheet.from_h + SHORTEST_H)
    narrow = style.width_px < NARROW_PX
    above, legend_px = legend(sheet, style.width_px, 10.0 if narrow else 12.0)
    layout = arrange(sheet, style, legend_px)
    parts = [f"<style>{CSS}</style>" if style.standalone else "", above, _times(sheet, layout, style)]
    for strip, column in layout.strips.items():
        scale = scale_of(sheet, strip, column.left, column.width, style.fahrenheit)
        parts.append(strip_of(sheet, strip, scale, layout, style))
    parts += [_now(sheet, layout, style), margin(sheet, layout, style)]
    size = {"width": num(layout.width), "height": num(layout.height)}
    return tag(
        "svg", "".join(parts), xmlns="http://www.w3.org/2000/svg", **size,
        viewBox=f"0 0 {size['width']} {size['height']}", class_="k-sheet k-narrow" if narrow else "k-sheet",
        role="img", aria_label=told(sheet, style), data_from=f"{sheet.from_h:.6g}", data_top=num(layout.top),
        data_bottom=num(layout.bottom), data_per_hour=f"{style.per_hour_px:.6g}",
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
    """Hours and clock beside the sheet, with lines across its strips."""
    room = layout.line * 1.3
    left = min(column.left for column in layout.strips.values())
    right = max(column.right for column in layout.strips.values())
    head = layout.top - 1.4 * layout.line
    parts = [words(layout.hours.right - 6, head, "hour" if layout.width >= NARROW_PX else "h", "k-head k-end-of")]
    for tick in hour_ticks(sheet, style.per_hour_px, room * 1.6):
        y = _y(tick, sheet, layout, style)
        parts.append(tag("path", d=f"M{num(left)} {num(y)}H{num(right)}", class_="k-hour"))
        text = tick.text.removesuffix(" h")
        parts.append(words(layout.hours.right - 6, y + layout.font * 0.36, text, "k-tick k-end-of"))
    if sheet.seams:
        parts.append(words(layout.clock.left, head, "clock" if sheet.clock_sure else "clock?", "k-head"))
    for tick in clock_ticks(sheet, style.zone, style.per_hour_px, room * 1.6):
        y = _y(tick, sheet, layout, style)
        text = tick.text.split(" ")[0] if tick.day and layout.width < NARROW_PX else tick.text
        parts.append(words(layout.clock.left, y + layout.font * 0.36, text, "k-clock k-day" if tick.day else "k-clock"))
        if tick.day:
            line = f"M{num(layout.clock.left)} {num(y + layout.font * 0.5)}H{num(left)}"
            parts.append(tag("path", d=line, class_="k-hour k-day-line"))
    return tag("g", "".join(parts), class_="k-times")


def _now(sheet: Sheet, layout: Layout, style: Style) -> str:
    if sheet.now_h is None or not sheet.from_h <= sheet.now_h <= sheet.to_h:
        return ""
    y = layout.top + (sheet.now_h - sheet.from_h) * style.per_hour_px
    return tag("path", d=f"M{num(layout.hours.right)} {num(y)}H{num(layout.marks.left)}", class_="k-now")


def _y(tick: Tick, sheet: Sheet, layout: Layout, style: Style) -> float:
    return layout.top + (tick.hour - sheet.from_h) * style.per_hour_px
