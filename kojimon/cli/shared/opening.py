"""Finding the kitchen a command means: its settings file, its daemon, its journal."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, LiveKitchen, ShutKitchen, incubator_of
from kojimon.cli.shared.options import config_option, incubator_option
from kojimon.errors import ConfigurationError, KojimonError, NotRunningError, UsageError

if TYPE_CHECKING:
    from kojimon.journal.reading.reader import Reader
    from kojimon.settings.spec import Settings
    from kojimon.web.client.local import Client


def open_kitchen(config: str | None) -> Kitchen:
    """The kitchen of a settings file; without a file that can be read, the one daemon that runs on this machine.

    Raises UsageError and others in words.
    """
    try:
        path = settings_file(config)
    except UsageError:
        alone = None if config else only_daemon()
        if alone is None:
            raise
        return LiveKitchen(alone)
    from kojimon.settings.load import load_settings
    from kojimon.web.http.door import socket_path

    try:
        settings = load_settings(path)
    except ConfigurationError as error:
        return _despite(error, path)
    client = client_of(settings)
    if client.running():
        return LiveKitchen(client)
    holder = lock_holder(Path(settings.journal.path))
    if holder:
        raise NotRunningError(
            f"Process {holder} holds the journal {settings.journal.path}, but kojimon does not answer at "
            f"{socket_path(settings.journal.path, settings.run_folder)}. It may be starting or stopping: try again. "
            "If it runs as a service, give both the same run_folder in the settings."
        )
    kitchen = ShutKitchen(settings)
    click.get_current_context().call_on_close(kitchen.close)
    return kitchen


def of_a_box(batch: bool) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """`--incubator` and `--config`, handed on as what they mean: the kitchen, its state document, the box.

    Args:
        batch: a batch has to be open in it.
    """

    def decorated(function: Callable[..., None]) -> Callable[..., None]:
        @incubator_option
        @config_option
        @wraps(function)
        def command(incubator: str, config: str | None, **given: Any) -> None:
            kitchen = open_kitchen(config)
            document = kitchen.state()
            function(kitchen, document, incubator_of(document, incubator, batch), **given)

        return command

    return decorated


def journal_path(kitchen: Kitchen) -> Path:
    """Where the kitchen's journal lies."""
    if isinstance(kitchen, LiveKitchen):
        return Path(kitchen.client.health().journal.path)
    return Path(kitchen.settings.journal.path)


def say_file(journal: Path) -> None:
    """Says, beside the result, that no daemon was asked."""
    screen.say(f"kojimon is not running: read from the file {journal}.", "quiet", error=True)


@contextmanager
def reader_of(kitchen: Kitchen, told: bool = True) -> Iterator[Reader]:
    """The journal's file, read only; a daemon may go on writing it.

    Args:
        told: where none runs, that is said beside the result.
    """
    from kojimon.journal.reading.reader import Reader

    if isinstance(kitchen, ShutKitchen):
        reader = kitchen.reader()
        if told:
            say_file(reader.path)
        yield reader
        return
    with closing(Reader(journal_path(kitchen))) as reader:
        yield reader


def lock_holder(journal: Path) -> str:
    """The process that holds a journal's lock, "" when nobody does."""
    journal = Path(os.path.realpath(journal))
    try:
        with journal.with_name(f"{journal.name}.lock").open("rb") as lock:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
            return ""
    except BlockingIOError:
        return (
            journal.with_name(f"{journal.name}.lock").read_text(encoding="ascii", errors="replace").strip() or "unknown"
        )
    except OSError:
        return ""


def _despite(error: ConfigurationError, path: Path) -> Kitchen:
    """A bad file must not keep anybody from a daemon that runs on the last good settings."""
    from kojimon.cli.shared import service
    from kojimon.daemon.lastgood import kept

    last = kept(path) or kept(path, service.STATE)
    if last is not None and (client := client_of(last)).running():
        screen.say(f"{path} has faults (see: kojimon check); the last good settings stay in use.", "look", error=True)
        return LiveKitchen(client)
    raise error


def client_of(settings: Settings) -> Client:
    """The client for the daemon of these settings."""
    from kojimon.web.client.local import Client

    return Client.for_journal(settings.journal.path, settings.run_folder)


def only_daemon() -> Client | None:
    """The daemon that answers in the usual run folders, where there is exactly one."""
    from kojimon.web.client.local import Client
    from kojimon.web.http.door import SERVICE_FOLDER, default_run_folder

    try:
        sockets = sorted(path for folder in {default_run_folder(), SERVICE_FOLDER} for path in folder.glob("*.sock"))
    except OSError:
        return None
    answering = [client for path in sockets if (client := Client(path)).running()]
    return answering[0] if len(answering) == 1 else None


def settings_of(config: str | None) -> Settings:
    """The settings that count. Raises UsageError where there is no file, ConfigurationError for a bad one."""
    from kojimon.settings.load import load_settings

    return load_settings(settings_file(config))


def any_settings(config: str | None) -> Settings | None:
    """The settings; None where none can be read and none were named."""
    try:
        return settings_of(config)
    except KojimonError:
        if config:
            raise
        return None


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
