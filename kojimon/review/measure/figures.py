"""The figures of a batch, from its readings and its story. Pure; hours and °C, % and K.

Everything is counted from hour 0 to the end: the harvest, the discarding, or the present of an open batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from msgspec import Struct

from kojimon.forecast.thermal import worth
from kojimon.review.measure import series as count
from kojimon.review.measure.bands import LEVELS, BandSpan
from kojimon.review.measure.hours import HOUR_MS, Hours
from kojimon.review.measure.series import Beyond, Line, Series
from kojimon.review.measure.story import Opening, Story, Work
from kojimon.review.measure.warming import fastest_rise, onset_ms

RANGES: Final = ((30.0, 35.0), (35.0, 38.0), (38.0, None), (42.0, None))
"""°C: what each favours stands in `words.FAVOURS`; the last is part of the one before."""
REACHED_C: Final = (35.0, 38.0, 40.0, 42.0)
ABOVE_C: Final = (38.0, 40.0, 42.0, 45.0)
NONE: Final = Beyond()
MIXING: Final = ("mix", "spread", "furrow", "swap")


class InBand(Struct, frozen=True):
    """Hours inside and beyond the bands of a place, and degree-hours (or %·h) beyond; by level name.

    Attributes:
        in_h: within low and high, of the time a band was in force and the value was known.
        beyond_h, beyond_area: by `low_low`, `low`, `high`, `high_high`; what is beyond the outer limit is beyond the
            inner one too.
    """

    in_h: float
    known_h: float
    beyond_h: dict[str, float]
    beyond_area: dict[str, float]


class Curve(Struct, frozen=True):
    """One probe's figures; None where there was nothing to count."""

    probe: str
    place: str
    tray: str
    quantity: str
    known_h: float
    highest: float | None = None
    highest_h: float | None = None
    lowest: float | None = None
    lowest_h: float | None = None
    mean: float | None = None
    band: InBand | None = None


class Tray(Struct, frozen=True):
    """What is asked of the koji only.

    Attributes:
        onset_h: when it was first clearly warm; whether by itself, `engine/own_heat.py` judges.
        rise_k_per_h, rise_h: fastest rise over half an hour, and the hour it ended.
        ranges_h: hours in each of RANGES.
        reached_h: hour at which each of REACHED_C was first reached.
        above_h: hours above each of ABOVE_C.
        worth_h: its warmth as hours at `thermal.WORTH_C`, over the time that is known.
        later: whether its probe was moved here in mid-batch, and so did not see it begin to warm.
    """

    curve: Curve
    onset_h: float | None
    rise_k_per_h: float | None
    rise_h: float | None
    ranges_h: tuple[float, ...]
    reached_h: tuple[float | None, ...]
    above_h: tuple[float, ...]
    worth_h: float
    later: bool = False


class Timing(Struct, frozen=True):
    """A work against its window.

    Attributes:
        hour: when it was done; opens_h, due_h, closes_h: its window, None where it was not announced.
        late_h: how long after its window closed; early_h: how long before it opened; 0 in time.
        after_due_h: how long after it was due; negative before; None where it was never due.
    """

    step: str
    label: str
    round: int
    hour: float
    opens_h: float | None = None
    due_h: float | None = None
    closes_h: float | None = None
    late_h: float = 0.0
    early_h: float = 0.0
    after_due_h: float | None = None


class Figures(Struct, frozen=True):
    """All figures of a batch. `length_h` is from hour 0 to the end."""

    length_h: float
    trays: tuple[Tray, ...]
    others: tuple[Curve, ...]
    timings: tuple[Timing, ...]
    missed: tuple[Opening, ...]

    @property
    def onset_h(self) -> float | None:
        """When the first tray was clearly warm."""
        return min((tray.onset_h for tray in self.trays if tray.onset_h is not None), default=None)

    @property
    def hottest(self) -> Tray | None:
        """The tray that grew hottest."""
        seen = [tray for tray in self.trays if tray.curve.highest is not None]
        return max(seen, key=lambda tray: tray.curve.highest or 0.0, default=None)


def figures(curves: Sequence[Series], story: Story, bands: Sequence[BandSpan], hours: Hours, end_ms: float) -> Figures:
    """The figures.

    Args:
        curves: good readings by probe, ms since hour 0.
        story: what happened, engine time.
        bands: limits in force, ms since hour 0.
        hours: the batch's axis.
        end_ms: end, ms since hour 0.
    """
    beds = [one for one in curves if one.place == "bed" and one.quantity == "temperature"]
    air = next((one for one in curves if one.place == "air" and one.quantity == "temperature"), None)
    works = [hours.ms(work.at_ms) for work in story.works if work.work in MIXING]
    return Figures(
        length_h=end_ms / HOUR_MS,
        trays=tuple(_tray(bed, air, bands, works, end_ms, _came_later(bed, beds)) for bed in beds),
        others=tuple(_curve(one, bands, end_ms) for one in curves if one not in beds),
        timings=tuple(_timing(work, story, hours) for work in story.works),
        missed=tuple(_missed(story)),
    )


