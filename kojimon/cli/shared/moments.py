"""When something was done: `--at 14:20`, `--at "yesterday 23:10"`, `--ago 40 min`."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import click

from kojimon.cli.shared.options import DURATION, F
from kojimon.contract.state import Document
from kojimon.errors import UsageError
from kojimon.words.moments import ago_of
from kojimon.words.speech import moment_utc, zone_info

JUST_PAST = timedelta(hours=3)
"""A time of today that is over by no more than this was meant as now (judgement)."""
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


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
    return ago_of(at, now, "--at ")


def time_to_come(text: str | None, now: datetime) -> datetime:
    """The next such time of day, on the named weekday or date where one is given; just past is now."""
    if text is None:
        return now
    wrong = UsageError(f"--from {text!r}: expected a time to come, as in 18:00, 'Fri 18:00' or '2026-12-04 18:00'.")
    if re.match(r"\d{4}-", text.strip()):
        try:
            at = datetime.strptime(text.strip().replace("T", " "), "%Y-%m-%d %H:%M")  # noqa: DTZ007 - a wall clock
        except ValueError as error:
            raise wrong from error
        if now - JUST_PAST <= at < now:
            return now
        if not now <= at <= now + timedelta(days=366):
            raise UsageError(f"--from {text!r}: expected a date to come, within a year.")
        return at
    parts = text.split()
    try:
        clock = datetime.strptime(parts[-1], "%H:%M")  # noqa: DTZ007 - a time of day, no instant
        day = _DAYS.index(parts[0][:3].lower()) if len(parts) > 1 else None
    except (ValueError, IndexError) as error:
        raise wrong from error
    at = now.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    if now - JUST_PAST <= at < now and day in (None, at.weekday()):
        return now
    while at < now or (day is not None and at.weekday() != day):
        at += timedelta(days=1)
    return at
