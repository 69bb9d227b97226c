"""The sound that wakes: a 520 Hz square wave, one long and one short pulse and a long rest, its level rising.

A low square wave woke 4 to 12 times better than the usual high tone (Bruck, Thomas, "Towards a better smoke alarm
signal"; abstract read). That was with the three-pulse rhythm, which means "leave the building" and is not ours to use;
how well another rhythm wakes has been measured by nobody we know of. Long, short, rest is none of these:

| reserved | on / off in s | where it says so |
|---|---|---|
| leave the building (temporal three) | 0.5/0.5 0.5/0.5 0.5/1.5 | ISO 8201, by Ontario Building Code B-3.2.4.18.(2) |
| carbon monoxide (temporal four) | 0.1/0.1 three times, 0.1/5 | a maker's wiki page; the gaps from memory (NFPA 72) |
| leave the building (continuous) | no end | Norwegian workplace regulations 5-10; Portuguese Portaria 1456-A/95 |
| fire, older panels (march) | 0.5/0.5 and 0.25/0.25 | makers' manuals of fire panels |
| fire, older panels | 5/10; alert 0.5/2.5 | the same |
| medical, high | 3 + 2 pulses of 0.075-0.2, that twice | IEC 60601-1-8, by a university page; lengths from memory |
| medical, medium and low | 3; 1 or 2 pulses of 0.125-0.25 | the same |
| ship, leave it (general emergency) | seven short or more, one long | SOLAS III/6 and LSA Code 7.2.1, from memory |

The test of this file holds the sound against each of them.
"""

from __future__ import annotations

import io
from array import array
from typing import Final

FREQUENCY_HZ: Final = 520
RATE_HZ: Final = 24_000
RHYTHM_S: Final = ((1.2, 0.4), (0.3, 3.1))
"""(sound, silence) one after the other, then from the beginning."""
CYCLES: Final = 22
"""110 s: until shortly before the next call, 2 min after this one."""
RISE_CYCLES: Final = 6
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
        cycles: repetitions of the rhythm, 5 s each.
    """
    first, last = levels(round_no, loudest)
    frames = bytearray()
    for number in range(cycles):
        part = min(1.0, number / max(1, min(RISE_CYCLES, cycles - 1)))
        # Equal steps of the logarithm sound like equal steps of loudness.
        frames += _cycle(round(FULL * first * (last / first) ** part))
    import wave  # only where there is a loudspeaker

    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(bytes(frames))
    return out.getvalue()


def _cycle(peak: int) -> bytes:
    return b"".join(_pulse(peak, on_s) + bytes(2 * round(RATE_HZ * off_s)) for on_s, off_s in RHYTHM_S)


def _pulse(peak: int, on_s: float) -> bytes:
    count = round(RATE_HZ * on_s)
    return array("h", (peak if 2 * FREQUENCY_HZ * n // RATE_HZ % 2 == 0 else -peak for n in range(count))).tobytes()
