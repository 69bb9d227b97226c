"""`kojimon journal`: how large it is, how far it has got; checked, copied, taken back."""

from __future__ import annotations

from pathlib import Path

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import open_kitchen, say_file, settings_of
from kojimon.cli.shared.options import config_option, example, json_option
from kojimon.clock import SystemClock
from kojimon.contract.state import Document as StateDocument
from kojimon.errors import KojimonError
from kojimon.journal.reading.facts import JournalFacts
from kojimon.units import show_count, show_duration
from kojimon.words import status as words

MIRROR = "mirror"
"""Name of the mirror's cursor over rows."""


@click.group(
    invoke_without_command=True,
    epilog=example("kojimon journal", "kojimon journal check", "kojimon journal backup /media/usb"),
)
@config_option
@json_option
@click.pass_context
def journal(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """The one file with everything measured and done: its size and state; checked, copied, taken back."""
    ctx.find_root().obj = config
    if ctx.invoked_subcommand is not None:
        return
    kitchen = open_kitchen(config)
    found = kitchen.journal()
    if not kitchen.live:
        say_file(Path(found.path))
    if as_json:
        screen.print_json(found)
        return
    _print(found, kitchen.state(), kitchen.live)


def _print(found: JournalFacts, document: StateDocument, live: bool) -> None:
    speech, now = words.speech_of(document), SystemClock().wall_ms()
    screen.say(str(found.path), "head")
    behind_s = max(0.0, (document.t_ms - found.horizon_t_ms) / 1000)
    late = f"{show_duration(behind_s)} behind the present" if live else "where kojimon last stopped"
    rows = [
        ["size", f"{found.bytes / 1e6:.1f} MB"],
        ["rows (readings and all else)", f"{found.rows:,}"],
        ["events", f"{found.events:,}"],
        ["batches", f"{found.batches:,}"],
        ["messages waiting", f"{found.messages_waiting:,}"],
        ["written up to", f"{speech.moment(found.horizon_utc_ms, now)}, {late}"],
    ]
    if found.rows_thinned:
        rows.insert(2, ["of these thinned out", f"{found.rows_thinned:,}"])
    if seq := found.cursors.get(MIRROR):
        rows.append(["taken over by the mirror", f"row {seq:,} ({found.rows - seq:,} to go)"])
    screen.grid(rows, right=False)


@journal.command(epilog=example("kojimon journal backup /media/usb"))
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), required=False)
@config_option
def backup(folder: Path | None, config: str | None) -> None:
    """Copy it and its photos to another folder, checked, while kojimon runs. Without FOLDER, that of the settings."""
    from kojimon.journal.files.backup import backup as copy

    settings = settings_of(config)
    target = folder or (Path(settings.journal.backup_folder) if settings.journal.backup_folder else None)
    if target is None:
        raise click.UsageError("Which folder? Name one, or set journal.backup_folder in the settings.")
    with screen.progress("Copying", None):
        made = copy(Path(settings.journal.path), target)
    screen.say(f"Copied and checked: {made} ({made.stat().st_size / 1e6:.1f} MB).", "good")


@journal.command(epilog=example("kojimon journal migrate"))
@config_option
def migrate(config: str | None) -> None:
    """Bring it to the form this kojimon writes. kojimon does that too when it starts; here nothing else is done."""
    from kojimon.journal.files.damage import open_or_recover
    from kojimon.journal.schema import VERSION

    path = Path(settings_of(config).journal.path)
    if not path.exists():
        screen.say(f"There is no journal {path} yet.")
        return
    opened = open_or_recover(path)
    opened.lock.release()
    if opened.trouble:
        raise KojimonError(f"{path}: {opened.trouble}")
    screen.say(f"{path} has the form of version {VERSION}.", "good")


@journal.command(epilog=example("kojimon journal check", "kojimon journal check /media/usb/kojimon.journal.1"))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), required=False)
@config_option
def check(file: Path | None, config: str | None) -> None:
    """Check it, or the copy FILE, reading only: whether it is whole, and whether every photo named in it is there."""
    from kojimon.journal.files.backup import check as look

    path = file or Path(settings_of(config).journal.path)
    with screen.progress("Checking", None):
        found = look(path)
    kinds = (found.rows, "row", "rows"), (found.batches, "batch", "batches"), (found.photos, "photo", "photos")
    what = ", ".join(show_count(*kind) for kind in kinds)
    if found.photos_missing:
        raise KojimonError(f"{path} is whole ({what}), but photos are missing: {', '.join(found.photos_missing)}")
    screen.say(f"{path} is whole: {what}.", "good")


@journal.command(epilog=example("kojimon journal restore /media/usb", "kojimon journal restore kojimon.journal.2"))
@click.argument("copy", type=click.Path(path_type=Path))
@config_option
def restore(copy: Path, config: str | None) -> None:
    """Take the copy COPY back, or the newest in the folder COPY, with its photos. kojimon must be stopped.

    The journal that is there now is set aside under a dated name, not deleted.
    """
    from kojimon.journal.files.backup import restore as take_back

    path = Path(settings_of(config).journal.path)
    with screen.progress("Taking back", None):
        aside = take_back(copy, path)
    screen.say(f"{path} is as the copy has it.", "good")
    if aside is not None:
        screen.say(f"What was there lies beside it: {aside.name}")
