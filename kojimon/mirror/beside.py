"""Values derived from a reading and the one beside it: dew point and vapour of the air, the koji above the air.

What stands beside a reading is looked for in a fixed stretch of rows before it, so that the same points come out
however the rows are cut into parcels.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from kojimon import air
from kojimon.journal.records import Placing, StoredReading
from kojimon.model import Place, Quality, Quantity

ROWS_APART: Final = 1000
APART_MS: Final = 120_000
"""What is beside a reading is at most so many rows and so much engine time older."""


class _Seen(NamedTuple):
    seq: int
    t_ms: int
    value_c: float


class Beside:
    """Keeps the last good temperature of each place of each incubator."""

    def __init__(self) -> None:
        self._last: dict[tuple[str, str], _Seen] = {}
        self._next_seq = -1

    def begin(self, first_seq: int) -> None:
        """A parcel begins at this row; what was kept counts on only where it follows the one before."""
        if first_seq < self._next_seq or not self._last:
            self._last, self._next_seq = {}, -1

    def first_wanted(self, first_seq: int) -> int:
        """From which row on the rows before the parcel have to be taken."""
        return max(1, first_seq - ROWS_APART, self._next_seq)

    def take(self, row: StoredReading, placing: Placing | None) -> dict[str, float]:
        """Takes a row in, in order. Returns the fields derived from it, none for a reading that is not good."""
        seq, t_ms, _, raw, value, verdict = row
        self._next_seq = seq + 1
        value = raw if value is None else value
        if placing is None or value is None or verdict != Quality.GOOD:
            return {}
        if placing.quantity == Quantity.HUMIDITY:
            return self._damp(seq, t_ms, placing, value)
        self._last[placing.incubator, placing.place] = _Seen(seq, t_ms, value)
        around = self._near(seq, t_ms, placing.incubator, Place.AIR) if placing.place == Place.BED else None
        return {} if around is None else {"above_air_k": round(value - around, 3)}

    def _damp(self, seq: int, t_ms: int, placing: Placing, humidity_pct: float) -> dict[str, float]:
        value_c = self._near(seq, t_ms, placing.incubator, placing.place)
        if value_c is None:
            return {}
        try:
            dew_c = air.dew_point_c(value_c, humidity_pct)
            vapour = air.absolute_humidity_g_m3(value_c, humidity_pct)
        except ValueError:
            return {}
        return {"dew_point_c": round(dew_c, 2), "absolute_humidity_g_m3": round(vapour, 2)}

    def _near(self, seq: int, t_ms: int, incubator: str, place: str) -> float | None:
        seen = self._last.get((incubator, place))
        if seen is None or seq - seen.seq > ROWS_APART or t_ms - seen.t_ms > APART_MS:
            return None
        return seen.value_c
