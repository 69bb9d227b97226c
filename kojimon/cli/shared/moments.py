"""When something was done: `--at 14:20`, `--at "yesterday 23:10"`, `--ago 40 min`."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta

import click

from kojimon.cli.shared.options import DURATION, F
from kojimon.contract.state import Document
from kojimon.errors import UsageError
from kojimon.units import show_duration
from kojimon.words.speech import moment_utc, zone_info

LONGEST_GUESS_H = 14.0
"""A bare time of day that lies ahead means yesterday's, unless that is longer ago than this (judgement)."""

_CLOCK = re.compile(
    r"(?:(?P<day>\S+)\s+)?(?P<hour>\d{1,2})[:.](?P<minute>\d{2})\s*(?P<half>[ap]\.?m\.?)?", re.IGNORECASE
)
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_WANTED = 'expected a time that has passed, as in 14:20, 2:20 pm, "yesterday 23:10" or "2026-01-31 14:20"'


def moment_options(function: F) -> F:
    """`--at` and `--ago`."""
    at = click.option("--at", metavar="TIME", help='When: 14:20, "yesterday 23:10", "Sat 9:05 pm".')
    ago = click.option("--ago", "ago_s", type=DURATION, metavar="TIME", help="How long ago: 40 min, 2 h 10 min.")
    return at(ago(function))


def moment_of(document: Document, at: str | None, ago_s: float | None) -> float | None:
    """How long ago the moment was (`at_ago_s` of an act); None when it is now.

    Args:
        document: the state document, for its present, its zone and whether its clock is to be trusted.
        at: a time of day as typed.
        ago_s: how long ago.

    Raises UsageError in words: both given, no time, a time to come, or a clock that is not set.
    """
    if at is not None and ago_s is not None:
        raise UsageError("Say either --at or --ago, not both.")
    if ago_s is not None:
        return ago_s
    if at is None:
        return None
    if not document.now.trusted:
        raise UsageError(
            f"--at {at}: the clock of this computer is not set, so a time of day cannot be used. "
            "Say how long ago it was: --ago 40 min."
        )
    now = moment_utc(document.now.utc).astimezone(zone_info(document.now.zone))
    return ago_of(at, now)


def ago_of(text: str, now: datetime) -> float:
    """Seconds between a time as typed and now.

    Args:
        now: in the person's zone.
    """
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"--at {text}: {_WANTED}.")
    hour, minute = _hour(match, text), int(match["minute"])
    day = match["day"]
    if day is not None:
        return _ago(text, _on(_day(day, text, now.date()), hour, minute, now), now)
    today_s = now.timestamp() - _on(now.date(), hour, minute, now).timestamp()
    if today_s >= 0:
        return today_s
    ago_s = now.timestamp() - _on(now.date() - timedelta(days=1), hour, minute, now).timestamp()
    if ago_s > LONGEST_GUESS_H * 3600:
        ahead = show_duration(-today_s)
        raise UsageError(
            f'--at {text}: that is still to come, in {ahead}; {_WANTED}. If it was yesterday: --at "yesterday {text}".'
        )
    return ago_s


def _hour(match: re.Match[str], text: str) -> int:
    hour, half = int(match["hour"]), (match["half"] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise UsageError(f"--at {text}: {_WANTED}.")
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    if hour > 23 or int(match["minute"]) > 59:
        raise UsageError(f"--at {text}: {_WANTED}.")
    return hour


def _day(word: str, text: str, today: date) -> date:
    plain = word.lower().rstrip(",")
    if plain in ("today", "yesterday"):
        return today - timedelta(days=plain == "yesterday")
    if plain[:3] in _DAYS:
        back = (today.weekday() - _DAYS.index(plain[:3])) % 7
        return today - timedelta(days=back)
    try:
        return date.fromisoformat(plain)
    except ValueError:
        raise UsageError(f"--at {text}: {_WANTED}.") from None


def _on(day: date, hour: int, minute: int, now: datetime) -> datetime:
    """That time of day; where an autumn night has it twice, the later one that has passed."""
    at = datetime(day.year, day.month, day.day, hour, minute, tzinfo=now.tzinfo)
    second = at.replace(fold=1)
    return second if second.timestamp() <= now.timestamp() else at


def _ago(text: str, at: datetime, now: datetime) -> float:
    ago_s = now.timestamp() - at.timestamp()
    if ago_s < 0:
        raise UsageError(f"--at {text}: that is still to come; {_WANTED}.")
    return ago_s
