"""When the person sleeps. Pure: the moment is handed in."""

from __future__ import annotations

from datetime import datetime, time, timedelta

from kojimon.notify.records import Quiet
from kojimon.words.speech import moment_utc, zone_info


def sleeping(quiet: Quiet, utc_ms: int) -> bool:
    """Whether the person sleeps at that moment, by the clock on their wall."""
    clock = moment_utc(utc_ms).astimezone(zone_info(quiet.zone)).strftime("%H:%M")
    if quiet.sleep_from < quiet.sleep_to:
        return quiet.sleep_from <= clock < quiet.sleep_to
    return clock >= quiet.sleep_from or clock < quiet.sleep_to


def wakes_ms(quiet: Quiet, utc_ms: int) -> int:
    """The next end of sleep after that moment, UTC in ms."""
    zone = zone_info(quiet.zone)
    today = moment_utc(utc_ms).astimezone(zone).date()
    hour, minute = int(quiet.sleep_to[:2]), int(quiet.sleep_to[3:])
    for days in range(4):
        local = datetime.combine(today + timedelta(days=days), time(hour, minute), zone)
        found_ms = round(local.timestamp() * 1000)
        if found_ms > utc_ms:
            return found_ms
    raise AssertionError("a time of day comes round within three days")
