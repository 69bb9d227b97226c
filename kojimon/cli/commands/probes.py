"""`kojimon probes`: the readings of each probe, and how to find new ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kojimon.cli.commands.calibrate import calibrate
from kojimon.cli.commands.calibrations import calibrations
from kojimon.cli.commands.place import in_koji, move, place
from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import any_settings, client_of, open_kitchen
from kojimon.cli.shared.options import Number, config_option, example, host_port, json_option
from kojimon.contract.rows import ListedProbe
from kojimon.errors import KojimonError
from kojimon.units import show_duration
from kojimon.words import derived
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.speech import QUALITY_WORDS, Speech

if TYPE_CHECKING:
    from kojimon.links.mqtt import Address



@click.group(
    invoke_without_command=True, epilog=example("kojimon probes", "kojimon probes find", "kojimon probes --json")
)
@config_option
@json_option
@click.pass_context
def probes(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """See each probe's reading, how good and how old it is; find new ones."""
    ctx.find_root().obj = config
    if ctx.invoked_subcommand is not None:
        return
    kitchen = open_kitchen(config)
    rows = kitchen.probes()
    if as_json:
        screen.print_json(rows)
        return
    document = kitchen.state()
    speech = words.speech_of(document)
    several = len(document.incubators) > 1
    cells = [_cells(row, speech, several) for row in rows]
    screen.table(["probe", "where", ">now", ">raw", "quality", "read", ">every"], cells, [_tone(row) for row in rows])
    for box in document.incubators:
        lines = list(derived.sentences(box, speech))
        if lines:
            screen.say(f"\n{box.label}: " + " ".join(lines) if several else "\n" + " ".join(lines))
    if not kitchen.live:
        screen.say("\nkojimon is not running: these are the last readings.", "look")


def _cells(row: ListedProbe, speech: Speech, several: bool) -> list[str]:
    quantity, age_s, raw = row.quantity, row.age_s, row.raw
    where = say.spot(row.place, quantity, row.tray)
    every_s = row.expect_every_s
    return [
        row.name,
        f"{where} [{row.incubator}]" if several else where,
        speech.value(quantity, row.value),
        speech.value(quantity, raw, 2) if raw is not None and raw != row.value else "",
        quality_of(row),
        f"{show_duration(age_s)} ago" if age_s is not None else "never",
        show_duration(every_s) if every_s is not None else "",
    ]


def quality_of(row: ListedProbe) -> str:
    """`good`, `no reading` and why, or what is wrong with its last reading."""
    if row.silent:
        return f"no reading: {QUALITY_WORDS.get(row.quality, 'unknown')}" if row.quality else "no reading"
    if row.value is None and row.quality is None:
        return "nothing yet"
    return QUALITY_WORDS.get(int(row.quality or 0), "unknown")


def _tone(row: ListedProbe) -> str:
    return "plain" if quality_of(row) == "good" else "look"


@probes.command(epilog=example("kojimon probes find", "kojimon probes find --seconds 20 --broker 192.0.2.10"))
@click.option("--seconds", type=Number(1, 600), default=60.0, show_default=True, help="How long to listen.")
@click.option("--broker", "brokers", multiple=True, metavar="HOST[:PORT]", help="An MQTT broker to listen to.")
@click.option("--dev", type=click.Path(path_type=Path), default=Path("/dev"), hidden=True)
@click.option(
    "--root",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Kernel's sensor trees. (/sys, and those of the settings)",
)
@config_option
@json_option
def find(
    seconds: float, brokers: tuple[str, ...], dev: Path, root: Path | None, config: str | None, as_json: bool
) -> None:
    """Look for probes at serial ports, in the kernel's sensor files and at MQTT brokers; print settings for them.

    Opening a serial port starts many boards anew; ports that kojimon reads are left alone.
    """
    from kojimon.cli.setup.looking import look, ready
    from kojimon.links.mqtt import Address

    known, busy, roots = _known(config)
    given = [Address(*host_port(text, 1883)) for text in brokers]
    found = look(seconds, dev, [root] if root else roots, [*known, *given], busy)
    if as_json:
        screen.print_json([finding._asdict() for finding in found])
        return
    for port in busy:
        screen.say(f"{port}: left alone: kojimon reads it.", error=True)
    for finding in found:
        screen.say(f"{finding.what}.", "plain" if finding.readings else "look", error=True)
    lines = list(ready(found))
    if not lines:
        raise KojimonError(
            "No readings were found. Is the probe plugged in, its driver loaded, does the broker hear it? "
            "A broker elsewhere: --broker HOST."
        )
    click.echo("\n".join(lines))


probes.add_command(calibrate)
probes.add_command(calibrations)
probes.add_command(place)
probes.add_command(move)
probes.add_command(in_koji)


def _known(config: str | None) -> tuple[list[Address], list[str], list[Path]]:
    """Brokers of the settings, serial ports a running daemon reads, and where the kernel's sensors are looked for."""
    from kojimon.probes.sources.build import address
    from kojimon.settings.secrets import read_secret
    from kojimon.settings.spec import KernelSource, ModbusSource, MqttSource, SerialSource

    settings, roots = any_settings(config), [Path("/sys")]
    if settings is None:
        return [], [], roots
    brokers = [address(source, read_secret) for source in settings.sources if isinstance(source, MqttSource)]
    ports = [source.port for source in settings.sources if isinstance(source, SerialSource | ModbusSource)]
    roots += [Path(source.root) for source in settings.sources if isinstance(source, KernelSource)]
    return brokers, ports if client_of(settings).running() else [], list(dict.fromkeys(roots))
