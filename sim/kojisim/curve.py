"""Writes what the probes showed as a curve file: CSV, one column a probe, one row an instant, steps marked."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from kojisim.probes import ProbeSpec, Sample

#: World acts that are work on the koji, and the word for them in the curve's `step` column.
STEP_WORDS = {
    "inoculate": "inoculate",
    "mix": "mix",
    "spread": "spread",
    "furrow": "furrow",
    "wrap": "wrap",
    "unwrap": "unwrap",
    "swap_trays": "swap",
    "harvest": "harvest",
}


def column(spec: ProbeSpec) -> str:
    """Column name of a probe: NAME.QUANTITY_UNIT."""
    name = spec.name.removesuffix("-humidity")
    return f"{name}.{'temperature_c' if spec.quantity == 'temperature' else 'humidity_pct'}"


class CurveWriter:
    """Writes rows as they come.

    Args:
        path: file to write.
        probes: in column order.
        start_utc_ms: UTC of the world's start, ms; gives ISO times in the column `time`.
    """

    def __init__(self, path: Path, probes: Iterable[ProbeSpec], start_utc_ms: int) -> None:
        self._specs = list(probes)
        self._start_ms = start_utc_ms
        self._file = path.open("w", newline="", encoding="utf-8")
        self._csv = csv.writer(self._file)
        self._csv.writerow(["time", *(column(spec) for spec in self._specs), "step"])

    def row(self, at_s: float, samples: Iterable[Sample], steps: Iterable[str]) -> None:
        """One row at world time at_s with each probe's last sample; steps are world acts."""
        latest = {sample.name: sample.value for sample in samples}
        words = [STEP_WORDS[step] for step in steps if step in STEP_WORDS]
        if "mix" in words:  # unwrapping, spreading and furrows belong to the mixing
            words = ["mix"]
        if not latest and not words:
            return
        values = [latest.get(spec.name) for spec in self._specs]
        cells = ["" if value is None else f"{value:g}" for value in values]
        for extra in words[1:]:
            self._csv.writerow([self._time(at_s), *[""] * len(cells), extra])
        self._csv.writerow([self._time(at_s), *cells, words[0] if words else ""])

    def _time(self, at_s: float) -> str:
        moment = datetime.fromtimestamp(self._start_ms / 1000.0 + at_s, UTC)
        return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def __enter__(self) -> CurveWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()
