"""One probe's way from a decoded number to a judged reading: scale, unit, sentinel, range, calibration, history."""

from __future__ import annotations

from math import isfinite

from kojimon.correction import Correction, correction
from kojimon.model import Measured, Quality, Quantity
from kojimon.probes.devices import COMMON_SENTINELS, SENTINEL_WIDTH, device
from kojimon.probes.formats.decode import ABSENT, NO_VALUE, Bad, Result
from kojimon.probes.judging.judge import Watch
from kojimon.settings.spec import Calibration, Probe
from kojimon.units import c_from_f

GOOD, LATE, RETAINED = int(Quality.GOOD), int(Quality.LATE), int(Quality.RETAINED)
UNREADABLE, SENTINEL, RANGE = int(Quality.UNREADABLE), int(Quality.SENTINEL), int(Quality.RANGE)


class Channel:
    """Conversion, calibration and the verdicts that need one reading alone; the others are its watch's.

    `raw` is in °C or % before calibration; `value` is the calibrated one, present whenever raw is. Sentinel and
    range are judged on the raw value: they are the device's, not the calibration's.

    Args:
        probe: its settings.
        number: the number it keeps for ever.
        scale: what one count of the raw number is, in the probe's unit.
        watch: judges by what came before; None leaves it at the reading alone.
    """

    def __init__(self, probe: Probe, number: int, scale: float, watch: Watch | None = None) -> None:
        self.probe, self.number, self._watch = probe, number, watch
        # 28001 / 1000 is the nearest double to 28.001, 28001 * 0.001 is not.
        parts = round(1 / scale) if 0 < scale < 1 else 0
        exact = parts > 0 and abs(parts * scale - 1) < 1e-12
        self._times, self._divide = (1.0, float(parts)) if exact else (scale, 1.0)
        self._fahrenheit = probe.unit == "F"
        self._humid = probe.quantity == Quantity.HUMIDITY
        span = device(probe.device, probe.quantity)
        self._low = span.low if probe.range_low is None else probe.range_low
        self._high = span.high if probe.range_high is None else probe.range_high
        self._sentinels = COMMON_SENTINELS + span.sentinels
        self._in_span = tuple(value for value in self._sentinels if self._low <= value <= self._high)
        self._correct: Correction | None = correction(probe.calibration.points, probe.quantity)
        self.counts = [0] * len(Quality)
        self.raw: float | None = None
        self.raw_ms = 0
        """The last one read, whatever the verdict on it, and when (engine time); for whoever calibrates."""
        self.gone = GOOD
        """The verdict on every reading while its device is said to be gone (LOST, SIGNED_OFF)."""

    def calibrate(self, calibration: Calibration) -> None:
        """Uses another calibration from the next reading on. Raises ValueError where its points make no sense."""
        self._correct = correction(calibration.points, self.probe.quantity)

    def take(self, number: Result, t_ms: int, retained: bool, late: bool, said: str = "") -> Measured | None:
        """Judges one decoded number that came at t_ms; None where the payload said nothing about this probe.

        Args:
            said: the unit that the message itself names, C or F; it is believed before the settings.
        """
        if isinstance(number, Bad):
            return self._bad(number)
        raw = number * self._times / self._divide
        if said == "F" if said in ("C", "F") and not self._humid else self._fahrenheit:
            raw = c_from_f(raw)
        if not self._low <= raw <= self._high:
            if not isfinite(raw):
                return self._bad(NO_VALUE)
            quality = SENTINEL if self._is_sentinel(raw, self._sentinels) else RANGE
        elif self._in_span and self._is_sentinel(raw, self._in_span):
            quality = SENTINEL
        else:
            quality = RETAINED if retained else LATE if late else GOOD
        value = raw if self._correct is None else self._correct(raw)
        if self._humid and quality < UNREADABLE:
            value = min(100.0, max(0.0, value))
        if self.gone:
            quality = self.gone
        if quality == GOOD and self._watch is not None:
            quality = self._watch.judge(t_ms, raw, value)
        self.counts[quality] += 1
        self.raw, self.raw_ms = raw, t_ms
        return Measured(self.number, raw, value, quality)

    def said_gone(self) -> Measured:
        """A reading without a value that says so, at the moment the device is said to be gone."""
        self.counts[self.gone] += 1
        return Measured(self.number, None, None, self.gone)

    def _is_sentinel(self, raw: float, sentinels: tuple[float, ...]) -> bool:
        return any(abs(raw - sentinel) <= SENTINEL_WIDTH for sentinel in sentinels)

    def _bad(self, bad: Bad) -> Measured | None:
        if bad is ABSENT:
            return None
        quality = self.gone or (SENTINEL if bad is NO_VALUE else UNREADABLE)
        self.counts[quality] += 1
        return Measured(self.number, None, None, quality)
