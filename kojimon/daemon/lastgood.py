"""The last good settings: kept when a daemon has started, used when a bad edit meets an open batch.

An edit and a power cut must not leave the night unwatched. They lie in the state folder, named by the settings file's
path: a broken file cannot say where its journal is.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import closing
from pathlib import Path

import msgspec

from kojimon import logs
from kojimon.errors import ConfigurationError, JournalError
from kojimon.journal.reading.reader import Reader
from kojimon.settings.load import load_settings
from kojimon.settings.plain import from_json, to_json
from kojimon.settings.spec import Settings

_LOG = logs.get("settings")


def state_folder() -> Path:
    """Where the daemon keeps what is not the journal: systemd's state folder, else the user's."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    base = os.environ.get("XDG_STATE_HOME", "")
    return (Path(base) if base else Path.home() / ".local" / "state") / "kojimon"


def _file(config: Path, folder: Path) -> Path:
    name = hashlib.sha256(os.fsencode(config.absolute())).hexdigest()[:16]
    return folder / f"last-good-{name}.json"


def keep(settings: Settings, config: Path, folder: Path | None = None) -> None:
    """Keeps settings with which a daemon has started. A failure is logged: it must not end a start that worked."""
    target = _file(config, folder or state_folder())
    try:
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        fresh = target.with_suffix(".new")
        with fresh.open("wb") as stream:
            stream.write(to_json(settings))
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(target)
    except OSError as error:
        _LOG.warning("the last good settings cannot be kept in %s: %s", target.parent, error.strerror)


def kept(config: Path, folder: Path | None = None) -> Settings | None:
    """The last good settings of this file, or None."""
    try:
        return from_json(_file(config, folder or state_folder()).read_bytes())
    except (OSError, msgspec.MsgspecError):
        return None


def settings_for_run(config: Path, folder: Path | None = None) -> tuple[Settings, str]:
    """The settings to run with, and what is wrong with the file where they are not the file's.

    Raises:
        ConfigurationError: the file is bad, and no batch is open that would have to be watched all the same.
    """
    try:
        return load_settings(config), ""
    except ConfigurationError as error:
        last = kept(config, folder)
        if last is None or not batch_open(Path(last.journal.path)):
            raise
        return last, str(error)


def batch_open(journal: Path) -> bool:
    """Whether the journal knows an open batch; False where it cannot be read."""
    try:
        with closing(Reader(journal)) as reader:
            return any(batch.ended_t_ms is None for batch in reader.batches())
    except JournalError:
        return False
