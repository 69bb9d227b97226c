"""Calendar duties: the nightly backup, the morning summary. Says what is due; runs it once, however late.

APScheduler's triggers are used as pure functions of a moment; its scheduler is never started, because it stands still
as long as the wall clock went back, and builds every missed moment after it went forward. A trigger works in UTC here
and is shown local time labelled as UTC: with a zone of its own, APScheduler 3.11 passes over the midnight after a
night in which the hour was put forward. Zone rules are applied to its answer: an hour that does not exist moves the
duty behind the gap, of an hour that comes twice the first counts, and the answer must lie after the last run.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from kojimon import logs

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
AROUND: Final = timedelta(hours=25)
"""Longest jump of a zone's local time: a day was left out where a zone crossed the date line."""
RETRY_MS: Final = 3_600_000
"""A duty that failed is tried again after so long."""

log = logs.get("duties")


class Trigger(Protocol):
    """What is used of an APScheduler trigger."""

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        """The next moment at or after now."""


@dataclass(frozen=True, slots=True)
class Duty:
    """Something to be done by the calendar.

    Attributes:
        name: under which its last run is kept in the journal.
        trigger: says when, in local time labelled UTC, as `daily_at` gives it.
        run: does it; an exception counts as failed and is tried again.
        waits_for_clock: not done while the wall clock is not trusted. A duty that does not wait goes by the believed
            time: at worst it runs once more when the clock is set.
    """

    name: str
    trigger: Trigger
    run: Callable[[], None]
    waits_for_clock: bool = True


def daily_at(time: str) -> Trigger:
    """Each day at a local time `HH:MM`. Raises ValueError for anything else."""
    hour, minute = _clock_time(time)
    from apscheduler.triggers.cron import CronTrigger

    trigger: Trigger = CronTrigger(hour=hour, minute=minute, timezone=UTC)
    return trigger


def _clock_time(time: str) -> tuple[int, int]:
    hours, _, minutes = time.partition(":")
    if not (time.isascii() and len(time) == 5 and hours.isdigit() and minutes.isdigit()):
        raise ValueError(f"{time!r}: expected a time of day, as in `06:30`")
    if int(hours) > 23 or int(minutes) > 59:
        raise ValueError(f"{time!r}: expected a time of day from `00:00` to `23:59`")
    return int(hours), int(minutes)


def next_after(trigger: Trigger, utc_ms: int, zone: str) -> int | None:
    """The first moment of a trigger in a zone (IANA name) after utc_ms; both UTC in ms. None when there is none.

    Looked for from AROUND before: a moment that a gap moved may lie ahead though its label is past.
    """
    there, after = ZoneInfo(zone), EPOCH + timedelta(milliseconds=utc_ms)
    label = after.astimezone(there).replace(tzinfo=UTC, fold=0) - AROUND
    while (found := trigger.get_next_fire_time(None, label)) is not None:
        moment = found.replace(tzinfo=there, fold=0).astimezone(UTC)
        if moment > after:
            return (moment - EPOCH) // timedelta(milliseconds=1)
        label = found + timedelta(milliseconds=1)
    return None


def last_before(trigger: Trigger, utc_ms: int, zone: str) -> int | None:
    """The last moment of a daily trigger in a zone before utc_ms; both UTC in ms. None when there is none."""
    found_ms = None
    next_ms = next_after(trigger, utc_ms - 2 * AROUND // timedelta(milliseconds=1), zone)
    while next_ms is not None and next_ms < utc_ms:
        found_ms, next_ms = next_ms, next_after(trigger, next_ms, zone)
    return found_ms


class Calendar:
    """Which duties are due. Times are UTC in ms as the wall clock believes them.

    Args:
        duties: what there is to do.
        last: last run of each by name, as the journal has it (`Reader.duties`). A duty not in it counts from the
            first time it is looked at.
    """

    def __init__(self, duties: Sequence[Duty], last: Mapping[str, int]) -> None:
        self.duties = tuple(duties)
        self._last = dict(last)
        self._retry: dict[str, int] = {}
        self._changed: dict[str, int] = {}
        self._next: dict[str, tuple[tuple[int, str], int | None]] = {}

    def due(self, now_utc_ms: int, trusted: bool, zone: str) -> list[Duty]:
        """What is to be done now; each at most once, however many of its moments have passed."""
        return [
            duty
            for duty in self.duties
            if (trusted or not duty.waits_for_clock) and self._is_due(duty, now_utc_ms, zone)
        ]

    def _is_due(self, duty: Duty, now_ms: int, zone: str) -> bool:
        last_ms = self._last.get(duty.name)
        if last_ms is None or self._far_ahead(duty.trigger, last_ms, now_ms, zone):
            self._note(duty.name, now_ms)
            return False
        if abs(self._retry.get(duty.name, 0) - now_ms) < RETRY_MS:
            return False
        next_ms = self._next_ms(duty, last_ms, zone)
        return next_ms is not None and next_ms <= now_ms

    def _next_ms(self, duty: Duty, last_ms: int, zone: str) -> int | None:
        """Asked of the trigger once: a simulated batch looks thousands of times."""
        asked, found_ms = self._next.get(duty.name, (None, None))
        if asked != (last_ms, zone):
            found_ms = next_after(duty.trigger, last_ms, zone)
            self._next[duty.name] = ((last_ms, zone), found_ms)
        return found_ms

    @staticmethod
    def _far_ahead(trigger: Trigger, last_ms: int, now_ms: int, zone: str) -> bool:
        """Whether the last run lies a whole period in the future: the clock was set back, the count begins anew.

        A smaller step back is waited out, so that a night's duty is not done twice.
        """
        if last_ms <= now_ms:
            return False
        first_ms = next_after(trigger, now_ms, zone)
        second_ms = None if first_ms is None else next_after(trigger, first_ms, zone)
        return second_ms is not None and last_ms >= second_ms

    def _note(self, name: str, now_ms: int) -> None:
        self._last[name] = self._changed[name] = now_ms

    def done(self, duty: Duty, now_utc_ms: int) -> None:
        """It was done now: every moment up to now counts as served."""
        self._note(duty.name, max(now_utc_ms, 0))
        self._retry.pop(duty.name, None)

    def failed(self, duty: Duty, now_utc_ms: int) -> None:
        """It could not be done now; it comes due again after RETRY_MS."""
        self._retry[duty.name] = now_utc_ms

    def run_due(self, now_utc_ms: int, trusted: bool, zone: str) -> list[str]:
        """Runs what is due in this thread. Returns the names of what failed; the log says why."""
        failed = []
        for duty in self.due(now_utc_ms, trusted, zone):
            try:
                duty.run()
            except Exception as problem:
                log.error("%s failed and is tried again in an hour: %s", duty.name, problem)
                self.failed(duty, now_utc_ms)
                failed.append(duty.name)
            else:
                self.done(duty, now_utc_ms)
        return failed

    def changed(self) -> dict[str, int]:
        """Last runs that changed since this was asked before; they belong into the next `Chunk.duties`."""
        changed, self._changed = self._changed, {}
        return changed
