"""The daemon's part for the calendar: the nightly backup, thinning between batches, the summary after the night.

A thread looks every twenty seconds what is due. Where a driver moves the clock there is no thread: the driver looks
after each of its steps, so that a simulated batch tells the same story each time.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Final

from kojimon import logs
from kojimon.contract import inputs
from kojimon.contract.health import DutyHealth
from kojimon.daemon.house import House
from kojimon.daemon.night import night
from kojimon.duties import Calendar, Duty, Trigger, daily_at, last_before
from kojimon.errors import JournalError
from kojimon.journal.files.backup import backup
from kojimon.journal.records import Chunk
from kojimon.journal.writing.thin import thin

LOOK_EVERY_S: Final = 20.0
BACKUP_AT: Final = "03:40"
THIN_AT: Final = "04:10"
"""Local times; outside the hours in which clocks are put forward and back."""
SUMMARY_BEFORE_MIN: Final = 2
"""The summary is stated so long before the end of sleep: what waits for the morning then goes out with it."""
DAY_MS: Final = 86_400_000
COMMIT_S: Final = 10.0

log = logs.get("duty")


class Duties:
    """A part of the daemon (`daemon.run.Part`).

    Args:
        house: journal and core, not started yet.
        driven: whoever moves the clock calls `look`; otherwise a thread does.
    """

    name = "duty"

    def __init__(self, house: House, driven: bool) -> None:
        self._house, self._driven = house, driven
        self._lock = threading.Lock()
        self._calendar: Calendar | None = None
        self._notes: list[inputs.Duty] = []
        self._failed: list[str] = []
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="duty", daemon=True)

    def start(self) -> None:
        """Begins to look."""
        if not self._driven:
            self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Ends; a backup half-way is given up. Whether it ended in time."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def facts(self) -> DutyHealth:
        """For status."""
        duties = [duty.name for duty in self._calendar.duties] if self._calendar else []
        return DutyHealth(duties=duties, failed=list(self._failed))

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_EVERY_S):
            try:
                self.look()
            except Exception:
                log.exception("the calendar goes on after a mistake")

    # -- looking -----------------------------------------------------------------------------------------------

    def look(self) -> int:
        """Does what is due. Returns how many inputs the engine was given."""
        with self._lock:
            moment = self._house.core.moment()
            calendar = self._calendar = self._calendar or Calendar(self._duties(), self._last())
            failed = calendar.run_due(moment.utc_ms, moment.trusted, self._house.settings.person.zone)
            changed, notes = calendar.changed(), self._notes
            self._notes = []
            if failed or changed:
                self._failed = failed
            if changed:
                # Before what the duty brought forth: both are committed together.
                self._house.writer.submit(Chunk(duties=changed))
        for told in notes:
            if not self._house.intake.note(f"{told.name}/{told.incubator}", told):
                log.error("%s/%s: too much is waiting; left out", told.name, told.incubator)
        return len(notes)

    def _last(self) -> dict[str, int]:
        try:
            return self._house.reader().duties()
        except JournalError as error:
            log.warning("when duties were last done is not known: %s", error)
            return {}

    def _duties(self) -> list[Duty]:
        settings = self._house.settings
        found = [Duty("summary", _morning(settings.person.sleep_to), self._summary)]
        if settings.journal.backup_folder:
            found.append(Duty("backup", daily_at(BACKUP_AT), self._backup, waits_for_clock=False))
        found.append(Duty("thin", daily_at(THIN_AT), self._thin, waits_for_clock=False))
        return found

    # -- the duties -------------------------------------------------------------------------------------------------

    def _summary(self) -> None:
        """What happened in the night, in one message for each box with a batch; without one there is nothing to say."""
        house, person = self._house, self._house.settings.person
        if not house.writer.flush(COMMIT_S):
            raise JournalError("the night is not in the journal yet")
        moment, stamps, reader = house.core.moment(), house.stamps(), house.reader()
        to_utc_ms = last_before(_morning(person.sleep_to), moment.utc_ms + 1, person.zone) or 0
        from_utc_ms = last_before(daily_at(person.sleep_from), to_utc_ms, person.zone)
        since_ms, until_ms = stamps.t_ms(from_utc_ms or 0), stamps.t_ms(to_utc_ms)
        if since_ms is None or until_ms is None or moment.utc_ms - to_utc_ms > DAY_MS // 2:
            return
        for box in house.settings.incubators:
            told = night(reader, box.name, since_ms, min(until_ms, moment.t_ms))
            if told is not None:
                self._notes.append(told)

    def _backup(self) -> None:
        house = self._house
        try:
            made = backup(house.path, Path(house.settings.journal.backup_folder), self._stopping.is_set)
        except JournalError as error:
            if not self._stopping.is_set():
                house.core.health("backup", False, str(error))
            raise
        house.core.health("backup", True, "a backup was made")
        log.info("backup: %s", made)

    def _thin(self) -> None:
        """Between batches only: a batch has the card to itself."""
        house = self._house
        state = house.core.present().state
        if state.batches:
            return
        until_ms = house.core.moment().t_ms - round(house.settings.journal.thin_after_days * DAY_MS)
        dropped = thin(house.writer, until_ms, self._stopping.is_set)
        if dropped:
            log.info("thinned: %d idle readings went", dropped)


def _morning(sleep_to: str) -> Trigger:
    """Shortly before the end of sleep (`HH:MM`)."""
    minute = (int(sleep_to[:2]) * 60 + int(sleep_to[3:]) - SUMMARY_BEFORE_MIN) % (24 * 60)
    return daily_at(f"{minute // 60:02}:{minute % 60:02}")
