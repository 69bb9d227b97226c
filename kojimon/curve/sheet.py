"""What is drawn, as frozen plain records. Hours are hours that really passed since hour 0; values are °C and %.

Hour 0 is the inoculation, or the start of the batch where it is not inoculated yet (`Sheet.inoculated`).
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from msgspec import Struct

HOUR_MS = 3_600_000


class Strip(StrEnum):
    """Where values are drawn, each on a scale of its own: the koji wide, the others slim."""

    KOJI = "koji"
    AIR = "air"
    HUMIDITY = "humidity"


class Point(NamedTuple):
    """Lowest and highest value of a short stretch; equal for a single reading."""

    hour: float
    low: float
    high: float


Run = tuple[Point, ...]
"""Points without a gap between them."""


class Track(Struct, frozen=True):
    """One probe's curve.

    Attributes:
        name: the probe's name.
        label: as a cook calls it: `top tray`, `box air`.
        strip: where it is drawn.
        runs: its points; between two runs nothing was read.
    """

    name: str
    label: str
    strip: Strip
    runs: tuple[Run, ...]


class Limits(NamedTuple):
    """The four limits of a band at one moment; None where there is none."""

    low_low: float | None = None
    low: float | None = None
    high: float | None = None
    high_high: float | None = None


class Band(Struct, frozen=True):
    """Limits in force from one hour to another; on a ramp they differ at both ends."""

    strip: Strip
    from_h: float
    to_h: float
    begin: Limits
    end: Limits


class Window(Struct, frozen=True):
    """When a step may be done, is wanted, is too late; hours, None where open."""

    label: str
    opens_h: float
    due_h: float | None = None
    closes_h: float | None = None


class Mark(Struct, frozen=True):
    """Something that happened, told in words beside its hour.

    Attributes:
        kind: `step`, `alarm`, `note`, `stage`, `gap`, `window` (a time for a step begins) or `end`.
        tone: `wrong`, `look` or `plain`.
        until_h: end of what lasted: an alarm's condition, a gap.
        rank: which words stay where there is no room for all: 0 first.
        value: where its sign stands on the koji's scale, °C; None: in the lane of signs.
    """

    hour: float
    kind: str
    text: str
    tone: str = "plain"
    until_h: float | None = None
    rank: int = 1
    value: float | None = None


class Earlier(Struct, frozen=True):
    """An earlier batch's koji, drawn pale behind."""

    label: str
    runs: tuple[Run, ...]


class Fan(Struct, frozen=True):
    """The likely range of the koji ahead: at each hour a low, a middle and a high value, °C."""

    hours: tuple[float, ...]
    low_c: tuple[float, ...]
    middle_c: tuple[float, ...]
    high_c: tuple[float, ...]


class Seam(NamedTuple):
    """From this hour on wall time runs evenly from `utc_ms`."""

    from_h: float
    utc_ms: int


class Sheet(Struct, frozen=True):
    """Everything on one sheet.

    Attributes:
        title: what it is a curve of.
        from_h, to_h: first and last hour shown.
        tracks, bands, windows, marks: see there.
        now_h: the present, None for what is over.
        inoculated: whether hours count from the spores.
        seams: wall time by hour; empty where none is known.
        clock_sure: whether that wall time is to be trusted.
    """

    title: str
    from_h: float
    to_h: float
    tracks: tuple[Track, ...] = ()
    bands: tuple[Band, ...] = ()
    windows: tuple[Window, ...] = ()
    marks: tuple[Mark, ...] = ()
    earlier: Earlier | None = None
    fan: Fan | None = None
    now_h: float | None = None
    inoculated: bool = True
    seams: tuple[Seam, ...] = ()
    clock_sure: bool = True

    def utc_ms(self, hour: float) -> int | None:
        """UTC (ms since 1970) of an hour; None where no wall time is known."""
        seam = next((one for one in reversed(self.seams) if one.from_h <= hour), self.seams[0] if self.seams else None)
        return None if seam is None else round(seam.utc_ms + (hour - seam.from_h) * HOUR_MS)


class Style(Struct, frozen=True):
    """How it is drawn.

    Attributes:
        width_px: width of the whole picture; from `layout.LIE_PX` on the hours run across, below it down.
        height_px: height of the whole picture; 0: what suits the width and the hours.
        fahrenheit: temperatures in °F.
        zone: of the clock times (IANA name).
        standalone: carry the style sheet along, for a file of its own.
        hidden: names of tracks, and of strips, that stand in the legend only.
    """

    width_px: int = 720
    height_px: float = 0.0
    fahrenheit: bool = False
    zone: str = "UTC"
    standalone: bool = False
    hidden: frozenset[str] = frozenset()
