"""Loads a schedule file, or refuses it whole with every fault named. Finds the ones that came with kojimon."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from kojimon.document.read import read_file
from kojimon.document.report import Report
from kojimon.document.shapes import FAILED
from kojimon.errors import ConfigurationError, Fault
from kojimon.schedule.build import build
from kojimon.schedule.checks import check
from kojimon.schedule.description import SCHEDULE
from kojimon.schedule.spec import Schedule

SHIPPED: Final = Path(__file__).parent.parent / "shipped" / "schedules"
"""The schedules that came with kojimon: in the repository a link to `config/`, in an installed copy its files."""


def load_schedule(path: Path) -> Schedule:
    """Reads a schedule file. The schedule is called as the file, without `.yaml`.

    Raises:
        ConfigurationError: with every fault of the file.
    """
    schedule, faults = read_schedule(path)
    if schedule is None:
        raise ConfigurationError(faults)
    return schedule


def read_schedule(path: Path) -> tuple[Schedule | None, list[Fault]]:
    """The schedule of a file, or None and what is wrong with it."""
    report = Report(str(path))
    node = read_file(path, report)
    draft: Any = SCHEDULE.read(node, "", report) if node is not None else FAILED
    if draft is not FAILED:
        check(draft, report)
    return (None, report.all()) if report.faults else (build(path.stem, draft), [])


def find_schedule(name: str, beside: Path) -> Path | None:
    """The file of a schedule: first in the folder `schedules` below `beside`, then among those that came with kojimon.

    Args:
        name: a name that has been checked to be one (no path).
        beside: folder of the settings file.
    """
    for folder in (beside / "schedules", SHIPPED):
        path = folder / f"{name}.yaml"
        if path.is_file():
            return path
    return None


def known_schedules(beside: Path) -> list[str]:
    """Names of all schedules that `find_schedule` finds."""
    folders = [folder for folder in (beside / "schedules", SHIPPED) if folder.is_dir()]
    return sorted({path.stem for folder in folders for path in folder.glob("*.yaml")})
