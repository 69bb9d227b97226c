"""Stored calibrations put in force: at the start, and from the moment one is stored."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from kojimon import logs
from kojimon.journal.certificates import Certificate, certificate_of, certificates
from kojimon.journal.reader import Reader
from kojimon.model import Event
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Calibration, Probe

_LOG = logs.get("probes")


def in_force(probe: Probe, stored: Certificate | None) -> Calibration:
    """Of the stored one and that of the settings the newer by its date; the stored one where both are of one day."""
    if stored is None or not stored.newer_than(probe.calibration.date):
        return probe.calibration
    return Calibration(stored.points, stored.date, stored.note)


def apply_stored(pipeline: Pipeline, probes: Iterable[Probe], reader: Reader) -> None:
    """At the start: what was stored counts again."""
    found = certificates(reader)
    for probe in probes:
        if probe.name in found:
            _apply(pipeline, probe, found[probe.name])


def apply_new(pipeline: Pipeline, probes: Mapping[str, Probe], events: Iterable[Event]) -> None:
    """From the next reading on: what was stored just now. In the core's thread, whose pipeline it is."""
    for event in events:
        if event.kind == "calibration" and event.key in probes:
            _apply(pipeline, probes[event.key], certificate_of(event))


def _apply(pipeline: Pipeline, probe: Probe, stored: Certificate) -> None:
    try:
        pipeline.calibrate(probe.name, in_force(probe, stored))
    except ValueError as error:
        _LOG.warning("probe %s: its stored calibration is left aside: %s", probe.name, error)
