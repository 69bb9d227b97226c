"""Curves of now: the last seconds of a batch, which the journal has not stored yet but the state of the daemon has; and
the last hours of a box in which no batch is open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from msgspec.structs import replace

from kojimon.contract.state import Box
from kojimon.curve import Point, Seam, Sheet, Track
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Placing
from kojimon.review.draw.sheet import STRIPS, label_of
from kojimon.review.load import Case
from kojimon.review.measure.hours import HOUR_MS
from kojimon.review.measure.minutes import Minute, gap_of, runs


def with_now(
    sheet: Sheet, case: Case, minutes: Mapping[int, Sequence[Minute]], box: Box, now_ms: int, ahead_h: float
) -> Sheet:
    """The sheet up to this moment: each probe's latest good value at its end.

    Args:
        minutes: what is stored, by probe number, to know a gap by.
        box: the incubator in the state document.
        now_ms: engine time of that document.
        ahead_h: so far beyond the present the sheet goes at least.
    """
    now_h = max(sheet.now_h or 0.0, case.hours.hour(now_ms))
    values = {
        probe.name: (case.hours.hour(now_ms) - probe.age_s * 1000 / HOUR_MS, probe.value, probe.no)
        for probe in box.probes
        if probe.value is not None and probe.age_s is not None
    }
    tracks = tuple(
        _longer(track, *found, minutes)
        if (found := values.get(track.name)) and _is_there(track, case, found[2])
        else track
        for track in sheet.tracks
    )
    return replace(sheet, tracks=tracks, now_h=now_h, to_h=max(sheet.to_h, now_h + ahead_h))


def _is_there(track: Track, case: Case, no: int) -> bool:
    """Whether this curve is that of the tray a probe is in now."""
    if no not in case.stays:
        return True
    return track.label == label_of(case.probes[no], case.names[no], [site for _, site in case.seats])


def _longer(track: Track, hour: float, value: float, no: int, minutes: Mapping[int, Sequence[Minute]]) -> Track:
    last = track.runs[-1][-1] if track.runs else None
    if last is None or hour <= last.hour:
        return track
    point = Point(hour, value, value)
    if (hour - last.hour) * HOUR_MS > gap_of(minutes.get(no, ())[-60:]):
        return replace(track, runs=(*track.runs, (point,)))
    return replace(track, runs=(*track.runs[:-1], (*track.runs[-1], point)))


HOURS: Final = 3
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
