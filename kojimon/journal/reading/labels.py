"""How a moment is written for people and other programs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from kojimon.errors import UsageError
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow
from kojimon.journal.stamps import TRUSTED, Stamps
from kojimon.model import anchors_of

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
HOUR_MS: Final = 3_600_000


def by_time(stamps: Stamps, zone: str) -> Callable[[int], str]:
    """Writes engine times as ISO 8601 in a zone (IANA name)."""
    there = ZoneInfo(zone)

    def label(t_ms: int) -> str:
        return iso(stamps.utc_ms(t_ms)[0], there)

    return label


def iso(utc_ms: int, zone: ZoneInfo) -> str:
    """ISO 8601 with the zone's offset, to the millisecond."""
    return (EPOCH + timedelta(milliseconds=utc_ms)).astimezone(zone).isoformat(timespec="milliseconds")


def by_hour(reader: Reader, batch: BatchRow) -> Callable[[int], str]:
    """Hours since inoculation; where a gap turned out longer than believed, by the time that really passed."""
    hour0_ms = batch.hour0_t_ms
    if hour0_ms is None:
        raise UsageError("hours are counted from the inoculation, and there is none in this; export times instead")
    anchors = anchors_of(reader.events(kinds=("anchor",), limit=10**6))

    def label(t_ms: int) -> str:
        extra_ms = sum(delta_ms for at_ms, delta_ms in anchors if hour0_ms < at_ms <= t_ms)
        return f"{(t_ms - hour0_ms + extra_ms) / HOUR_MS:.7f}"

    return label


def clock_notes(stamps: Stamps, t0_ms: int, t1_ms: int) -> tuple[str, ...]:
    """What a person should know about the times of a span."""
    states = {part.state for part in stamps.within(t0_ms, t1_ms)}
    return ("the clock was not set for a part of this; its times are estimated",) if states - {TRUSTED} else ()


def stamp(stamps: Stamps, zone: str) -> Callable[[int], dict[str, object]]:
    """Gives an object its time, how far that is to be trusted, and its engine time."""
    there = ZoneInfo(zone)

    def stamped(t_ms: int) -> dict[str, object]:
        segment = stamps.segment(t_ms)
        state = segment.state if segment else "unknown"
        return {"time": iso(stamps.utc_ms(t_ms)[0], there), "clock": state, "t_ms": t_ms}

    return stamped
