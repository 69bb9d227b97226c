"""`kojimon journal`: how large it is, how far it has got, and a copy of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from kojimon.cli import screen
from kojimon.cli.kitchen import journal_path, open_kitchen, reader_of
from kojimon.cli.options import config_option, example, json_option
from kojimon.units import show_duration
from kojimon.words import status as words


@click.group(
    invoke_without_command=True,
    epilog=example("kojimon journal", "kojimon journal --json", "kojimon journal backup /media/usb"),
)
@config_option
@json_option
@click.pass_context
def journal(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """The one file with everything measured and done: its size and state; a copy of it."""
    ctx.obj = config or ctx.obj
    if ctx.invoked_subcommand is not None:
        return
    kitchen = open_kitchen(config)
    path = journal_path(kitchen)
    with reader_of(kitchen) as reader:
        facts = reader.facts()
        horizon = reader.horizon_ms()
    document = kitchen.state()
    found = {"path": str(path), "bytes": size_of(path), "horizon_t_ms": horizon, **facts}
    if as_json:
        screen.print_json(found)
        return
    _print(found, document, kitchen.live)


def size_of(path: Path) -> int:
    """Bytes of the journal with what waits beside it."""
    parts = (path, path.with_name(f"{path.name}-wal"))
    return sum(part.stat().st_size for part in parts if part.exists())


def _print(found: dict[str, Any], document: dict[str, Any], live: bool) -> None:
    speech, now = words.speech_of(document), document["now"]["utc"]
    screen.say(str(found["path"]), "head")
    behind_s = (document["t_ms"] - found["horizon_t_ms"]) / 1000
    reached = "where the last daemon stopped" if not live else f"{show_duration(max(0, behind_s))} behind the present"
    rows = [
        ["size", f"{found['bytes'] / 1e6:.1f} MB"],
        ["readings", f"{found['readings']:,}"],
        ["other inputs", f"{found['inputs']:,}"],
        ["events", f"{found['events']:,}"],
        ["batches", f"{found['batches']:,}"],
        ["messages waiting", f"{found['messages_waiting']:,}"],
        ["written up to", f"{reached} ({speech.moment(now, now)})"],
    ]
    rows += [
        [f"taken over by {name}", f"row {seq:,} of {found['last_seq']:,}"] for name, seq in found["cursors"].items()
    ]
    screen.table(["what", "now"], rows)


@journal.command(epilog=example("kojimon journal backup /media/usb"))
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), required=False)
@config_option
def backup(folder: Path | None, config: str | None) -> None:
    """Copy it to another folder, checked; the daemon goes on meanwhile. Without FOLDER, the one of the settings."""
    from kojimon.cli.kitchen import settings_file
    from kojimon.journal.backup import backup as copy
    from kojimon.settings.load import load_settings

    settings = load_settings(settings_file(config))
    target = folder or (Path(settings.journal.backup_folder) if settings.journal.backup_folder else None)
    if target is None:
        raise click.UsageError("Which folder? Name one, or set journal.backup_folder in the settings.")
    made = copy(Path(settings.journal.path), target)
    screen.say(f"Copied and checked: {made} ({made.stat().st_size / 1e6:.1f} MB).", "good")
