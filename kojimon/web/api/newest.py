"""The last seconds of a curve: what the journal has not stored yet stands in the state of the daemon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from kojimon.contract.state import Box
from kojimon.curve import Point, Sheet, Track
from kojimon.review.draw.sheet import label_of
from kojimon.review.load import Case
from kojimon.review.measure.hours import HOUR_MS
from kojimon.review.measure.minutes import Minute, gap_of


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
