"""Calibrations that a person stored by the act `probe.calibrate`, as the journal has them."""

from __future__ import annotations

from typing import Final

from kojimon.contract.events import Calibration
from kojimon.contract.guidance import Calibrated
from kojimon.journal.reading.reader import Reader

MOST: Final = 10_000


def certificates(reader: Reader, until_ms: int | None = None) -> dict[str, Calibrated]:
    """The last one of each probe, of those stored up to an engine time."""
    found: dict[str, Calibrated] = {}
    for event in reader.events(kinds=(Calibration.kind,), limit=MOST):
        if isinstance(what := event.what, Calibration) and (until_ms is None or event.t_ms <= until_ms):
            found[event.key] = Calibrated(event.key, what.points, what.date, what.note, event.t_ms)
    return found
