"""Loads the settings file, or refuses it whole with every fault named, those of its schedules included."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kojimon.document.read import read_file
from kojimon.document.report import Report
from kojimon.document.shapes import FAILED, document_schema
from kojimon.errors import ConfigurationError, Fault
from kojimon.schedule.load import find_schedule, known_schedules, read_schedule
from kojimon.schedule.spec import Schedule
from kojimon.settings import checks, installed, probes, reaches
from kojimon.settings.build import build
from kojimon.settings.checks import Draft
from kojimon.settings.description import SITE
from kojimon.settings.spec import Settings


def load_settings(path: Path) -> Settings:
    """Reads the settings file and the schedules it names. Reads no secret and opens nothing else.

    Raises:
        ConfigurationError: with every fault of all these files.
    """
    report = Report(str(path))
    node = read_file(path, report)
    draft: Any = SITE.read(node, "", report) if node is not None else FAILED
    if draft is FAILED:
        raise ConfigurationError(report.all())
    folder = path.absolute().parent
    schedules, faults = _schedules(draft, folder, report)
    probes.check(draft, report)
    reaches.check(draft, schedules, report)
    checks.check(draft, report)
    installed.check(draft, report)
    faults += report.all()
    if faults:
        raise ConfigurationError(faults)
    return build(draft, schedules, folder)


def _schedules(draft: Draft, folder: Path, report: Report) -> tuple[dict[str, Schedule], list[Fault]]:
    schedules: dict[str, Schedule] = {}
    faults: list[Fault] = []
    seen: set[str] = set()
    for incubator, keys in draft.get("incubators", {}).items():
        name = keys.get("schedule")
        path = find_schedule(name, folder) if name else None
        if name and path is None:
            known = known_schedules(folder)
            checks.missing(report, f"incubators.{incubator}.schedule", name, known, "a schedule")
        if path is None or name in seen:
            continue
        seen.add(name)
        schedule, wrong = read_schedule(path)
        faults += wrong
        if schedule is not None:
            schedules[name] = schedule
    return schedules, faults


def schema() -> dict[str, Any]:
    """The JSON Schema of the settings file, for editors."""
    return document_schema(SITE, "kojimon settings")
