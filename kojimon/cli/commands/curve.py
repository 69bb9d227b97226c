"""`kojimon curve`: a batch's curve in the terminal, or as a picture or a table in a file."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.batches import batch_of
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import (
    HOURS,
    PlainCommand,
    config_option,
    example,
    json_option,
    output_option,
    unit_option,
)
from kojimon.cli.shared.output import write_whole

if TYPE_CHECKING:
    from kojimon.curve import Sheet
    from kojimon.web.api.sheets import Drawn

ROWS = 60


@click.command(
    cls=PlainCommand,
    epilog=example(
        "kojimon curve", "kojimon curve box-12 -o first.svg", "kojimon curve --last 6 h", "kojimon curve -o now.png",
        "kojimon curve -o first.csv",
    ),
)  # fmt: skip
@click.argument("batch", required=False, default="")
@output_option
@click.option("--last", "last_s", type=HOURS, metavar="TIME", help="Only the last hours: 6 h.")
@click.option(
    "--width",
    type=click.IntRange(300, 4000),
    default=720,
    show_default=True,
    help="Of a picture, in pixels; from 640 on the hours run across, below it down.",
)
@click.option("--without", multiple=True, metavar="NAME", help="Leave out `air`, `humidity` or a probe of a picture.")
@unit_option
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@config_option
def curve(
    batch: str, output: Path | None, last_s: float | None, width: int, without: tuple[str, ...],
    unit: str | None, force: bool, as_json: bool,
    config: str | None,
) -> None:  # fmt: skip
    """Draw the curve of a batch (its id or name; without one, the open or latest): here, or into a file.

    The name of the file says what it becomes: .svg or .png a picture; .csv or .json what is drawn, as data in °C and %.
    """
    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch)
    found = kitchen.curve(row.id, None if last_s is None else last_s / 3600, (unit or "").lower())
    if as_json:
        screen.print_json(found)
    elif output is None:
        show(found, ROWS)
    else:
        write_whole(output, written(found, output.suffix.lower(), width, without), force)
        screen.say(f"{output}: the curve of batch {row.name}.", "good", error=True)


def show(found: Drawn, rows: int) -> None:
    """A sheet (`Kitchen.curve`) in the terminal, in about so many lines."""
    from kojimon.curve.terminal import lines

    for line in lines(found.sheet, screen.console().width, rows, found.unit == "f", found.zone):
        print(line)


def written(found: Drawn, kind: str, width_px: int, without: tuple[str, ...] = ()) -> bytes:
    """A sheet as the content of a file. Raises UsageError for a kind of file that is not known."""
    from kojimon.curve import Style, draw

    if kind == ".json":
        import msgspec

        return msgspec.json.format(msgspec.json.encode(found), indent=1) + b"\n"
    if kind == ".csv":
        return table(found.sheet).encode()
    if kind not in (".svg", ".png"):
        raise click.UsageError(f"A file that ends in {kind or 'nothing'}: expected .svg, .png, .csv or .json.")
    svg = draw(found.sheet, Style(width_px, 0.0, found.unit == "f", found.zone, True, frozenset(without)))
    if kind == ".svg":
        return svg.encode()
    from kojimon.curve.pixels import png

    return png(svg)


def table(sheet: Sheet) -> str:
    """What is drawn as CSV: a line a point, hours since the spores, °C and %."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n").writerow
    write(("probe", "label", "hour", "low", "high"))
    for track in sheet.tracks:
        for run in track.runs:
            for point in run:
                write((track.name, track.label, f"{point.hour:.4f}", f"{point.low:g}", f"{point.high:g}"))
    return out.getvalue()
