"""The sound that wakes: a 520 Hz square wave in the three-pulse evacuation rhythm, its level rising.

A low square wave woke 4 to 12 times better than the usual high tone (Bruck, Thomas, "Towards a better smoke alarm
signal"; abstract read). Rhythm: three pulses of 0.5 s with 0.5 s between, then 1.5 s of rest (the pattern of ISO 8201,
from memory).
"""

from __future__ import annotations

import io
import wave
from array import array
from typing import Final

FREQUENCY_HZ: Final = 520
RATE_HZ: Final = 24_000
PULSE_S: Final = 0.5
CYCLE_S: Final = 4.0
PULSES: Final = 3
CYCLES: Final = 28
"""112 s: until shortly before the next call, 2 min after this one."""
RISE_CYCLES: Final = 7
"""Cycles over which the level rises within one call."""
FULL: Final = 32_767
FIRST_ROUND: Final = (0.1, 0.4)
"""Level at the beginning of the first call and at its end; each later call begins where the last one ended."""


def levels(round_no: int, loudest: float) -> tuple[float, float]:
    """Level at the beginning and at the end of a call, as shares of full scale.

    Args:
        round_no: 0 for the first call, 1 two minutes later, ...
        loudest: share of full scale that is never exceeded.
    """
    steps = (*FIRST_ROUND, 1.0)
    first = steps[min(round_no, len(steps) - 1)]
    last = steps[min(round_no + 1, len(steps) - 1)]
    return first * loudest, last * loudest


def sound(round_no: int, loudest: float = 1.0, cycles: int = CYCLES) -> bytes:
    """A WAV file, mono, 16 bits.

    Args:
        round_no, loudest: see `levels`.
        cycles: repetitions of the rhythm, 4 s each.
    """
    first, last = levels(round_no, loudest)
    frames = bytearray()
    for number in range(cycles):
        part = min(1.0, number / max(1, min(RISE_CYCLES, cycles - 1)))
        # Equal steps of the logarithm sound like equal steps of loudness.
        frames += _cycle(round(FULL * first * (last / first) ** part))
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(bytes(frames))
    return out.getvalue()


def _cycle(peak: int) -> bytes:
    count = round(RATE_HZ * PULSE_S)
    pulse = array("h", (peak if 2 * FREQUENCY_HZ * n // RATE_HZ % 2 == 0 else -peak for n in range(count))).tobytes()
    rest = bytes(2 * round(RATE_HZ * CYCLE_S) - PULSES * 2 * len(pulse))
    return (pulse + bytes(len(pulse))) * PULSES + rest
