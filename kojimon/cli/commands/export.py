"""`kojimon export`: a batch's readings as a curve file or as JSON lines."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.batches import batch_of
from kojimon.cli.shared.opening import open_kitchen, reader_of
from kojimon.cli.shared.options import config_option, example, output_option, unit_option
from kojimon.cli.shared.output import whole_file


@click.command(
    epilog=example(
        "kojimon export box-12 -o first.csv",
        "kojimon export box-12 --unit F --hours > first.csv",
        "kojimon export box-12 --format jsonl -o first.jsonl",
    )
)
@click.argument("batch", required=False, default="")
@output_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "jsonl"]),
    help="csv: good readings, a column a probe. "
    "jsonl: every reading with its verdict, and every event. (csv, unless FILE ends in .jsonl)",
)
@unit_option
@click.option("--hours", is_flag=True, help="csv: hours since the spores instead of times.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@config_option
def export(
    batch: str, output: Path | None, form: str | None, unit: str | None, hours: bool, force: bool, config: str | None
) -> None:
    """Write a batch (its id or name; without one, the open or latest) to a file, or to standard output."""
    from kojimon.journal.reading.export import Style, batch_span, write_curve, write_json_lines

    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch)
    document = kitchen.state()
    as_lines = (form or ("jsonl" if output and output.suffix == ".jsonl" else "csv")) == "jsonl"
    if as_lines and hours:
        raise click.UsageError("--hours goes with csv only; jsonl always carries times.")
    fahrenheit = document.units.fahrenheit if unit is None else unit == "F"
    style = Style(fahrenheit, document.now.zone, hours)
    write = write_json_lines if as_lines else write_curve
    with reader_of(kitchen) as rows:
        span = batch_span(rows, row.id)
        with _target(output, force) as out, screen.progress(f"Writing {row.id}", 1.0) as bar:
            done = write(rows, out, span, style, lambda now, total: bar(now / max(1, total)))
    for note in done.notes:
        screen.say(f"Note: {note}.", "look", error=True)
    if output is not None:
        screen.say(f"{output}: {done.rows} lines of batch {row.name}.", "good", error=True)


@contextmanager
def _target(output: Path | None, force: bool) -> Iterator[TextIO]:
    """Standard output, or a file."""
    if output is None:
        yield sys.stdout
        return
    with whole_file(output, force) as file, io.TextIOWrapper(file, encoding="utf-8", newline="") as text:
        yield text
