"""A batch as a sheet to be drawn: its curves, bands, windows and what happened, in a cook's words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.events import BatchReopened, ProbeMoved
from kojimon.contract.state import alarm_of
from kojimon.curve import Band, Earlier, Fan, Mark, Point, Sheet, Strip, Track, Window
from kojimon.journal.records import Placing
from kojimon.review.load import Case
from kojimon.review.measure.alarms import Occurrence, occurrences
from kojimon.review.measure.hours import HOUR_MS
from kojimon.review.measure.minutes import Minute, gap_of, runs
from kojimon.review.measure.stays import minutes_in
from kojimon.units import show_duration
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words.speech import Speech

TOLD_GAP_H: Final = 10 / 60
"""A gap of ten minutes and more in all of the koji is told in words."""
BEFORE_H: Final = 1.0
"""So much before hour 0 is shown at most."""
STRIPS: Final = {
    ("bed", "temperature"): Strip.KOJI, ("air", "temperature"): Strip.AIR, ("room", "temperature"): Strip.AIR,
    ("wet-bulb", "temperature"): Strip.AIR, ("air", "humidity"): Strip.HUMIDITY,
}  # fmt: skip

Minutes = Mapping[int, Sequence[Minute]]
"""By probe number, engine time."""


def speech_of(case: Case, fahrenheit: bool, pounds: bool, zone: str) -> Speech:
    """How to speak of a batch: by its own schedule and probes."""
    probes = {case.names[no]: (site.place, site.tray) for no, site in case.probes.items()}
    bare = Speech(fahrenheit=fahrenheit, pounds=pounds, zone=zone, probes=probes)
    return bare.knowing(case.schedule.steps, case.schedule.stages) if case.schedule else bare


def sheet_of(
    case: Case, minutes: Minutes, speech: Speech, *, earlier: Earlier | None = None, fan: Fan | None = None,
    ahead: Sequence[Window] = (), to_h: float | None = None, tracks: tuple[Track, ...] | None = None,
) -> Sheet:  # fmt: skip
    """The sheet of a batch.

    Args:
        case: the batch.
        minutes: readings minute by minute.
        speech: how its words are said.
        earlier, fan: what stands behind and ahead.
        ahead: windows still to come, of an open batch.
        to_h: last hour shown; None: its end.
        tracks: its curves (`tracks_of`) where they are at hand already.
    """
    end_h = case.end_ms / HOUR_MS
    seams, sure = case.hours.seams(case.stamps, case.t0_ms, case.t1_ms)
    tracks = tracks_of(case, minutes) if tracks is None else tracks
    open_now = case.row.ended_t_ms is None
    first_h = min((run[0].hour for track in tracks for run in track.runs), default=0.0)
    return Sheet(
        title=f"Batch {case.row.name}",
        from_h=max(min(0.0, first_h), -BEFORE_H) if case.inoculated else 0.0,
        to_h=end_h if to_h is None else to_h,
        tracks=tracks,
        bands=tuple(_bands(case)),
        windows=(*_windows(case), *ahead),
        marks=tuple(sorted(_marks(case, tracks, speech), key=lambda mark: mark.hour)),
        earlier=earlier,
        fan=fan,
        now_h=end_h if open_now else None,
        inoculated=case.inoculated,
        seams=seams,
        clock_sure=sure,
    )


# What was measured.


def label_of(site: Placing, name: str, sites: Sequence[Placing]) -> str:
    """A probe as a cook calls it: by its tray, its place; by its name where that would fit two."""
    if site.quantity == "humidity":
        label = "humidity" if site.place == "air" else f"humidity, {say.PLACE_SHORT.get(site.place, site.place)}"
    elif site.place == "bed":
        label = say.where("bed", site.tray).removeprefix("the ")
    else:
        label = say.PLACE_SHORT.get(site.place, site.place)
    twins = [other for other in sites if (other.place, other.tray, other.quantity) == site[3:6]]
    return f"{label} ({name})" if len(twins) > 1 else label


def tracks_of(case: Case, minutes: Minutes) -> tuple[Track, ...]:
    """Its curves, the koji first; most of the work of a sheet."""
    return tuple(_tracks(case, minutes))


def _tracks(case: Case, minutes: Minutes) -> Iterator[Track]:
    sites = [site for _, site in case.seats]
    for no, site in case.seats:
        strip = STRIPS.get((site.place, site.quantity))
        own = minutes.get(no, ())
        if no in case.stays:
            own = minutes_in(own, case.stays[no], site)
        if strip is not None and own:
            label = label_of(site, case.names[no], sites)
            yield Track(case.names[no], label, strip, runs(own, gap_of(own), case.hours.hour))
    yield from _by_hand(case)


def _by_hand(case: Case) -> Iterator[Track]:
    """What was read by hand: a point each, and no line between them, for nobody looked there."""
    spots: dict[tuple[str, str, str], list[Point]] = {}
    for read in sorted(case.story.reads, key=lambda one: one.at_ms):
        hour = case.hours.hour(read.at_ms)
        spots.setdefault((read.place, read.quantity, read.tray), []).append(Point(hour, read.value, read.value))
    for (place, quantity, tray), points in spots.items():
        label = f"{say.small_first(say.spot(place, quantity, tray))}, by hand"
        yield Track(f"{label}", label, STRIPS[place, quantity], tuple((point,) for point in points))


def _bands(case: Case) -> Iterator[Band]:
    for one in case.bands:
        strip = {("bed", "temperature"): Strip.KOJI, ("air", "temperature"): Strip.AIR,
                 ("air", "humidity"): Strip.HUMIDITY}.get((one.place, one.quantity))  # fmt: skip
        if strip is not None:
            yield Band(strip, one.from_ms / HOUR_MS, one.to_ms / HOUR_MS, one.begin, one.end)


def _windows(case: Case) -> Iterator[Window]:
    """Windows that were announced, from their opening until the work was done, or they closed."""
    done = {(work.step, work.round): work.at_ms for work in case.story.works}
    for one in case.story.windows:
        begin_ms = one.opens_ms if one.opens_ms is not None else one.due_ms
        ends = [ms for ms in (one.closes_ms, done.get((one.step, one.round)), case.t1_ms) if ms is not None]
        if one.optional or begin_ms is None or min(ends) <= begin_ms:
            continue
        due_h = None if one.due_ms is None else case.hours.hour(one.due_ms)
        yield Window(one.label, case.hours.hour(begin_ms), due_h, case.hours.hour(min(ends)))


# What happened.


def _marks(case: Case, tracks: Sequence[Track], speech: Speech) -> Iterator[Mark]:
    hour = case.hours.hour
    for work in case.story.works:
        yield Mark(hour(work.at_ms), "step", _first_words(work.label), rank=0)
    yield from _alarms(case, speech)
    for note in case.story.notes:
        text = f"{note.text} (photo)" if note.photo else note.text
        yield Mark(hour(note.at_ms), "note", text, rank=1)
    for event in case.events:
        what = event.what
        if isinstance(what, ProbeMoved) and not what.ended:
            yield Mark(hour(event.t_ms), "note", f"{event.key} to {say.tray_name(what.tray)}", rank=1)
        if isinstance(what, BatchReopened):
            from_h, lasted = hour(what.ended_ms), show_duration(what.gap_ms / 1000)
            yield Mark(from_h, "gap", f"nobody judged it for {lasted}", "look", hour(event.t_ms), 1)
    for stage in case.story.stages[1:]:
        yield Mark(hour(stage.from_ms), "stage", say.small_first(stage.label), rank=2)
    yield from _blind(tracks)


def _first_words(label: str) -> str:
    return label.split(" (", maxsplit=1)[0]

def _alarms(case: Case, speech: Speech) -> Iterator[Mark]:
    """What called. Probes that fell silent together are one mark: the words of each would cover the curve."""
    silent: list[list[Mark]] = []
    for one in occurrences(case.events):
        mark = _alarm(one, case, speech)
        if not isinstance(keys.parse(one.key), keys.Silent):
            yield mark
        elif silent and mark.hour - silent[-1][0].hour < TOLD_GAP_H:
            silent[-1].append(mark)
        else:
            silent.append([mark])
    for together in silent:
        text = together[0].text if len(together) == 1 else f"No reading from {len(together)} probes"
        yield replace(together[0], text=text, until_h=max(mark.until_h or 0.0 for mark in together))


def _alarm(one: Occurrence, case: Case, speech: Speech) -> Mark:
    tone = {"wake": "wrong", "tell": "look"}.get(one.priority, "plain")
    off_h = case.end_ms / HOUR_MS if one.off_ms is None else case.hours.hour(one.off_ms)
    return Mark(
        case.hours.hour(one.called_ms), "alarm", alarm_text(one, speech), tone, off_h, 0 if tone == "wrong" else 1
    )


def alarm_text(one: Occurrence, speech: Speech) -> str:
    """What an alarm said, shortly: `Top tray too warm: 43.2 °C (limit 43 °C)`."""
    what = one.first
    tray = what.tray or speech.probes.get(what.probe, ("", ""))[1]
    subject = alarm_words.subject(replace(alarm_of(one.key, what), tray=tray), speech)
    key, value, limit = keys.parse(one.key), what.value, what.limit
    if not isinstance(key, keys.Limit) or value is None or limit is None:
        return subject
    edge = "limit" if key.side == "high" else "lower limit"
    return f"{subject}: {speech.brief(key.quantity, value)} ({edge} {speech.brief(key.quantity, limit)})"


def _blind(tracks: Sequence[Track]) -> Iterator[Mark]:
    """Where nothing was read of the koji at all."""
    koji = [track for track in tracks if track.strip is Strip.KOJI]
    edges = sorted(((run[0].hour, run[-1].hour) for track in koji for run in track.runs), key=lambda pair: pair[0])
    seen_h = max(0.0, edges[0][0]) if edges else 0.0
    for begin_h, end_h in edges:
        if begin_h - seen_h >= TOLD_GAP_H:
            text = f"nothing read for {show_duration((begin_h - seen_h) * 3600)}"
            yield Mark(seen_h, "gap", text, "look", begin_h, 1)
        seen_h = max(seen_h, end_h)
