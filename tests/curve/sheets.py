"""Sheets for tests: a batch of our own making, and what an SVG says, read back with the standard library's parser."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import Any

from kojimon.curve import Band, Limits, Mark, Point, Seam, Sheet, Strip, Track, Window
from kojimon.curve.sheet import Run

SVG = "{http://www.w3.org/2000/svg}"
UTC_MS = 1_790_000_000_000


def koji_c(hour: float) -> float:
    """A bed that cools, rests, and warms itself to 41 °C at hour 32."""
    return 30 + 2 * math.exp(-hour) + 11 * math.exp(-(((hour - 32) / 9) ** 2))


def run_of(from_h: float, to_h: float, every_s: float = 60.0, lift: float = 0.0) -> Run:
    count = round((to_h - from_h) * 3600 / every_s)
    hours = [from_h + index * every_s / 3600 for index in range(count)]
    return tuple(Point(hour, koji_c(hour) + lift, koji_c(hour) + lift) for hour in hours)


def sheet(**changes: Any) -> Sheet:
    """Two trays over 46 hours with a gap, a band that steps, marks of every kind."""
    given: dict[str, Any] = {
        "title": "Batch first", "from_h": 0.0, "to_h": 46.0,
        "tracks": (
            Track("koji-1", "top tray", Strip.KOJI, (run_of(0, 20), run_of(21, 46))),
            Track("koji-2", "bottom tray", Strip.KOJI, (run_of(0, 46, lift=-1.0),)),
            Track("air", "box air", Strip.AIR, ((Point(0, 30, 30), Point(46, 30, 30)),)),
            Track("damp", "humidity", Strip.HUMIDITY, ((Point(0, 85, 85), Point(46, 60, 60)),)),
        ),
        "bands": (
            Band(Strip.KOJI, 0, 18, Limits(22, 26, 40, None), Limits(22, 26, 40, None)),
            Band(Strip.KOJI, 18, 46, Limits(22, 26, 40, 45), Limits(22, 26, 43, 45)),
        ),
        "windows": (Window("first look", 18, 24, 30), Window("harvest", 40, 45, None)),
        "marks": (
            Mark(0, "step", "Spores on"), Mark(24.5, "step", "Broken up and mixed"),
            Mark(31.5, "alarm", "Top tray 43.2 °C over 43, rising", "wrong", 32.0, 0),
            Mark(20, "gap", "nothing read for 1 h", until_h=21), Mark(30, "note", "smells of chestnut"),
        ),
        "seams": (Seam(0.0, UTC_MS),),
    }  # fmt: skip
    return Sheet(**(given | changes))


def read(svg: str) -> ET.Element:
    """The SVG as a tree; fails where it is not well formed."""
    return ET.fromstring(svg)


def lines_of(tree: ET.Element, label: str) -> list[list[tuple[float, float]]]:
    """Points (x, y) of each line of the track with that label, in the sheet's own pixels."""
    for group in tree.iter(f"{SVG}g"):
        if group.get("data-label") == label:
            lines = (path for path in group.iter(f"{SVG}path") if "k-marker" not in path.get("class", ""))
            return [points_of(path.get("d", "")) for path in lines]
    return []


def points_of(d: str) -> list[tuple[float, float]]:
    """The points of a path of one moveto and relative steps (SVG 2, 9.3: implicit lineto after `l`)."""
    numbers = [float(text) for text in re.findall(r"-?\d*\.?\d+", d)]
    x, y = numbers[0], numbers[1]
    points = [(x, y)]
    for index in range(2, len(numbers) - 1, 2):
        x, y = x + numbers[index], y + numbers[index + 1]
        points.append((x, y))
    return points


def strip_data(tree: ET.Element, strip: str) -> dict[str, float]:
    """Scale of a strip as the page's script reads it."""
    for group in tree.iter(f"{SVG}g"):
        if f"k-{strip}" in group.get("class", "").split():
            return {name: float(group.get(f"data-{name}", "nan")) for name in ("low", "high", "at-low", "at-high")}
    raise AssertionError(f"no strip {strip}")


def value_at(across: float, data: dict[str, float]) -> float:
    """A place across a strip as the value people read."""
    part = (across - data["at-low"]) / (data["at-high"] - data["at-low"])
    return data["low"] + part * (data["high"] - data["low"])


def turned(tree: ET.Element, line: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Points as (along, across), whichever way the hours run."""
    return line if tree.get("data-lying") else [(y, x) for x, y in line]


def texts(tree: ET.Element) -> Iterator[str]:
    for text in tree.iter(f"{SVG}text"):
        yield text.text or ""
