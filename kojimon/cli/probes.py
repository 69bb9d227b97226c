"""`kojimon probes`: what each probe says, and which ones there are to be found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from kojimon.cli import screen
from kojimon.cli.opening import open_kitchen
from kojimon.cli.options import config_option, example, json_option
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.speech import QUALITY_WORDS, Speech

Document = Mapping[str, Any]


@click.group(
    invoke_without_command=True, epilog=example("kojimon probes", "kojimon probes find", "kojimon probes --json")
)
@config_option
@json_option
@click.pass_context
def probes(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """See what each probe says, how good that is and how old; find new ones."""
    ctx.obj = config or ctx.obj
    if ctx.invoked_subcommand is not None:
        return
    kitchen = open_kitchen(config)
    rows = kitchen.probes()
    if as_json:
        screen.print_json(rows)
        return
    document = kitchen.state()
    speech = words.speech_of(document)
    several = len(document["incubators"]) > 1
    cells = [_cells(row, speech, several) for row in rows]
    screen.table(["probe", "where", ">now", ">raw", "quality", "read", ">every"], cells, [_tone(row) for row in rows])
    if not kitchen.live:
        screen.say("\nNo daemon runs: this is how they stood when it last did.", "look")


def _cells(row: Document, speech: Speech, several: bool) -> list[str]:
    quantity, age_s, raw = row["quantity"], row["age_s"], row.get("raw")
    where = say.spot(row["place"], quantity, row["tray"])
    every_s = row.get("expect_every_s")
    return [
        row["name"],
        f"{where} [{row['incubator']}]" if several else where,
        speech.value(quantity, row["value"]),
        speech.value(quantity, raw, 2) if raw is not None and raw != row["value"] else "",
        quality_of(row),
        f"{show_duration(age_s)} ago" if age_s is not None else "never",
        show_duration(every_s) if every_s is not None else "",
    ]


def quality_of(row: Document) -> str:
    """`good`, `silent`, or what is wrong with its last reading."""
    if row.get("silent"):
        return "silent"
    if row.get("value") is None and row.get("quality") is None:
        return "nothing yet"
    return QUALITY_WORDS.get(int(row.get("quality") or 0), "unknown")


def _tone(row: Document) -> str:
    return "plain" if quality_of(row) == "good" else "look"
