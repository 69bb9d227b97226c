"""A guided calibration: which points a probe may be brought to, when its reading is steady, what comes of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from enum import StrEnum
from statistics import fmean
from typing import Final, NamedTuple

from msgspec import Struct

from kojimon.air import STANDARD_PRESSURE_PA, boiling_point_c
from kojimon.correction import correction
from kojimon.errors import RefusedError
from kojimon.probes.calibration.fixed_points import ICE_POINT_C, salt_humidity_pct
from kojimon.settings.spec import Calibration


class Build(StrEnum):
    """How a probe is made, which decides what it survives. Asked first."""

    SEALED = "sealed"
    """Steel tip sealed into its cable, made for liquids."""
    SEALED_HOT = "sealed-hot"
    """Sealed, and its cable stands boiling water."""
    BARE = "bare"
    """A bare chip or board, or a cable that is not sealed."""
    HUMIDITY = "humidity"
    """A humidity element."""


class Method(StrEnum):
    """Where the true value comes from."""

    ICE = "ice"
    FEVER_THERMOMETER = "fever-thermometer"
    BOILING = "boiling"
    SALT = "salt"
    REFERENCE = "reference"


FOR: Final[dict[Build, tuple[Method, ...]]] = {
    Build.SEALED: (Method.ICE, Method.FEVER_THERMOMETER, Method.REFERENCE),
    Build.SEALED_HOT: (Method.ICE, Method.FEVER_THERMOMETER, Method.BOILING, Method.REFERENCE),
    Build.BARE: (Method.REFERENCE,),
    Build.HUMIDITY: (Method.SALT, Method.REFERENCE),
}
"""Methods that do not harm a probe. A humidity element or an unsealed cable never enters water."""


class Criterion(Struct, frozen=True):
    """When a reading is steady.

    Attributes:
        window_s: over how long it is looked at.
        spread: greatest distance between its highest and lowest reading, K or %.
        drift: greatest change over the window by a straight line through it, K or %.
        least: fewest readings in the window.
        furthest: distance of the raw reading from the true value beyond which the point is refused as a mistake.
    """

    window_s: float
    spread: float
    drift: float
    least: int
    furthest: float


CRITERIA: Final[dict[Method, Criterion]] = {
    Method.ICE: Criterion(120.0, 0.2, 0.1, 8, 4.0),
    Method.FEVER_THERMOMETER: Criterion(90.0, 0.3, 0.2, 6, 4.0),
    Method.BOILING: Criterion(90.0, 0.5, 0.3, 6, 5.0),
    Method.SALT: Criterion(1200.0, 1.0, 0.5, 20, 15.0),
    Method.REFERENCE: Criterion(600.0, 0.5, 0.3, 20, 6.0),
}
"""Judgement, kept apart from each probe's noise (DS18B20 steps 0.0625 K). Salt: an element needs some 20 minutes,
a bulky one an hour (practice of a conservation scientist, padfield.org)."""


class Steadiness(NamedTuple):
    """How steady a reading is now.

    Attributes:
        steady: whether the criterion is met.
        mean: of the window.
        spread: highest less lowest.
        drift: change over the window by a straight line.
        covered_s: how much of the window has been seen.
    """

    steady: bool
    mean: float
    spread: float
    drift: float
    covered_s: float


class Steady:
    """Watches raw readings until they are steady.

    Args:
        criterion: when they are.
    """

    def __init__(self, criterion: Criterion) -> None:
        self._criterion = criterion
        self._readings: deque[tuple[int, float]] = deque(maxlen=4000)

    def take(self, t_ms: int, raw: float) -> Steadiness:
        """Adds a reading of engine time t_ms; says how steady the last window is."""
        self._readings.append((t_ms, raw))
        while t_ms - self._readings[0][0] > self._criterion.window_s * 1000:
            self._readings.popleft()
        values = [value for _, value in self._readings]
        spread, drift = max(values) - min(values), self._drift()
        covered_s = (t_ms - self._readings[0][0]) / 1000
        wanted = self._criterion
        steady = (
            covered_s >= 0.9 * wanted.window_s
            and len(values) >= wanted.least
            and spread <= wanted.spread
            and abs(drift) <= wanted.drift
        )
        return Steadiness(steady, fmean(values), spread, drift, covered_s)

    def _drift(self) -> float:
        """Slope of the least-squares line times the time covered."""
        times = [t_ms / 1000 for t_ms, _ in self._readings]
        middle_s, mean = fmean(times), fmean(value for _, value in self._readings)
        square = sum((at - middle_s) ** 2 for at in times)
        if not square:
            return 0.0
        slope = (
            sum((at - middle_s) * (value - mean) for at, (_, value) in zip(times, self._readings, strict=True)) / square
        )
        return slope * (times[-1] - times[0])


class Point(NamedTuple):
    """One finished point of a calibration."""

    method: Method
    raw: float
    true: float
    spread: float


def true_value(
    method: Method, *, pressure: float = STANDARD_PRESSURE_PA, salt: str = "NaCl", reading: float | None = None
) -> float:
    """The true value at a point, °C or %.

    Args:
        method: how it is had.
        pressure: for boiling water, Pa: station pressure, measured or by altitude (`air.pressure_pa`, from which
            the weather differs by some 30 hPa, 0.8 K at the boiling point).
        salt: for air over a salt, whose temperature is `reading`.
        reading: what the other thermometer or hygrometer shows; the air's temperature for a salt.

    Raises:
        RefusedError: something is missing or out of its span, in words.
    """
    if method is Method.ICE:
        return ICE_POINT_C
    try:
        if method is Method.BOILING:
            return boiling_point_c(pressure)
        if reading is None:
            raise ValueError("expected the reading of the other instrument")
        if method is Method.SALT:
            return salt_humidity_pct(salt, reading)
    except ValueError as error:
        raise RefusedError(str(error)) from error
    if method is Method.FEVER_THERMOMETER and not 34.0 <= reading <= 42.0:
        raise RefusedError(f"a fever thermometer shows 34 to 42 °C, not {reading:g} °C: use water of 37 °C")
    return reading


def point(method: Method, build: Build, now: Steadiness, true: float) -> Point:
    """Takes a steady reading as a point.

    Raises:
        RefusedError: the method would harm such a probe, the reading is not steady, or it is too far from the truth
            to be anything but a mistake.
    """
    if method not in FOR[build]:
        raise RefusedError(f"not for a {build.value} probe: {method.value}; {', '.join(FOR[build])} would do")
    criterion = CRITERIA[method]
    if not now.steady:
        raise RefusedError(
            f"not steady yet: {now.spread:.2f} between highest and lowest (at most {criterion.spread:g}) and"
            f" {now.drift:+.2f} of drift (at most {criterion.drift:g}) in {now.covered_s:.0f} s of"
            f" {criterion.window_s:.0f} s"
        )
    if abs(now.mean - true) > criterion.furthest:
        raise RefusedError(
            f"the probe says {now.mean:.2f} where {true:.2f} is true: no probe is so far off; look at the set-up"
        )
    return Point(method, now.mean, true, now.spread)


def certificate(points: Sequence[Point], quantity: str, date: str, note: str = "") -> Calibration:
    """The calibration that finished points make.

    Args:
        points: one or more, of different true values.
        quantity: what the probe measures.
        date: day of the run, ISO 8601.
        note: added to the methods used.

    Raises:
        RefusedError: the points make no sensible correction.
    """
    pairs = tuple((round(one.raw, 4), round(one.true, 4)) for one in points)
    try:
        if correction(pairs, quantity) is None:
            raise ValueError("a calibration wants one point at least")
    except ValueError as error:
        raise RefusedError(str(error)) from error
    how = ", ".join(f"{one.method.value} ±{one.spread / 2:.2f}" for one in points)
    return Calibration(pairs, date, f"{how}; {note}" if note else how)
