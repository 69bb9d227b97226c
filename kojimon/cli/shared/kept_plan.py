"""A plan in a file, from `kojimon plan --save` to `kojimon batch start --plan`."""

from __future__ import annotations

from pathlib import Path

import msgspec

from kojimon.errors import UsageError


class KeptPlan(msgspec.Struct, frozen=True):
    """What a batch takes over from its plan; `rice_kg` None where no weight of it is known."""

    schedule: str
    note: str
    rice_kg: float | None = None


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