def _came_later(bed: Series, beds: Sequence[Series]) -> bool:
    """Whether its probe was in another tray before: then it did not see this one begin to warm."""
    others = [one for one in beds if one is not bed and one.probe == bed.probe and one.t_ms]
    return bool(bed.t_ms) and any(one.t_ms[0] < bed.t_ms[0] for one in others)


def _tray(
    bed: Series, air: Series | None, bands: Sequence[BandSpan], works: Sequence[int], end_ms: float, later: bool
) -> Tray:
    onset = None if later else onset_ms(bed, air, 0.0, end_ms)
    rise = fastest_rise(bed, 0.0 if onset is None else onset, end_ms, works)
    above = {limit: _hours(count.beyond(bed, Line(0.0, end_ms, limit, limit)).ms) for limit in _edges()}
    reached = (count.reached_ms(bed, value, _settled_ms(end_ms), end_ms) for value in REACHED_C)
    return Tray(
        curve=_curve(bed, bands, end_ms),
        onset_h=_maybe(onset),
        rise_k_per_h=rise.k_per_h if rise else None,
        rise_h=_maybe(rise.t_ms) if rise else None,
        ranges_h=tuple(above[low] - (above[high] if high is not None else 0.0) for low, high in RANGES),
        reached_h=tuple(_maybe(moment) for moment in reached),
        above_h=tuple(above[limit] for limit in ABOVE_C),
        worth_h=_hours(worth(count.pieces(bed, 0.0, end_ms))),
        later=later,
    )


def _edges() -> set[float]:
    return {edge for pair in RANGES for edge in pair if edge is not None} | set(ABOVE_C)


def _settled_ms(end_ms: float) -> float:
    """From an hour after the spores on: rice that is still warm from the steamer has reached nothing."""
    return min(end_ms, float(HOUR_MS))


def _curve(one: Series, bands: Sequence[BandSpan], end_ms: float) -> Curve:
    high, low = count.extreme(one, 0.0, end_ms), count.extreme(one, 0.0, end_ms, highest=False)
    return Curve(
        one.probe, one.place, one.tray, one.quantity, _hours(count.known_ms(one, 0.0, end_ms)),
        high[0] if high else None, _maybe(high[1]) if high else None,
        low[0] if low else None, _maybe(low[1]) if low else None,
        count.mean(one, 0.0, end_ms), _in_band(one, bands, end_ms),
    )  # fmt: skip


def _in_band(one: Series, bands: Sequence[BandSpan], end_ms: float) -> InBand | None:
    own = [band for band in bands if (band.place, band.quantity) == (one.place, one.quantity)]
    if not own:
        return None
    ms: dict[str, float] = {}
    area: dict[str, float] = {}
    known = inside = 0.0
    for band in own:
        from_ms, to_ms = max(0.0, band.from_ms), min(end_ms, band.to_ms)
        if to_ms <= from_ms:
            continue
        part = {level: _beyond(one, band, level, from_ms, to_ms) for level in LEVELS}
        known += (here := count.known_ms(one, from_ms, to_ms))
        inside += here - (part["low"] or part["low_low"] or NONE).ms - (part["high"] or part["high_high"] or NONE).ms
        for level, found in part.items():
            if found is not None:
                ms[level] = ms.get(level, 0.0) + found.ms
                area[level] = area.get(level, 0.0) + found.area
    return InBand(
        _hours(inside), _hours(known), {k: _hours(v) for k, v in ms.items()}, {k: _hours(v) for k, v in area.items()}
    )


def _beyond(one: Series, band: BandSpan, level: str, from_ms: float, to_ms: float) -> Beyond | None:
    line = band.line(level)
    if line is None:
        return None
    cut = Line(from_ms, to_ms, line.at(from_ms), line.at(to_ms))
    return count.beyond(one, cut, above=level.startswith("high"))


def _timing(work: Work, story: Story, hours: Hours) -> Timing:
    hour = hours.hour(work.at_ms)
    window = next((one for one in story.rounds(work.step) if one.round == work.round), None)
    if window is None:
        window = Opening(work.step, work.label, work.round, work.opens_ms, work.due_ms)
    opens, due, closes = (
        None if t_ms is None else hours.hour(t_ms) for t_ms in (window.opens_ms, window.due_ms, window.closes_ms)
    )
    return Timing(
        work.step, work.label, work.round, hour, opens, due, closes,
        late_h=max(0.0, hour - closes) if closes is not None else 0.0,
        early_h=max(0.0, opens - hour) if opens is not None else 0.0,
        after_due_h=None if due is None else hour - due,
    )  # fmt: skip


def _missed(story: Story) -> Iterable[Opening]:
    """Windows that closed undone, optional ones left out."""
    done = {(work.step, work.round) for work in story.works}
    for window in story.windows:
        closed = window.closes_ms is not None and story.ended_ms is not None and window.closes_ms <= story.ended_ms
        if closed and not window.optional and (window.step, window.round) not in done:
            yield window


def _hours(ms: float) -> float:
    return ms / HOUR_MS


def _maybe(ms: float | None) -> float | None:
    return None if ms is None else ms / HOUR_MS
