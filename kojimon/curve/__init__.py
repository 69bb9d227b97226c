"""The incubation curve as one picture: the koji wide, box air and humidity slim beside it, words where there is room.

On a narrow picture hours run down, as on the paper form of the trade and as a phone is held; on a wide one across.
Pure: series in, one SVG text (or plain text for a terminal) out.
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
