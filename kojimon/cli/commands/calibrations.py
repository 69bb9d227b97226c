"""`kojimon probes calibrations`: every calibration stored; and the one line about those that are old."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from kojimon.cli.commands.calibrate import shown
from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import config_option, example, json_option
from kojimon.correction import fault
from kojimon.words import status as words
from kojimon.words.speech import listing


@click.command(epilog=example("kojimon probes calibrations"))
@json_option
@config_option
def calibrations(as_json: bool, config: str | None) -> None:
    """Every calibration stored, and how old it is."""
    kitchen = open_kitchen(config)
    last = {event["key"]: event for event in kitchen.events(kinds="calibration")}
    if as_json:
        screen.print_json([{"probe": name, **event["data"]} for name, event in last.items()])
        return
    speech = words.speech_of(kitchen.state())
    rows, tones = [], []
    for row in kitchen.probes():
        data = last.get(row["name"], {}).get("data", {})
        old = bool(row.get("calibration_old"))
        pairs = [[shown(row["quantity"], value, speech) for value in pair] for pair in data.get("points", [])]
        found = ", ".join(f"{said} is {real}" for said, real in pairs)
        unused = _unused(data, row["quantity"])
        found = f"{found}; {unused}" if unused else found
        when = str(row.get("calibrated") or "")
        found = found or ("by the settings" if when else "none stored")
        rows.append([row["name"], found, f"{when}: old, do it again" if old else when, str(data.get("note") or "")])
        tones.append("look" if old or unused else "plain")
    screen.table(["probe", "found", "when", "how"], rows, tones)


def print_old(kitchen: Kitchen) -> None:
    """One quiet line where a calibration in force is old."""
    old = [row for row in kitchen.probes() if row.get("calibration_old")]
    if old:
        names = listing([f"{row['name']} ({row['calibrated']})" for row in old])
        screen.say(f"Calibrated long ago: {names}. Anew: kojimon probes calibrate {old[0]['name']}", "quiet")


def _unused(data: Mapping[str, Any], quantity: str) -> str:
    """Why a stored calibration is left aside: an older version let it in; "" where it is used."""
    wrong = fault(data.get("points", []), quantity)
    return f"not used: {wrong[0]}, wanted {wrong[1]}" if wrong else ""


def print_unused(kitchen: Kitchen) -> None:
    """A line for each stored calibration that is left aside."""
    last = {event["key"]: event["data"] for event in kitchen.events(kinds="calibration")}
    for row in kitchen.probes():
        unused = _unused(last.get(row["name"], {}), row["quantity"])
        if unused:
            screen.say(f"Calibration of {row['name']} {unused}. Anew: kojimon probes calibrate {row['name']}", "look")
