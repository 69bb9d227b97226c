"""What is drawn of a batch, as data: for the terminal, for files and for programs."""

from __future__ import annotations

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract.state import Document
from kojimon.curve import Point, Sheet
from kojimon.curve.sheet import Run
from kojimon.curve.thin import rows
from kojimon.web.api.curves import Curves, Units, View


class Drawn(Struct, frozen=True):
    """A batch's sheet; `unit`: `c` or `f`, of the words of its marks (its values are in °C and %)."""

    batch: str
    unit: str
    zone: str
    sheet: Sheet


def drawn(
    curves: Curves, batch: str, document: Document, last_h: float | None = None, points: int | None = None,
    unit: str = "",
) -> Drawn:  # fmt: skip
    """A batch's sheet.

    Args:
        document: the state document, for what is still to come, units and zone.
        last_h: only so many hours before its end.
        points: so many points a curve at most, lowest and highest kept; None: one a minute.
        unit: `c` or `f` for the words of its marks; "": the site's own.
    """
    fahrenheit = unit == "f" if unit else document.units.fahrenheit
    units = Units(fahrenheit, document.units.pounds, document.now.zone)
    box = next((box for box in document.incubators if box.batch_id == batch), None)
    view = View()
    if last_h is not None:
        view = View(from_h=max(0.0, curves.case(batch).end_ms / 3_600_000 - last_h))
    sheet = curves.sheet(batch, view, box, units, document.t_ms)
    if points is not None:
        sheet = thinned(sheet, points)
    return Drawn(batch, "f" if fahrenheit else "c", units.zone, sheet)


def thinned(sheet: Sheet, points: int) -> Sheet:
    """The sheet with at most so many points a curve: equal stretches, of each the lowest and the highest."""
    per_h = points / max(1e-6, sheet.to_h - sheet.from_h)

    def run_of(run: Run) -> Run:
        found = rows(run, sheet.from_h, sheet.to_h, per_h)
        return tuple(Point(sheet.from_h + y / per_h, low, high) for y, low, high in found)

    tracks = tuple(replace(track, runs=tuple(filter(None, map(run_of, track.runs)))) for track in sheet.tracks)
    return replace(sheet, tracks=tracks)
