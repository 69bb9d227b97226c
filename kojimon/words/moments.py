"""A time that has passed, as people type it: `14:20`, `2:20 pm`, `yesterday 23:10`, `Sat 9:05 pm`. Pure."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import Final

from kojimon.errors import UsageError
from kojimon.units import show_duration

MOST: Final = 40
"""Letters of it that are read, and said again."""
LONGEST_GUESS_H = 14.0
"""A bare time of day that lies ahead means yesterday's, unless that is longer ago than this (judgement)."""

_CLOCK = re.compile(
    r"(?:(?P<day>\S+)\s+)?(?P<hour>\d{1,2})[:.](?P<minute>\d{2})\s*(?P<half>[ap]\.?m\.?)?", re.IGNORECASE
)
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_WANTED = 'expected a time that has passed, as in 14:20, 2:20 pm, "yesterday 23:10" or "2026-01-31 14:20"'


def ago_of(text: str, now: datetime, lead: str = "") -> float:
    """Seconds between a time as typed and now. Raises UsageError when it is no time, or lies ahead.

    Args:
        now: in the person's zone. lead: what stands before the time in an error.
    """
    try:
        return _ago_of(text[:MOST], now)
    except ValueError as error:
        raise UsageError(f"{lead}{text[:MOST]}: {error}.") from None


def _ago_of(text: str, now: datetime) -> float:
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        raise ValueError(_WANTED)
    hour, minute = _hour(match), int(match["minute"])
    day = match["day"]
    if day is not None:
        return _ago(_on(_day(day, now.date()), hour, minute, now), now)
    today_s = now.timestamp() - _on(now.date(), hour, minute, now).timestamp()
    if today_s >= 0:
        return today_s
    ago_s = now.timestamp() - _on(now.date() - timedelta(days=1), hour, minute, now).timestamp()
    if ago_s > LONGEST_GUESS_H * 3600:
        ahead = show_duration(-today_s)
        raise ValueError(f'that is still to come, in {ahead}; {_WANTED}. If it was yesterday: "yesterday {text}"')
    return ago_s


def _hour(match: re.Match[str]) -> int:
    hour, half = int(match["hour"]), (match["half"] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(_WANTED)
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    if hour > 23 or int(match["minute"]) > 59:
        raise ValueError(_WANTED)
    return hour


def _day(word: str, today: date) -> date:
    plain = word.lower().rstrip(",")
    if plain in ("today", "yesterday"):
        return today - timedelta(days=plain == "yesterday")
    if plain[:3] in _DAYS:
        back = (today.weekday() - _DAYS.index(plain[:3])) % 7
        return today - timedelta(days=back)
    try:
        return date.fromisoformat(plain)
    except ValueError:
        raise ValueError(_WANTED) from None


def _on(day: date, hour: int, minute: int, now: datetime) -> datetime:
    """That time of day; where an autumn night has it twice, the later one that has passed."""
    at = datetime(day.year, day.month, day.day, hour, minute, tzinfo=now.tzinfo)
    second = at.replace(fold=1)
    return second if second.timestamp() <= now.timestamp() else at


def _ago(at: datetime, now: datetime) -> float:
    ago_s = now.timestamp() - at.timestamp()
    if ago_s < 0:
        raise ValueError(f"that is still to come; {_WANTED}")
    return ago_s
