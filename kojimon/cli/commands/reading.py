"""`kojimon reading`: what a kitchen thermometer or a hygrometer shows, told by hand."""

from __future__ import annotations

import click

from kojimon.cli.shared.kitchen import Kitchen, print_events
from kojimon.cli.shared.moments import moment_of, moment_options
from kojimon.cli.shared.opening import of_a_box
from kojimon.cli.shared.options import Saving, example
from kojimon.contract.acts import Reading
from kojimon.contract.state import Box, Document
from kojimon.errors import UsageError
from kojimon.typed import tidy
from kojimon.units import parse_percent, parse_temperature_c


@click.command(
    cls=Saving,
    epilog=example("kojimon reading 95 F", "kojimon reading 35.5 C --tray top --ago 5 min", "kojimon reading 80 %"),
)
@click.argument("value", nargs=-1, required=True, metavar="VALUE UNIT")
@click.option("--tray", metavar="NAME", default="", help="In which tray.")
@click.option("--air", "place", flag_value="air", help="It is of the air in the box, not of the koji.")
@click.option("--room", "place", flag_value="room", help="It is of the room.")
@moment_options
@of_a_box(batch=False)
def reading(
    kitchen: Kitchen, document: Document, box: Box, value: tuple[str, ...], tray: str, place: str | None,
    at: str | None, ago_s: float | None,
) -> None:  # fmt: skip
    """Save what you read: the koji with a kitchen thermometer, or the air.

    It counts as a reading for half an hour: limits, steps and "cool enough?" go by it. One dated back by more than a
    minute is saved for the curve and raises no alarm.
    """
    value_c, value_pct = _read(" ".join(value))
    read = Reading(
        value_c=value_c, value_pct=value_pct, place=place or "", tray=tray, at_ago_s=moment_of(document, at, ago_s)
    )  # fmt: skip
    print_events(kitchen, kitchen.act(read, box.name))


def _read(text: str) -> tuple[float | None, float | None]:
    """The value in °C, or in percent. Raises UsageError in words."""
    tidied = tidy(text)
    try:
        return (None, parse_percent(tidied)) if tidied.endswith("%") else (parse_temperature_c(tidied), None)
    except ValueError as error:
        raise UsageError(f"{text!r} is no reading: {error}.") from None
