"""Scales and ticks: values across, hours down, the clock beside them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from kojimon.curve.sheet import HOUR_MS, Band, Sheet, Strip
from kojimon.curve.thin import extremes
from kojimon.units import f_from_c

QUARTER_MS = 900_000
LEAST_SPAN = {Strip.KOJI: (28.0, 40.0), Strip.AIR: (26.0, 34.0), Strip.HUMIDITY: (50.0, 100.0)}
"""What a strip shows at least, °C or %: the range a healthy batch moves in."""
SETTLED_H = 0.5
"""From so long after the inoculation on, what is read widens the scale."""
WIDEST_BAND = (18.0, 50.0)
"""Limits of the koji or air beyond this do not widen its strip, °C."""


class Scale(NamedTuple):
    """A value to its place across a strip.

    Attributes:
        low, high: values at the strip's edges, °C or %.
        left, width: the strip, px.
        unit: `c`, `f` or `pct`: the unit people read.
    """

    low: float
    high: float
    left: float
    width: float
    unit: str

    def x(self, value: float) -> float:
        """Place of a value, px; beyond the strip for values beyond it."""
        return self.left + (value - self.low) / (self.high - self.low) * self.width

    def shown(self, value: float) -> float:
        """The value in the unit people read."""
        return f_from_c(value) if self.unit == "f" else value

    def ticks(self, room_px: float) -> list[tuple[float, str]]:
        """(value inside, text) of round values in the unit people read, at least room_px apart."""
        low, high = self.shown(self.low), self.shown(self.high)
        step = next((s for s in (1, 2, 5, 10, 20, 50) if s / (high - low) * self.width >= room_px), 100)
        first = math.ceil(low / step) * step
        texts = range(first, math.floor(high) + 1, step)
        return [((value - 32) / 1.8 if self.unit == "f" else float(value), str(value)) for value in texts]


def scale_of(sheet: Sheet, strip: Strip, left: float, width: float, fahrenheit: bool) -> Scale:
    """The scale of a strip: wide enough for what was read, its band and the likely range."""
    low, high = LEAST_SPAN[strip]
    for least, most in _spans(sheet, strip):
        low, high = min(low, least), max(high, most)
    unit = "pct" if strip is Strip.HUMIDITY else "f" if fahrenheit else "c"
    if strip is Strip.HUMIDITY:
        return Scale(max(0.0, math.floor(low / 10) * 10), 100.0, left, width, unit)
    return Scale(math.floor(low - 0.5), math.ceil(high + 0.5), left, width, unit)


def _spans(sheet: Sheet, strip: Strip) -> Iterator[tuple[float, float]]:
    # Rice on its way down from the steamer would press everything after it into a corner: it is cut off instead.
    from_h = max(sheet.from_h, SETTLED_H) if sheet.inoculated and sheet.to_h > SETTLED_H else sheet.from_h
    for track in sheet.tracks:
        if track.strip is strip and (found := extremes(track.runs, from_h, sheet.to_h)):
            yield found
    for limit in _limits(sheet.bands, strip):
        if strip is Strip.HUMIDITY or WIDEST_BAND[0] <= limit <= WIDEST_BAND[1]:
            yield limit, limit
    if strip is Strip.KOJI:
        if sheet.earlier and (found := extremes(sheet.earlier.runs, from_h, sheet.to_h)):
            yield found
        if sheet.fan and sheet.fan.hours:
            yield min(sheet.fan.low_c), max(sheet.fan.high_c)


def _limits(bands: Iterable[Band], strip: Strip) -> Iterator[float]:
    for band in bands:
        if band.strip is strip:
            yield from (limit for limit in (*band.begin, *band.end) if limit is not None)


class Tick(NamedTuple):
    """A time beside the sheet: its hour, its text, whether a day begins there."""

    hour: float
    text: str
    day: bool = False


def hour_ticks(sheet: Sheet, per_hour_px: float, room_px: float) -> list[Tick]:
    """Hours since hour 0, at least room_px apart."""
    step = next((s for s in (1, 2, 3, 6, 12, 24) if s * per_hour_px >= room_px), 24)
    first = math.ceil(sheet.from_h / step) * step
    return [Tick(float(hour), f"{hour} h") for hour in range(first, math.floor(sheet.to_h) + 1, step)]


def clock_ticks(sheet: Sheet, zone: str, per_hour_px: float, room_px: float) -> list[Tick]:
    """Whole hours of the clock in a zone, at least room_px apart.

    In the night that repeats an hour both are told apart by the zone's abbreviation; a skipped hour is simply absent.
    """
    step = next((s for s in (1, 2, 3, 6, 12, 24) if s * per_hour_px >= room_px), 24)
    there = _zone(zone)
    found: list[Tick] = []
    for hour, utc_ms in _quarters(sheet):
        local = datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(there)
        if local.minute == 0 and local.hour % step == 0:
            twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
            text = f"{local:%H:%M}" + (f" {local:%Z}" if twice else "")
            found.append(Tick(hour, f"{local:%a %H:%M}" if local.hour == 0 else text, local.hour == 0))
    return found


def _quarters(sheet: Sheet) -> Iterator[tuple[float, int]]:
    """(hour, UTC ms) of every whole quarter of an hour of wall time on the sheet."""
    ends = [*(seam.from_h for seam in sheet.seams[1:]), sheet.to_h]
    for index, seam in enumerate(sheet.seams):
        end_h = ends[index]
        begin_h = max(sheet.from_h, seam.from_h) if index else sheet.from_h
        utc_ms = math.ceil((seam.utc_ms + (begin_h - seam.from_h) * HOUR_MS) / QUARTER_MS) * QUARTER_MS
        while (hour := seam.from_h + (utc_ms - seam.utc_ms) / HOUR_MS) < end_h:
            yield hour, utc_ms
            utc_ms += QUARTER_MS


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo("UTC")
