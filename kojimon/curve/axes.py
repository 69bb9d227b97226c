"""Scales and ticks: values across, hours down, the clock beside them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from kojimon.curve.sheet import HOUR_MS, Band, Point, Sheet, Strip, Track
from kojimon.curve.thin import extremes, part
from kojimon.units import f_from_c

QUARTER_MS = 900_000
STEPS_MIN = (15, 30, 60, 120, 180, 360, 720, 1440)
LEAST_SPAN = {Strip.KOJI: (28.0, 40.0), Strip.AIR: (26.0, 34.0), Strip.HUMIDITY: (50.0, 100.0)}
"""What a strip shows at least, °C or %: the range a healthy batch moves in."""
MOST_SPAN = {Strip.KOJI: (18.0, 50.0), Strip.AIR: (5.0, 60.0), Strip.HUMIDITY: (0.0, 100.0)}
"""What lies beyond (rice from the steamer, a probe in hot water) widens no strip: it is marked at the edge."""
SETTLED_H = 0.5
"""From so long after the inoculation on, what is read widens the scale."""
APART_H = 1.0
"""What lies beyond a scale is one time, as long as no more than that lies between."""


class Scale(NamedTuple):
    """A value to its place across a strip.

    Attributes:
        low, high: values at the strip's edges, °C or %.
        begin, size: the strip across, px.
        unit: `c`, `f` or `pct`: the unit people read.
        upward: whether high values have the smaller coordinate, as where the hours run across.
    """

    low: float
    high: float
    begin: float
    size: float
    unit: str
    upward: bool = False

    def at(self, value: float) -> float:
        """Place of a value, px; beyond the strip for values beyond it."""
        part = (value - self.low) / (self.high - self.low)
        return self.begin + (1 - part if self.upward else part) * self.size

    def shown(self, value: float) -> float:
        """The value in the unit people read."""
        return f_from_c(value) if self.unit == "f" else value

    def ticks(self, room_px: float) -> list[tuple[float, str]]:
        """(value inside, text) of round values in the unit people read, at least room_px apart."""
        low, high = self.shown(self.low), self.shown(self.high)
        step = next((s for s in (1, 2, 5, 10, 20, 50) if s / (high - low) * self.size >= room_px), 100)
        first = math.ceil(low / step) * step
        texts = range(first, math.floor(high) + 1, step)
        return [((value - 32) / 1.8 if self.unit == "f" else float(value), str(value)) for value in texts]


def scale_of(
    sheet: Sheet, strip: Strip, begin: float, size: float, fahrenheit: bool, upward: bool = False
) -> Scale:  # fmt: skip
    """The scale of a strip: the schedule's limits, what was read once the rice had settled, the likely range."""
    low, high = LEAST_SPAN[strip]
    for least, most in _spans(sheet, strip):
        low, high = min(low, least), max(high, most)
    unit = "pct" if strip is Strip.HUMIDITY else "f" if fahrenheit else "c"
    if strip is Strip.HUMIDITY:
        return Scale(max(0.0, math.floor(low / 10) * 10), 100.0, begin, size, unit, upward)
    return Scale(math.floor(low - 0.5), math.ceil(high + 0.5), begin, size, unit, upward)


def _spans(sheet: Sheet, strip: Strip) -> Iterator[tuple[float, float]]:
    # Rice on its way down from the steamer would press everything after it into a corner.
    from_h = max(sheet.from_h, SETTLED_H) if sheet.inoculated and sheet.to_h > SETTLED_H else sheet.from_h
    within = MOST_SPAN[strip]
    drawn = [track.runs for track in sheet.tracks if track.strip is strip]
    if strip is Strip.KOJI and sheet.earlier:
        drawn.append(sheet.earlier.runs)
    for runs in drawn:
        if found := extremes(runs, from_h, sheet.to_h, within):
            yield found
    for limit in _limits(sheet.bands, strip):
        if within[0] <= limit <= within[1]:
            yield limit, limit
    if strip is Strip.KOJI and sheet.fan and sheet.fan.hours:
        yield max(within[0], min(sheet.fan.low_c)), min(within[1], max(sheet.fan.high_c))


def beyond(track: Track, scale: Scale, from_h: float, to_h: float) -> list[Point]:
    """Of each time a track lay beyond its scale the reading furthest out."""
    found: list[Point] = []
    last_h = -math.inf
    least, most = scale.low, scale.high
    out = [one for run in track.runs for one in part(run, from_h, to_h) if one[1] < least or one[2] > most]
    for point in out:
        if point.hour - last_h <= APART_H and (point.high > scale.high) == (found[-1].high > scale.high):
            found[-1] = max(found[-1], point, key=lambda one: max(one.high - scale.high, scale.low - one.low))
        else:
            found.append(point)
        last_h = point.hour
    return found


def _limits(bands: Iterable[Band], strip: Strip) -> Iterator[float]:
    for band in bands:
        if band.strip is strip:
            yield from (limit for limit in (*band.begin, *band.end) if limit is not None)


class Tick(NamedTuple):
    """A time beside the sheet: its hour, its text, whether a day begins there."""

    hour: float
    text: str
    day: bool = False


def hour_ticks(sheet: Sheet, per_hour_px: float, room_px: float) -> list[int]:
    """Hours since hour 0, at least room_px apart."""
    step = next((s for s in (1, 2, 3, 4, 6, 12, 24) if s * per_hour_px >= room_px), 24)
    first = math.ceil(sheet.from_h / step) * step
    return list(range(first, math.floor(sheet.to_h) + 1, step))


def clock_at(sheet: Sheet, zone: str, hour: float) -> tuple[str, str] | None:
    """The day (`Fri`) and the time of the clock (`13:41`, `02:10 CEST` in a night that repeats it) at an hour."""
    utc_ms = sheet.utc_ms(hour)
    if utc_ms is None:
        return None
    local = datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(_zone(zone))
    return f"{local:%a}", _clock(local)


def _clock(local: datetime) -> str:
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{local:%H:%M}" + (f" {local:%Z}" if twice else "")


def clock_ticks(sheet: Sheet, zone: str, per_hour_px: float, room_px: float, least_min: int = 60) -> list[Tick]:
    """Round times of the clock in a zone, at least room_px and least_min (15, 30 or 60 minutes) apart.

    In the night that repeats an hour both are told apart by the zone's abbreviation; a skipped hour is simply absent.
    """
    steps = (step for step in STEPS_MIN if step >= least_min and step * per_hour_px / 60 >= room_px)
    step = next(steps, STEPS_MIN[-1])
    there = _zone(zone)
    found: list[Tick] = []
    for hour, utc_ms in _quarters(sheet):
        local = datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(there)
        minute = local.hour * 60 + local.minute
        if minute % step == 0:
            day = minute == 0
            found.append(Tick(hour, f"{local:%a %H:%M}" if day else _clock(local), day))
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
