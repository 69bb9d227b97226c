"""`kojimon probes calibrations`: every calibration stored; and the one line about those that are old."""

from __future__ import annotations

import click
import msgspec

from kojimon.cli.commands.calibrate import shown
from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import config_option, example, json_option
from kojimon.contract.events import Calibration
from kojimon.correction import fault
from kojimon.words import status as words
from kojimon.words.speech import listing


@click.command(epilog=example("kojimon probes calibrations"))
@json_option
@config_option
def calibrations(as_json: bool, config: str | None) -> None:
    """Every calibration stored, and how old it is."""
    kitchen = open_kitchen(config)
    last = _stored(kitchen)
    if as_json:
        screen.print_json([{"probe": name, **msgspec.structs.asdict(one)} for name, one in last.items()])
        return
    speech = words.speech_of(kitchen.state())
    rows, tones = [], []
    for row in kitchen.probes():
        one = last.get(row.name, Calibration())
        old = bool(row.calibration_old)
        pairs = [[shown(row.quantity, value, speech) for value in pair] for pair in one.points]
        found = ", ".join(f"{said} is {real}" for said, real in pairs)
        unused = _unused(one, row.quantity)
        found = f"{found}; {unused}" if unused else found
        when = str(row.calibrated or "")
        found = found or ("by the settings" if when else "none stored")
        rows.append([row.name, found, f"{when}: old, do it again" if old else when, one.note])
        tones.append("look" if old or unused else "plain")
    screen.table(["probe", "found", "when", "how"], rows, tones)


def print_old(kitchen: Kitchen) -> None:
    """One quiet line where a calibration in force is old."""
    old = [row for row in kitchen.probes() if row.calibration_old]
    if old:
        names = listing([f"{row.name} ({row.calibrated})" for row in old])
        screen.say(f"Calibrated long ago: {names}. Anew: kojimon probes calibrate {old[0].name}", "quiet")


def _stored(kitchen: Kitchen) -> dict[str, Calibration]:
    """The last calibration stored of each probe."""
    events = kitchen.events(kinds="calibration")
    return {event.key: what for event in events if isinstance(what := event.what, Calibration)}


def _unused(one: Calibration, quantity: str) -> str:
    """Why a stored calibration is left aside: an older version let it in; "" where it is used."""
    wrong = fault(one.points, quantity)
    return f"not used: {wrong[0]}, expected {wrong[1]}" if wrong else ""


def print_unused(kitchen: Kitchen) -> None:
    """A line for each stored calibration that is left aside."""
    last = _stored(kitchen)
    for row in kitchen.probes():
        unused = _unused(last.get(row.name, Calibration()), row.quantity)
        if unused:
            screen.say(f"Calibration of {row.name} {unused}. Anew: kojimon probes calibrate {row.name}", "look")
