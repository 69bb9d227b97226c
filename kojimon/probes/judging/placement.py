"""Whether a probe sits where it should: in the koji, and not in the air's stead.

Under a thermostat the air swings by a degree or so within minutes; koji at mid-depth sleeps through it (the heat
wave of a 20 min cycle is down to a twelfth within 15 mm of rice: penetration depth sqrt(2 a / w) with a diffusivity a
of some 1e-7 m2/s, from memory). A probe on the rim, on the tray's metal or under the wet towel swings along; one that
touches the heater swings more than the air itself. Where nothing swings, nothing is said, except by comparison with
the other trays.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from math import sqrt
from typing import Final, NamedTuple

from kojimon.probes.judging.judge import MINUTE_MS, Minute

WINDOW_MS: Final = 40 * MINUTE_MS
SHORT_MS: Final = 12 * MINUTE_MS
CLOSE_MS: Final = 20 * MINUTE_MS
"""After work on the koji: a cycle of the thermostat, and no more of what was before."""
FEWEST: Final = 20
SWING_K: Final = 0.25
"""Least swing of the air (standard deviation about its trend) that says anything."""
QUIET_SWING_K: Final = 0.15
"""Enough of a swing for a probe that is back in the koji to be told by its calm."""
LID_K: Final = 5.0
"""Air that ranged further was let out by a lid: everything in the box moved, and nothing can be told."""
FOLLOWS: Final = 0.35
"""Part of the air's swing that a probe in the koji never shows."""
ALONG: Final = 0.9
"""Correlation with the air of a probe that swings along."""
CALM: Final = 0.2
HEATER_K: Final = 0.8
HEATER_FACTOR: Final = 1.3
"""A probe that swings so much, and so much more than the air, touches what heats."""
HEATER_RANGE_K: Final = 15.0
"""Hot rice that cools moves further than what touches a heater in a box."""
SMOOTH: Final = 0.4
"""Air that swings less than this part of the koji is no air: the two are exchanged."""
AIR_SWING_K: Final = 1.5
APART: Final = 0.7
"""Air swings by no more than this, and koji does not swing with it."""
SWAP_ABOVE_K: Final = 0.8
"""Exchanged probes do not show the koji warmer than the air by more than this (one on the heater does)."""
AT_AIR_K: Final = 1.3
OTHERS_ABOVE_K: Final = 3.0
"""A probe at the air's temperature while the other trays are so far above it is out of the koji."""
JUMP_K: Final = 1.0
JUMP_FACTOR: Final = 2.0
"""A probe that moves so far within two minutes, and so much more than the air, was moved."""
LAG_MINUTES: Final = 1
"""With the two minutes of the jump: a steel tip in rice has come 95 % of the way after three time constants of 40 s
(the constant is a judgement)."""
CALM_MINUTES: Final = 6
CALM_RANGE_K: Final = 0.4
SWUNG_K: Final = 0.75
FIRST_HOT_C: Final = 52.0
KOJI_C: Final = 46.0
HOT_WITHIN_MS: Final = 10 * MINUTE_MS
"""From koji to hot rice within minutes: the probe was borrowed. Koji itself takes hours to warm so far."""


class Swing(NamedTuple):
    """Two series over the same minutes, about their trends.

    Attributes:
        probe, air: standard deviations, K.
        slope: part of the air's swing that the probe shows.
        along: correlation.
        above: mean difference of the probe from the air over the window, K.
        air_range, probe_range: highest less lowest temperature, K.
    """

    probe: float
    air: float
    slope: float
    along: float
    above: float
    air_range: float
    probe_range: float


