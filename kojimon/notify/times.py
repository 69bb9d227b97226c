"""When attempts are due: receipts looked up, delays after failures, the next moment anything comes due, and when the
person sleeps. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, time, timedelta

from kojimon.journal.records import Delivery
from kojimon.notify.records import FAILED, SENT, Situation
from kojimon.settings.spec import Person
from kojimon.words.speech import moment_utc, zone_info

RETRY_S = (5, 10, 20, 40, 60)
"""Delay after each failure in a row; the last one holds for all that follow."""
REPEAT_MS = 120_000
THIN_FROM_MS, THIN_MS = 1_800_000, 1_200_000
"""A call for koji that is cold, and has been for an hour before it calls, comes every 20 min after half an hour: by
then a second person has been called, and what is heard every two minutes all night is switched off (judgement)."""


def repeats(since_ms: int, slow: bool) -> int:
    """How many repeats of a call are due so long after it began. `slow`: it is of cold koji alone."""
    fast_ms = min(since_ms, THIN_FROM_MS) if slow else since_ms
    return fast_ms // REPEAT_MS + (since_ms - fast_ms) // THIN_MS


def repeat_ms(number: int, slow: bool) -> int:
    """When a repeat of that number is due, after a call began."""
    fast = min(number, THIN_FROM_MS // REPEAT_MS) if slow else number
    return fast * REPEAT_MS + (number - fast) * THIN_MS


def retry_ms(failures: int) -> int:
    """How long after the last of so many failures in a row the next attempt is due."""
    return RETRY_S[min(failures, len(RETRY_S)) - 1] * 1000


class Ledger:
    """A situation with what is asked of it again and again."""

    def __init__(self, situation: Situation) -> None:
        self.situation = situation
        self.now_ms = situation.now_ms
        self.next_ms: int | None = None
        self._receipts: dict[tuple[str, str], list[Delivery]] = {}
        for receipt in situation.receipts:
            self._receipts.setdefault((receipt.message, receipt.channel), []).append(receipt)

    def soon(self, t_ms: int) -> None:
        """Notes that something comes due then."""
        if t_ms > self.now_ms and (self.next_ms is None or t_ms < self.next_ms):
            self.next_ms = t_ms

    def receipts(self, messages: Iterable[str], channel: str, since_ms: int = 0) -> list[Delivery]:
        """Attempts on these messages over a channel, in order."""
        found = [one for name in messages for one in self._receipts.get((name, channel), ()) if one.t_ms >= since_ms]
        return sorted(found, key=lambda one: one.t_ms)

    def sent(self, message: str, channel: str) -> bool:
        """Whether a message has got out over a channel."""
        return any(one.state == SENT for one in self._receipts.get((message, channel), ()))

    def sent_anywhere(self, messages: Iterable[str], since_ms: int) -> bool:
        """Whether any of these messages has got out to a person since then, a loudspeaker left out."""
        names = [channel.name for channel in self.situation.channels if not channel.sounds]
        kept = list(messages)
        return any(one.state == SENT for name in names for one in self.receipts(kept, name, since_ms))

    def utc_ms(self, t_ms: int) -> int:
        """UTC of an engine time near the present, as believed now."""
        return t_ms - self.now_ms + self.situation.utc_ms

    def asleep(self, t_ms: int) -> bool:
        """Whether the person sleeps then. Never while the clock is not trusted: better told by night than not."""
        return self.situation.trusted and sleeping(self.situation.quiet, self.utc_ms(t_ms))

    def morning_ms(self) -> int:
        """The next end of sleep, engine time."""
        return wakes_ms(self.situation.quiet, self.situation.utc_ms) + self.now_ms - self.situation.utc_ms


def failures(tries: list[Delivery]) -> int:
    """How many of these attempts at the end failed in a row; attempts of one moment count once."""
    count, at_ms = 0, -1
    for one in reversed(tries):
        if one.state != FAILED:
            break
        count += one.t_ms != at_ms
        at_ms = one.t_ms
    return count


def sleeping(quiet: Person, utc_ms: int) -> bool:
    """Whether the person sleeps at that moment, by the clock on their wall."""
    clock = moment_utc(utc_ms).astimezone(zone_info(quiet.zone)).strftime("%H:%M")
    if quiet.sleep_from < quiet.sleep_to:
        return quiet.sleep_from <= clock < quiet.sleep_to
    return clock >= quiet.sleep_from or clock < quiet.sleep_to


def wakes_ms(quiet: Person, utc_ms: int) -> int:
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
