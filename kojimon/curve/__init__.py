"""The incubation curve as one picture: hours run down the side, temperatures and works stand beside them.

So is the paper form of the trade laid out, and so is a phone held: words find room beside their hour, and a longer
batch makes a longer sheet. Pure: series in, one SVG text (or plain text for a terminal) out.
"""

from kojimon.curve.draw import draw
from kojimon.curve.look import CSS
from kojimon.curve.sheet import (
    Band,
    Earlier,
    Fan,
    Limits,
    Mark,
    Point,
    Seam,
    Sheet,
    Strip,
    Style,
    Track,
    Window,
)

__all__ = [
    "CSS", "Band", "Earlier", "Fan", "Limits", "Mark", "Point", "Seam", "Sheet", "Strip", "Style", "Track", "Window",
    "draw",
]  # fmt: skip
