"""`kojimon curve`: a batch's curve in the terminal, or as a picture in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kojimon.cli import screen
from kojimon.cli.batchview import batch_of
from kojimon.cli.opening import open_kitchen, reader_of
from kojimon.cli.options import HOURS, PlainCommand, config_option, example, output_option
from kojimon.cli.review import write_whole
from kojimon.errors import KojimonError

if TYPE_CHECKING:
    from kojimon.curve import Sheet
    from kojimon.journal.reader import Reader

ROWS = 60


@click.command(
    cls=PlainCommand,
    epilog=example(
        "kojimon curve", "kojimon curve box-12 -o first.svg", "kojimon curve --last 6 h", "kojimon curve -o now.png"
    ),
)
@click.argument("batch", required=False, default="")
@output_option
@click.option("--last", "last_s", type=HOURS, metavar="TIME", help="Only the last hours: 6 h.")
@click.option(
    "--width", type=click.IntRange(300, 4000), default=720, show_default=True, help="Of a picture, in pixels."
)
@click.option("--unit", type=click.Choice(["C", "F"], case_sensitive=False), help="Unit of temperatures. (your own)")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@config_option
def curve(
    batch: str, output: Path | None, last_s: float | None, width: int, unit: str | None, force: bool,
    config: str | None,
) -> None:  # fmt: skip
    """Draw the curve of a batch (its id or name; without one, the open or latest): here, or as FILE.svg or FILE.png."""
    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch)
    document = kitchen.state()
    fahrenheit = document["units"]["fahrenheit"] if unit is None else unit.upper() == "F"
    zone = document["now"]["zone"]
    with reader_of(kitchen) as reader:
        sheet = _sheet(reader, row["id"], fahrenheit, document, last_s)
    if output is None:
        from kojimon.curve.terminal import lines

        for line in lines(sheet, screen.console().width, ROWS, fahrenheit, zone):
            click.echo(line)
        return
    from kojimon.curve import Style, draw

    svg = draw(sheet, Style(width, 17.0 if last_s is None else 60.0, fahrenheit, zone, standalone=True))
    write_whole(output, _png(svg) if output.suffix.lower() == ".png" else svg.encode(), force)
    screen.say(f"{output}: the curve of batch {row['name']}.", "good", error=True)


def _sheet(reader: Reader, batch: str, fahrenheit: bool, document: dict[str, Any], last_s: float | None) -> Sheet:
    from msgspec.structs import replace

    from kojimon.review.earlier import earlier_of
    from kojimon.review.load import load_case
    from kojimon.review.minutes import read_minutes
    from kojimon.review.sheet import sheet_of, speech_of

    case = load_case(reader, batch)
    minutes = read_minutes(reader.path, reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1))
    speech = speech_of(case, fahrenheit, document["units"]["pounds"], document["now"]["zone"])
    sheet = sheet_of(case, minutes, speech, earlier=earlier_of(reader, case.row))
    if last_s is None:
        return sheet
    return replace(sheet, from_h=max(sheet.from_h, sheet.to_h - last_s / 3600))


def _png(svg: str) -> bytes:
    """The picture in pixels, where the library for it is there."""
    import importlib

    try:
        cairosvg = importlib.import_module("cairosvg")
    except (ImportError, OSError):
        raise KojimonError(
            "For PNG the library cairosvg is needed: pip install cairosvg. Or give the file a name that ends in .svg."
        ) from None
    # The library knows no custom properties of style sheets: they are written out.
    from kojimon.curve.look import plain

    data: bytes = cairosvg.svg2png(bytestring=plain(svg).encode(), scale=2.0, background_color="#fffdf8")
    return data
