"""The way to one kitchen: the daemon where it runs, its journal where it does not.

Commands ask a `Kitchen` and do not know which of the two answers.
"""

from __future__ import annotations

import os
import pwd
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Protocol

import click

from kojimon.cli import screen
from kojimon.errors import ConfigurationError, KojimonError, NotRunningError, UsageError
from kojimon.settings.spec import Settings

Document = dict[str, Any]


class Kitchen(Protocol):
    """What commands ask. All times inside are engine ms, with `*_utc` beside them where a person reads them."""

    live: bool
    """Whether a running daemon answers."""

    def state(self) -> Document:
        """The state document (DEVELOPERS.md)."""

    def act(self, kind: str, incubator: str, data: Mapping[str, Any]) -> list[Document]:
        """Does an act; the events that came of it. Raises RefusedError with the reason."""

    def batches(self) -> list[Document]:
        """Every batch, the latest last."""

    def events(self, batch: str = "", after: int = 0) -> list[Document]:
        """Events with `utc`, oldest first."""


def who() -> str:
    """The person at the keyboard, as the machine knows them."""
    try:
        return os.environ.get("SUDO_USER") or pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())


def act_of(kind: str, incubator: str, data: Mapping[str, Any]) -> Document:
    """An act as the doors take it, with a key of its own so that a repeat does nothing."""
    return {
        "kind": kind,
        "incubator": incubator,
        "who": who(),
        "channel": "cli",
        "idempotency": uuid.uuid4().hex,
        "data": dict(data),
    }


def usual_files() -> Iterator[Path]:
    """Where settings are looked for when nobody names a file."""
    yield Path("kojimon.yaml")
    home = os.environ.get("XDG_CONFIG_HOME")
    yield (Path(home) if home else Path.home() / ".config") / "kojimon" / "kojimon.yaml"
    yield Path("/etc/kojimon/kojimon.yaml")


def settings_file(config: str | None) -> Path:
    """The settings file that counts. Raises UsageError when there is none."""
    if config:
        if not Path(config).is_file():
            raise UsageError(f"{config}: there is no such settings file. To make one: kojimon setup -o {config}")
        return Path(config)
    found = next((path for path in usual_files() if path.is_file()), None)
    if found is None:
        places = ", ".join(str(path) for path in usual_files())
        raise UsageError(
            f"No settings file was found (looked for {places}). "
            "Make one with `kojimon setup`, or name one: --config FILE, or KOJIMON_CONFIG."
        )
    return found