def swing(probe: Sequence[Minute], air: Sequence[Minute], t_ms: int, window_ms: int = WINDOW_MS) -> Swing | None:
    """Compares the last minutes of a probe with those of the air; None where there are too few.

    Args:
        probe, air: one reading a minute, oldest first.
        t_ms: now.
    """
    own, other = _paired(probe, air, t_ms - window_ms)
    if len(own) * MINUTE_MS < window_ms / 2 or len(own) < min(FEWEST, window_ms // MINUTE_MS - 2):
        return None
    flat_own, flat_air = _about_trend(own), _about_trend(other)
    size = len(own)
    square_own, square_air = sum(one * one for one in flat_own), sum(one * one for one in flat_air)
    product = sum(a * b for a, b in zip(flat_own, flat_air, strict=True))
    scale = sqrt(square_own * square_air)
    return Swing(
        sqrt(square_own / size),
        sqrt(square_air / size),
        product / square_air if square_air else 0.0,
        product / scale if scale else 0.0,
        (sum(own) - sum(other)) / size,
        max(other) - min(other),
        max(own) - min(own),
    )


def _paired(probe: Sequence[Minute], air: Sequence[Minute], since_ms: int) -> tuple[list[float], list[float]]:
    times = [minute.t_ms for minute in air]
    own, other = [], []
    for minute in probe:
        if minute.t_ms < since_ms or not times:
            continue
        at = bisect_left(times, minute.t_ms - MINUTE_MS // 2)
        if at < len(times) and abs(times[at] - minute.t_ms) <= MINUTE_MS:
            own.append(minute.value)
            other.append(air[at].value)
    return own, other


def _about_trend(values: Sequence[float]) -> list[float]:
    """The values less their least-squares line."""
    size = len(values)
    middle, mean = (size - 1) / 2, sum(values) / size
    square = sum((at - middle) ** 2 for at in range(size))
    slope = sum((at - middle) * (value - mean) for at, value in enumerate(values)) / square if square else 0.0
    return [value - mean - slope * (at - middle) for at, value in enumerate(values)]


def swings_along(now: Swing) -> bool:
    """Whether a probe meant for the koji swings with the air, or with the heater."""
    if now.air < SWING_K or now.air_range > LID_K:
        return False
    heated = now.probe >= HEATER_K and now.probe >= HEATER_FACTOR * now.air and now.above > SWAP_ABOVE_K
    if heated and now.probe_range <= HEATER_RANGE_K:
        return True
    return now.slope >= FOLLOWS and now.along >= ALONG and now.probe_range <= LID_K


def is_back(now: Swing, along: bool) -> bool:
    """Whether a probe is in the koji again: calm while the air swings, or far warmer while nothing does.

    Args:
        now: the last few minutes.
        along: whether over the long window it swings with the air. Then its warmth shows nothing: on a tray's metal it
            is half as warm as hot koji, and calm between two swings of the thermostat.
    """
    if now.air >= QUIET_SWING_K:
        return abs(now.slope) < CALM and now.probe < HEATER_K
    return now.above >= OTHERS_ABOVE_K and not along


def is_put_back(probe: Sequence[Minute], air: Sequence[Minute], t_ms: int) -> bool:
    """Whether a probe went to another place a few minutes ago and has been as in koji ever since.

    A window across the move shows neither place. So what counts is what came after the jump, its lag left out: calm
    for some minutes while the air swung, or, where it did not, calm and far above it.

    Args:
        probe, air: one reading a minute, oldest first. t_ms: now.
    """
    own, other = _paired(probe, air, t_ms - SHORT_MS)
    jumps = [
        at
        for at in range(2, len(own))
        if abs(own[at] - own[at - 2]) >= max(JUMP_K, JUMP_FACTOR * abs(other[at] - other[at - 2]))
    ]
    if not jumps:
        return False
    calm, around = own[jumps[-1] + LAG_MINUTES :], other[jumps[-1] + LAG_MINUTES :]
    if len(calm) < CALM_MINUTES:
        return False
    moved, swung = max(calm) - min(calm), max(around) - min(around)
    if swung >= SWUNG_K:
        return moved < FOLLOWS * swung
    return moved < CALM_RANGE_K and min(mine - its for mine, its in zip(calm, around, strict=True)) >= OTHERS_ABOVE_K


def is_exchanged(now: Swing) -> bool:
    """Whether the koji's probe swings as air does while the air's is as calm as koji."""
    swings = SWING_K <= now.probe <= AIR_SWING_K and now.air < SMOOTH * now.probe
    return (
        swings and now.above <= SWAP_ABOVE_K and abs(now.along) < APART and max(now.air_range, now.probe_range) <= LID_K
    )


def is_as_it_should_be(now: Swing) -> bool:
    """Whether the air swings and the koji does not swing more."""
    quiet = max(now.air_range, now.probe_range) <= LID_K and abs(now.along) < APART
    return quiet and now.air >= SWING_K and now.probe < SMOOTH * now.air


def left_out(value: float, air: float, others: Sequence[float]) -> bool:
    """Whether a probe shows the air's temperature, or less, while every other tray is far above it.

    Less than the air is what a wet towel shows: the wet bulb. Koji in the same box is warmed by that air.
    """
    return bool(others) and value - air <= AT_AIR_K and min(others) - max(value, air) >= OTHERS_ABOVE_K


def borrowed(minutes: Sequence[Minute], t_ms: int) -> bool:
    """Whether a probe went from koji to far hotter within minutes."""
    if not minutes or minutes[-1].value < FIRST_HOT_C:
        return False
    return any(minute.value <= KOJI_C for minute in minutes if minute.t_ms >= t_ms - HOT_WITHIN_MS)
