"""A plan in a file, from `kojimon plan --save` to `kojimon batch start --plan`."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import msgspec

from kojimon.errors import UsageError


class KeptPlan(msgspec.Struct, frozen=True):
    """What a batch takes over from its plan; `rice_kg` None where no weight of it is known."""

    schedule: str
    note: str
    rice_kg: float | None = None


_WHEN = "%a %d %b %Y %H:%M"


def note_of(purpose: str, inoculate: datetime, begins: datetime) -> str:
    """The first note of a batch that was planned: what it is for, when its spores and its first step were planned."""
    return f"{purpose}. Spores planned for {inoculate:{_WHEN}}. First step planned for {begins:{_WHEN}}."


def planned_in(note: str) -> tuple[datetime, datetime] | None:
    """The first step and the spores as such a note has them, local times without a zone; None without a plan."""
    found = re.search(r"Spores planned for ([^.]+)\. First step planned for ([^.]+)\.", note)
    try:
        return (_local(found[2]), _local(found[1])) if found else None
    except ValueError:  # a note that a person wrote
        return None


def _local(text: str) -> datetime:
    return datetime.strptime(text, _WHEN)  # noqa: DTZ007 (its zone is the settings')


def root_of(note: str) -> str:
    """What the calendar entries of a plan, and of the batch that has its note, have in common; "" without a plan."""
    planned = re.search(r"Spores planned for ([^.]+)\.", note)
    return re.sub(r"\W+", "-", planned[1]).lower() if planned else ""


def write_plan(file: Path, plan: KeptPlan) -> None:
    """Writes it, over what is there."""
    file.write_bytes(msgspec.json.encode(plan))


def read_plan(file: Path) -> KeptPlan:
    """Reads it. Raises UsageError."""
    try:
        return msgspec.json.decode(file.read_bytes(), type=KeptPlan)
    except OSError as error:
        raise UsageError(f"--plan {file}: {error.strerror}. Make one: kojimon plan --save {file}") from error
    except msgspec.DecodeError as error:
        raise UsageError(
            f"--plan {file}: no plan stands there ({error}). Make one: kojimon plan --save {file}"
        ) from error
