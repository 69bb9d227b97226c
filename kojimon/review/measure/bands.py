"""The limits that were in force through a batch: its stages, and the schedule as it stood at each. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from msgspec import Struct

from kojimon.curve import Limits
from kojimon.review.measure.series import Line
from kojimon.review.measure.story import Span
from kojimon.schedule.spec import Band, Schedule, Stage

LEVELS = ("low_low", "low", "high", "high_high")


class BandSpan(Struct, frozen=True):
    """Limits of one place and quantity from one moment to another, ms since hour 0; on a ramp they lean."""

    place: str
    quantity: str
    stage: str
    from_ms: float
    to_ms: float
    begin: Limits
    end: Limits

    def line(self, level: str) -> Line | None:
        """One limit as a line; None where the band has none."""
        begin, end = getattr(self.begin, level), getattr(self.end, level)
        return None if begin is None or end is None else Line(self.from_ms, self.to_ms, begin, end)


def spans(
    stages: Sequence[Span], schedule_at: Callable[[int], Schedule | None], ms: Callable[[int], int], end_t_ms: int
) -> list[BandSpan]:
    """The bands in force.

    Args:
        stages: as announced, engine time.
        schedule_at: the batch's schedule as it stood at an engine time.
        ms: engine time to ms since hour 0.
        end_t_ms: engine time at which the batch, or what is known of it, ends.
    """
    found: list[BandSpan] = []
    for span in stages:
        schedule = schedule_at(span.from_ms)
        stage = schedule.stage(span.name) if schedule else None
        if schedule is None or stage is None:
            continue
        to_t_ms = end_t_ms if span.to_ms is None else min(span.to_ms, end_t_ms)
        for band in stage.bands:
            found += _of_band(band, schedule, stage, ms(span.from_ms), ms(to_t_ms))
    return [one for one in found if one.to_ms > one.from_ms]


def _of_band(band: Band, schedule: Schedule, stage: Stage, from_ms: int, to_ms: int) -> Iterator[BandSpan]:
    new = _limits(band)
    index = schedule.stages.index(stage)
    before = schedule.stages[index - 1].bands if index else ()
    old = next((b for b in before if (b.place, b.quantity) == (band.place, band.quantity)), None)
    level_ms = from_ms
    if band.ramp_s and old is not None:
        level_ms = min(to_ms, from_ms + round(band.ramp_s * 1000))
        begin = Limits(*(n if o is None else o for o, n in zip(_limits(old), new, strict=True)))
        part = (level_ms - from_ms) / (band.ramp_s * 1000)
        end = Limits(
            *(None if n is None else (b or n) + (n - (b or n)) * part for b, n in zip(begin, new, strict=True))
        )
        begin = Limits(*(None if n is None else b for b, n in zip(begin, new, strict=True)))
        yield BandSpan(band.place, band.quantity, stage.name, from_ms, level_ms, begin, end)
    yield BandSpan(band.place, band.quantity, stage.name, level_ms, to_ms, new, new)


def _limits(band: Band) -> Limits:
    return Limits(*(limit.limit if (limit := getattr(band, name)) is not None else None for name in LEVELS))
