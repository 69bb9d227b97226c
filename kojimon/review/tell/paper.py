"""A review as one printed page: title, what happened, what to change, the curve. One SVG of A4 size; pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import Struct

from kojimon.curve.element import escaped, num, tag, width_of
from kojimon.curve.margin import wrapped

WIDTH_PX, HEIGHT_PX = 794.0, 1123.0
"""A4 (ISO 216: 210 by 297 mm) at the 96 pixels an inch of CSS."""
EDGE_PX: Final = 53.0
"""14 mm."""
LEADING: Final = 1.35
BOLDER: Final = 1.15
LEAST_CURVE_PX: Final = 300.0


class Text(Struct, frozen=True):
    """A paragraph; `bold` begins it."""

    bold: str
    plain: str = ""
    size_px: float = 14.0


def curve_height(above: Sequence[Text], below: Sequence[Text]) -> float:
    """What the words leave for the curve, px."""
    words = sum(height for _, height in (_paragraph(text, 0.0) for text in (*above, *below)))
    return max(LEAST_CURVE_PX, HEIGHT_PX - 2 * EDGE_PX - words - 20)


def paper(above: Sequence[Text], svg: str, height_px: float, below: Sequence[Text]) -> str:
    """The page.

    Args:
        above, below: what stands over and under the curve.
        svg: the curve, standing alone, `WIDTH_PX - 2 * EDGE_PX` wide; height_px: its height.
    """
    parts: list[str] = [tag("rect", width=WIDTH_PX, height=HEIGHT_PX, fill="#fff")]
    y = EDGE_PX
    for text in above:
        written, height = _paragraph(text, y)
        parts.append(written)
        y += height
    parts.append(svg.replace("<svg ", f'<svg x="{num(EDGE_PX)}" y="{num(y + 6)}" ', 1))
    y += height_px + 16
    for text in below:
        written, height = _paragraph(text, y)
        parts.append(written)
        y += height
    size = {"width": num(WIDTH_PX), "height": num(HEIGHT_PX), "viewBox": f"0 0 {num(WIDTH_PX)} {num(HEIGHT_PX)}"}
    return tag("svg", "".join(parts), xmlns="http://www.w3.org/2000/svg", **size, font_family="DejaVu Sans, sans-serif")


def _paragraph(text: Text, y: float) -> tuple[str, float]:
    lines = list(_lines(text))
    high = text.size_px * LEADING
    parts = []
    for number, line in enumerate(lines):
        pieces = [tag("tspan", escaped(f"{piece} "), font_weight="700" if bold else None) for piece, bold in line]
        parts.append(tag("text", "".join(pieces), x=EDGE_PX, y=y + high * (number + 0.8), font_size=text.size_px))
    return "".join(parts), high * len(lines) + text.size_px * 0.35


def _lines(text: Text) -> Iterator[list[tuple[str, bool]]]:
    """The paragraph in lines: first the bold words, then the plain ones, going on behind them where there is room."""
    room = WIDTH_PX - 2 * EDGE_PX
    bold, _ = wrapped(text.bold, room / BOLDER, text.size_px, 20) if text.bold else ([], False)
    yield from ([(line, True)] for line in bold[:-1])
    last = [(bold[-1], True)] if bold else []
    used = width_of(f"{bold[-1]} ", text.size_px) * BOLDER if bold else 0.0
    if not text.plain:
        yield list(last)
        return
    first, rest = _fitting(text.plain, room - used, text.size_px)
    yield [*last, *([(first, False)] if first else [])]
    yield from ([(line, False)] for line in (wrapped(rest, room, text.size_px, 40)[0] if rest else []))


def _fitting(text: str, room: float, size_px: float) -> tuple[str, str]:
    """As many words as fit into a room, and the rest."""
    words = text.split()
    count = 0
    while count < len(words) and width_of(" ".join(words[: count + 1]), size_px) <= room:
        count += 1
    return " ".join(words[:count]), " ".join(words[count:])
