"""Calibrations in force, of the settings or stored later: put to use at the start and when one is stored; their age."""

from __future__ import annotations

from datetime import date

from msgspec.structs import asdict

from kojimon import logs
from kojimon.contract.acts import Act, ProbeCalibrate
from kojimon.contract.guidance import Calibrated
from kojimon.contract.rows import ListedProbe
from kojimon.contract.state import Document
from kojimon.correction import correction
from kojimon.errors import RefusedError
from kojimon.journal.reading.certificates import certificates
from kojimon.journal.reading.reader import Reader
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Calibration, Probe, Settings

TOLD = ("source", "topic", "key", "device", "expect_every_s")
"""What a list of the probes repeats of their settings."""
_LOG = logs.get("probes")


class Certificates:
    """Which calibration each probe has now.

    Args:
        settings: the probes with the calibrations of the file, and after how long one is old.
        pipeline: what corrects readings; None where only the age is asked.
    """

    def __init__(self, settings: Settings, pipeline: Pipeline | None = None) -> None:
        self._probes = {probe.name: probe for probe in settings.probes}
        self._due_after_days, self._pipeline = settings.calibration.due_after_days, pipeline
        self._stored: dict[str, Calibrated] = {}

    def begin(self, reader: Reader) -> None:
        """At the start: what was stored counts again. Raises JournalError."""
        for stored in certificates(reader).values():
            self.take(stored)

    def of(self, probe: str) -> Calibration:
        """The calibration in force."""
        return in_force(self._probes[probe], self._stored.get(probe))

    def facts(self, probe: str, today: date) -> tuple[str, bool]:
        """The day of the calibration in force, "" without one or its day, and whether that is long ago."""
        found = self.of(probe) if probe in self._probes else Calibration()
        if not found.points:
            return "", False
        return found.date, is_old(found.date, today, self._due_after_days)

    def listed(self, document: Document, today: date) -> list[ListedProbe]:
        """Every probe of the state document with what the settings say of it and the calibration in force."""
        found = []
        for box in document.incubators:
            for row in box.probes:
                probe, (day, old) = self._probes.get(row.name), self.facts(row.name, today)
                told = {} if probe is None else {name: getattr(probe, name) for name in TOLD}
                found.append(
                    ListedProbe(**asdict(row), **told, incubator=box.name, calibrated=day, calibration_old=old)
                )
        return found

    def take(self, stored: Calibrated) -> None:
        """From the next reading on: what was stored just now. In the core's thread, whose pipeline it is."""
        probe = self._probes.get(stored.probe)
        if probe is None:
            return
        try:
            correction(stored.points, probe.quantity)
        except ValueError as error:
            _LOG.warning("probe %s: its stored calibration is left aside: %s", probe.name, error)
            return
        self._stored = {**self._stored, probe.name: stored}
        if self._pipeline is not None:
            self._pipeline.calibrate(probe.name, in_force(probe, stored))

    def admit(self, act: Act) -> None:
        """Refuses a calibration beyond what a probe can be off, before it is an act: one that an older version let in
        is a fact of its journal, and is stated again in a replay.

        Raises:
            RefusedError: in words a person can act on.
        """
        deed = act.deed
        if not isinstance(deed, ProbeCalibrate) or deed.probe not in self._probes:
            return
        try:
            correction(deed.points, self._probes[deed.probe].quantity)
        except ValueError as error:
            raise RefusedError(str(error)) from error


def in_force(probe: Probe, stored: Calibrated | None) -> Calibration:
    """Of the stored one and that of the settings the newer by its date; the stored one where both are of one day."""
    if stored is None or not stored.newer_than(probe.calibration.date):
        return probe.calibration
    return Calibration(stored.points, stored.date, stored.note)


def is_old(day: str, today: date, after_days: float) -> bool:
    """Whether a day, ISO 8601, is longer ago; not where it is none (2026-02-31 is none)."""
    try:
        return (today - date.fromisoformat(day)).days > after_days
    except ValueError:
        return False
