"""How far the readings of a batch are to be trusted: what was bad, what was missing, the calibrations. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from msgspec import Struct

from kojimon.contract.guidance import Calibrated
from kojimon.model import Quality
from kojimon.review.measure import series as count
from kojimon.review.measure.hours import HOUR_MS
from kojimon.review.measure.series import Series


class ProbeQuality(Struct, frozen=True):
    """One probe over a batch.

    Attributes:
        readings: all that came; bad: how many of each verdict that is not good, by `model.Quality`.
        covered: share of the batch, as far as kojimon watched it, in which its value is known, 0-1.
        gaps: (from, to) in hours, the longest first.
        calibration: (raw, true) pairs in force at the end; dated, and with what a person noted.
    """

    probe: str
    readings: int
    bad: dict[int, int]
    covered: float
    gaps: tuple[tuple[float, float], ...]
    calibration: tuple[tuple[float, float], ...] = ()
    dated: str = ""
    noted: str = ""


def quality_of(
    one: Series, verdicts: Mapping[int, int], end_ms: float, settings: Mapping[str, Any],
    stored: Calibrated | None = None, from_ms: float = 0.0,
) -> ProbeQuality:  # fmt: skip
    """What is to be said about a probe.

    Args:
        one: its good readings.
        verdicts: how many readings of each verdict.
        end_ms: end of the batch, ms since hour 0. from_ms: since when it was watched, of one begun in arrears.
        settings: the site's settings as plain data; {} where they are not known.
        stored: the calibration that was stored for it last, before the end.
    """
    found = count.gaps(one, from_ms, end_ms)
    known = count.known_ms(one, from_ms, end_ms)
    probe: Mapping[str, Any] = next((row for row in settings.get("probes", ()) if row.get("name") == one.probe), {})
    calibration = probe.get("calibration") or {}
    if stored is not None and stored.newer_than(str(calibration.get("date") or "")):
        calibration = {"points": stored.points, "date": stored.date, "note": stored.note}
    return ProbeQuality(
        probe=one.probe,
        readings=sum(verdicts.values()),
        bad={verdict: number for verdict, number in verdicts.items() if verdict != Quality.GOOD},
        covered=known / (end_ms - from_ms) if end_ms > from_ms else 0.0,
        gaps=tuple((a / HOUR_MS, b / HOUR_MS) for a, b in _longest_first(found)),
        calibration=tuple((float(raw), float(true)) for raw, true in calibration.get("points", ())),
        dated=str(calibration.get("date") or ""),
        noted=str(calibration.get("note") or ""),
    )


def _longest_first(found: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return sorted(found, key=lambda gap: gap[0] - gap[1])
