"""SVG elements as text. Everything that comes from outside passes `words` or `tag` and is escaped there."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from html import escape

NARROWEST = 0.32
"""Width of the narrowest letter, of the font's size."""
_ILLEGAL = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters XML 1.0 knows no way to write (section 2.2, production 2)."""
_WHITE = {9: "&#9;", 10: "&#10;", 13: "&#13;"}


def clean(text: str) -> str:
    """The text without characters that no XML may hold."""
    return _ILLEGAL.sub("", text)


def escaped(text: str) -> str:
    """The text as the content of an element."""
    return escape(clean(text), quote=False)


def num(value: float) -> str:
    """A coordinate to a tenth of a pixel, as short as it goes."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def tag(name: str, content: str = "", /, **attributes: str | float | None) -> str:
    """An element; `content` is markup already. `class_` stands for class, other underscores become hyphens."""
    written = "".join(
        f" {key.rstrip('_').replace('_', '-')}=" + (_quoted(value) if isinstance(value, str) else f'"{num(value)}"')
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{name}{written}>{content}</{name}>" if content else f"<{name}{written}/>"


def _quoted(text: str) -> str:
    """A value of an attribute; a line break would be read as a space (XML 1.0, 3.3.3)."""
    return '"' + escaped(text).replace('"', "&quot;").translate(_WHITE) + '"'


def words(x: float, y: float, text: str, class_: str = "", title: str = "") -> str:
    """A line of text with its baseline at y; `title` is shown whole where the text was cut."""
    hint = tag("title", escaped(title)) if title else ""
    return tag("text", hint + escaped(text), x=x, y=y, class_=class_ or None)


def path(points: Iterable[tuple[float, float]]) -> str:
    """The `d` of a line through points: a moveto, then relative steps whose rounding (0.1 px) never adds up."""
    written: list[str] = []
    at_x = at_y = 0
    for x, y in points:
        tenth_x, tenth_y = round(x * 10), round(y * 10)
        if not written:
            written.append(f"M{_tenths(tenth_x)} {_tenths(tenth_y)}l")
        else:
            written.append(f"{_tenths(tenth_x - at_x)} {_tenths(tenth_y - at_y)}")
        at_x, at_y = tenth_x, tenth_y
    return " ".join(written).removesuffix("l")


@lru_cache(maxsize=2048)
def _tenths(count: int) -> str:
    return num(count / 10)


def width_of(text: str, size_px: float) -> float:
    """About how wide a text is: capitals, digits and wide letters counted for what they are in common sans faces."""
    wide = sum(1.0 if char in "MWmw@%—" else NARROWEST if char in "iljtfrI.,:;' |" else 0.6 for char in text)
    return wide * size_px
