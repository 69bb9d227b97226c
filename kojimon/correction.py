"""From a raw value to a true one: offset, line or table of points, within what a probe can be off.

One point is an offset, two are a line through both, three and more a table with straight lines between. Outside its
points a table keeps the correction of the nearest one, and so does a line from half its own length beyond them: a slope
measured between two points says nothing far away.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import isfinite
from typing import Final

SLOPE_LOW: Final = 0.8
SLOPE_HIGH: Final = 1.2
"""Slopes outside are refused as a mistake in the points (judgement: no working probe is off by a fifth)."""
POINTS_LIMIT: Final = 64
FURTHEST: Final = {"temperature": 5.0, "humidity": 15.0}
"""A point further off, K or %, is a mistake or a broken probe. Twice the widest tolerance of a temperature probe people
own (thermocouple type K, class 2: 2.5 °C, IEC 60584 as makers quote it; DS18B20 data sheet Rev 4: 2 °C at its worst);
three times that of a humidity element (AM2302 data sheet: 5 % at most), which drifts in damp air (judgement)."""
APART: Final = {"temperature": 10.0, "humidity": 10.0}
"""Several points span so much at least, K or %. Two that are good to 0.25 K each and 10 K apart leave 0.5 K at most at
the end of a line's reach (calculated: -0.5 of the one, 1.5 of the other); half a degree apart they may tilt it by the
whole fifth that a slope may be off, 3 K at a distance of 15 K."""
REACH: Final = 0.5
"""How far a line goes on beyond its two points, as a share of their distance (judgement)."""
SAID: Final = {"temperature": "{0:g} C ({1:g} F)", "humidity": "{0:g} %"}

Points = Sequence[tuple[float, float]]
Correction = Callable[[float], float]


def correction(points: Points, quantity: str = "") -> Correction | None:
    """Builds the correction that calibration points (raw, true) ask for.

    Args:
        points: pairs in °C or %, in any order; none means no correction.
        quantity: `temperature` or `humidity`, whose bounds the points must keep; "" asks for their form alone, as when
            an old journal is read.

    Returns:
        a function from raw to true value, or None where there is nothing to correct.

    Raises:
        ValueError: what `fault` says, in words a person can act on.
    """
    if not points:
        return None
    wrong = fault(points, quantity)
    if wrong is not None:
        raise ValueError(f"{wrong[0]}; expected {wrong[1]}")
    pairs = sorted((float(raw), float(true)) for raw, true in points)
    if len(pairs) == 1:
        offset = pairs[0][1] - pairs[0][0]
        return lambda raw: raw + offset
    return _table(_lengthened(pairs) if len(pairs) == 2 else pairs)


def fault(points: Points, quantity: str = "") -> tuple[str, str] | None:
    """What was found wrong with points, and what is wanted, arguments as for `correction`; None: they are in order."""
    pairs = sorted((float(raw), float(true)) for raw, true in points)
    if len(pairs) > POINTS_LIMIT:
        return f"{len(pairs)} calibration points", f"{POINTS_LIMIT} at most"
    for raw, true in pairs:
        if not (isfinite(raw) and isfinite(true)):
            return f"the point {raw} -> {true}", "two finite numbers"
    for (raw1, true1), (raw2, true2) in pairwise(pairs):
        if raw2 - raw1 < 1e-9:
            return f"two points that read {raw1:g}", "points with different readings"
        slope = (true2 - true1) / (raw2 - raw1)
        if not SLOPE_LOW <= slope <= SLOPE_HIGH:
            what = f"the points {raw1:g} -> {true1:g} and {raw2:g} -> {true2:g}, a slope of {slope:.2f}"
            return what, f"a slope from {SLOPE_LOW} to {SLOPE_HIGH}; measure both again"
    return _beyond(pairs, quantity) if quantity and pairs else None


def _beyond(pairs: Points, quantity: str) -> tuple[str, str] | None:
    """Points of a sound form that no working probe gives, or that carry too little."""
    most, apart = FURTHEST[quantity], APART[quantity]
    raw, true = max(pairs, key=lambda pair: abs(pair[1] - pair[0]))
    if abs(true - raw) > most + 1e-9:
        what = f"the point {raw:g} -> {true:g}, off by {_said(abs(true - raw), quantity)}"
        return what, f"{_said(most, quantity)} at most: no working {quantity} probe is further off; look at the set-up"
    spread = pairs[-1][0] - pairs[0][0]
    if len(pairs) > 1 and spread < apart - 1e-9:
        what = f"points only {_said(spread, quantity)} apart"
        return what, f"{_said(apart, quantity)} at least between the outermost, or one point alone"
    return None


def _said(difference: float, quantity: str) -> str:
    return SAID[quantity].format(round(difference, 2), round(difference * 1.8, 2))


def _lengthened(pairs: Points) -> list[tuple[float, float]]:
    """A line's two points, and its ends on either side."""
    (raw1, true1), (raw2, true2) = pairs
    raw, true = REACH * (raw2 - raw1), REACH * (true2 - true1)
    return [(raw1 - raw, true1 - true), *pairs, (raw2 + raw, true2 + true)]


def _table(pairs: list[tuple[float, float]]) -> Correction:
    raws = [raw for raw, _ in pairs]
    trues = [true for _, true in pairs]
    low_offset, high_offset = trues[0] - raws[0], trues[-1] - raws[-1]

    def correct(raw: float) -> float:
        if raw <= raws[0]:
            return raw + low_offset
        if raw >= raws[-1]:
            return raw + high_offset
        right = bisect_right(raws, raw)
        share = (raw - raws[right - 1]) / (raws[right] - raws[right - 1])
        return trues[right - 1] + share * (trues[right] - trues[right - 1])

    return correct
