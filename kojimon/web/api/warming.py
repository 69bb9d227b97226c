"""The curve of a box in which no batch is open: its last hours, as it warms up."""

from __future__ import annotations

from typing import Final

from kojimon.contract.state import Box
from kojimon.curve import Seam, Sheet, Track
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Placing
from kojimon.review.draw.sheet import STRIPS, label_of
from kojimon.review.measure.minutes import Minute, gap_of, runs

HOURS: Final = 3
HOUR_MS: Final = 3_600_000
STEP_MS: Final = 60_000
SHORTEST_H: Final = 0.5
"""What has only just begun is not stretched."""


def warming_sheet(reader: Reader, box: Box, now_ms: int, now_utc_ms: int) -> Sheet | None:
    """Its last hours up to now; None where no probe of it has spoken in them.

    Args:
        box: of the state document. now_ms: engine time of that; now_utc_ms: the same moment, UTC.
    """
    from_ms = max(0, now_ms - HOURS * HOUR_MS)
    sites = {one.no: Placing(one.no, 0, box.name, one.place, one.tray, one.quantity) for one in box.probes}
    names = {one.no: one.name for one in box.probes}
    found: dict[int, list[Minute]] = {}
    if sites:
        for no, t_ms, low, high, count in reader.extremes([*sites], from_ms, now_ms + 1, STEP_MS):
            found.setdefault(no, []).append(Minute(t_ms, t_ms + STEP_MS - 1, low, high, count))
    tracks = tuple(
        Track(names[no], label_of(site, names[no], [*sites.values()]), STRIPS[site.place, site.quantity],
              runs(found[no], gap_of(found[no]), lambda t_ms: (t_ms - now_ms) / HOUR_MS))
        for no, site in sorted(sites.items(), key=lambda item: (item[1].place != "bed", item[0]))
        if no in found and (site.place, site.quantity) in STRIPS
    )  # fmt: skip
    if not tracks:
        return None
    begin_h = min(-SHORTEST_H, *(track.runs[0][0].hour for track in tracks))
    return Sheet(
        f"{box.label or box.name}: its last hours", begin_h, 0.0, tracks, now_h=0.0, inoculated=False,
        seams=(Seam(begin_h, now_utc_ms + round(begin_h * HOUR_MS)),),
    )  # fmt: skip
