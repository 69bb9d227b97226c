"""The small curve of a batch for the list: the hottest tray as one line, its peak as a dot with its number."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from threading import Lock
from typing import Final

from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow
from kojimon.words.speech import Speech

WIDTH: Final = 220
HEIGHT: Final = 56
STEP_MS: Final = 10 * 60_000
HOUR_MS: Final = 3_600_000
KEPT: Final = 60
GAP_MS: Final = 3 * STEP_MS
"""A line is not drawn over a longer silence."""
LEAST_K: Final = 8.0
"""A quiet batch is not drawn as if it were a wild one."""
STYLE: Final = (
    "path{fill:none;stroke:#b3161b;stroke-width:2;stroke-linejoin:round}circle{fill:#b3161b}"
    "text{font:600 13px system-ui,sans-serif;fill:#1d1b16}"
    "@media(prefers-color-scheme:dark){path{stroke:#ff9a8f}circle{fill:#ff9a8f}text{fill:#f1ede3}}"
)
Point = tuple[float, float]
"""Engine time in ms, °C."""


class Smalls:
    """Draws small curves; those of batches that are over are read once."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, int | None], list[Point]] = OrderedDict()
        self._lock = Lock()

    def svg(self, reader: Reader, row: BatchRow, speech: Speech) -> str:
        """The small curve of a batch, a picture by itself."""
        return _drawn(self._points(reader, row), row, speech)

    def _points(self, reader: Reader, row: BatchRow) -> list[Point]:
        key = (row.id, row.ended_t_ms)
        with self._lock:
            if key in self._kept:
                return self._kept[key]
            found = _hottest(reader, row)
            if row.ended_t_ms is not None:
                self._kept[key] = found
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return found


def _hottest(reader: Reader, row: BatchRow) -> list[Point]:
    """The highest good reading in the koji of each ten minutes, from the spores on."""
    bed = [
        one.probe
        for one in reader.placings()
        if (one.incubator, one.place, one.quantity) == (row.incubator, "bed", "temperature")
    ]
    from_ms = row.started_t_ms if row.hour0_t_ms is None else row.hour0_t_ms
    to_ms = reader.horizon_ms() if row.ended_t_ms is None else row.ended_t_ms
    if not bed or to_ms <= from_ms:
        return []
    highest: dict[int, float] = {}
    for _, t_ms, _, high, _ in reader.extremes(sorted(set(bed)), from_ms, to_ms + 1, STEP_MS):
        at = (t_ms - from_ms) // STEP_MS
        highest[at] = max(high, highest.get(at, high))
    return [(from_ms + at * STEP_MS, value) for at, value in sorted(highest.items())]


def _drawn(points: Sequence[Point], row: BatchRow, speech: Speech) -> str:
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}">'
        f"<style>{STYLE}</style>"
    )
    if not points:
        return f'{head}<text x="2" y="34">no readings</text></svg>'
    peak_ms, peak_c = max(points, key=lambda point: point[1])
    low_c = min(value for _, value in points)
    span_k, span_ms = max(LEAST_K, peak_c - low_c), max(1.0, points[-1][0] - points[0][0])

    def at(point: Point) -> tuple[float, float]:
        x = 4 + (point[0] - points[0][0]) / span_ms * (WIDTH - 8)
        return round(x, 1), round(HEIGHT - 4 - (point[1] - low_c) / span_k * (HEIGHT - 24), 1)

    path, before_ms = "", None
    for point in points:
        x, y = at(point)
        path += f"{'L' if before_ms is not None and point[0] - before_ms <= GAP_MS else 'M'}{x} {y}"
        before_ms = point[0]
    x, y = at((peak_ms, peak_c))
    hour = (peak_ms - (row.started_t_ms if row.hour0_t_ms is None else row.hour0_t_ms)) / HOUR_MS
    anchor, text_x = ("start", 2) if x < WIDTH / 2 else ("end", WIDTH - 2)
    text = f"{speech.value('temperature', peak_c)} at hour {hour:.0f}"
    return (
        f'{head}<path d="{path}"/><circle cx="{x}" cy="{y}" r="3.5"/>'
        f'<text x="{text_x}" y="13" text-anchor="{anchor}">{text}</text></svg>'
    )
