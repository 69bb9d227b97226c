"""`kojimon check`: the settings read as `run` would read them, every fault said at once."""

from __future__ import annotations

import contextlib
import re
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import click

from kojimon import units
from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import open_kitchen, settings_file
from kojimon.cli.shared.options import config_option, example, json_option
from kojimon.clock import SystemClock
from kojimon.errors import KojimonError, UsageError
from kojimon.settings.spec import KernelSource, MqttSource, Settings
from kojimon.words import boxes
from kojimon.words.speech import listing, zone_info


@click.command(epilog=example("kojimon check", "kojimon check --config box.yaml --json", "kojimon check --schema"))
@config_option
@json_option
@click.option("--schema", "as_schema", is_flag=True, help="Print the JSON Schema of the settings, for editors.")
def check(config: str | None, as_json: bool, as_schema: bool) -> None:
    """Read the settings and say everything that is wrong with them. Nothing is started or changed."""
    from kojimon.settings.load import load_settings, schema
    from kojimon.settings.secrets import secret_warnings

    if as_schema:
        screen.print_json(schema())
        return
    path = settings_file(config)
    settings = load_settings(path)
    _token(settings)
    if as_json:
        screen.print_json(settings)
        return
    screen.say(f"{path} is in order.", "good")
    for sentence in summary(settings):
        screen.say(sentence)
    _strangers(settings)
    for sentence in (*secret_warnings(settings), *unsteady(settings), *remarked(settings)):
        screen.say(sentence, "look")
    _night_check(config)
    _calibrations(config)


def remarked(settings: Settings) -> Iterator[str]:
    """See `settings.remarks`; today is the wall clock's day."""
    from kojimon.settings.remarks import remarks

    now_s = SystemClock(settings.clock_trusted).wall_ms() / 1000
    return remarks(settings, datetime.fromtimestamp(now_s, zone_info(settings.person.zone)).date())


def _token(settings: Settings) -> None:
    """Raises UsageError where the page is open to the network and its token, as far as we may read it, is weak."""
    from kojimon.settings.secrets import read_secret, token_fault
    from kojimon.web.http.door import is_loopback

    web = settings.web
    if web.token is None or not web.host or is_loopback(web.host):
        return
    try:
        fault = token_fault(read_secret(web.token))
    except UsageError:
        return  # a file that only the service may read; the daemon looks at it itself
    if fault:
        raise UsageError(f"web.token: {fault}")


def _strangers(settings: Settings) -> None:
    """Where acts over MQTT are wanted: whether the broker keeps out who gives no password."""
    source = next((one for one in settings.sources if one.name == settings.publish.source), None)
    if settings.publish.accept_acts and isinstance(source, MqttSource):
        from kojimon.links.mqtt_stranger import tried
        from kojimon.probes.sources.build import address

        where = address(source, lambda _: "")  # no password is given, so none is wanted
        let_in, text = tried(where)
        screen.say(f"publish: {text}.", "good" if let_in is False else "look")


def _night_check(config: str | None) -> None:
    """Whether the way to the phone has been tried, where there is a journal that can say so."""
    from kojimon.cli.commands.night_check import print_night_check

    with contextlib.suppress(KojimonError):
        print_night_check(open_kitchen(config))


def _calibrations(config: str | None) -> None:
    """Which probes want to be calibrated anew."""
    from kojimon.cli.commands.calibrations import print_old, print_unused

    with contextlib.suppress(KojimonError):
        kitchen = open_kitchen(config)
        print_old(kitchen)
        print_unused(kitchen)


def summary(settings: Settings) -> Iterator[str]:
    """What these settings come to, in sentences."""
    for box in settings.incubators:
        trays = f"{len(box.trays)} tray{'s' if len(box.trays) > 1 else ''}"
        rice = f", {units.show_mass(box.rice_kg, settings.units.pounds)} of rice" if box.rice_kg else ""
        kind = boxes.named(box.box.kind, box.box.cover)
        yield f"{box.label or box.name}: {box.schedule.label}, {trays}{rice}, {kind}."
        yield from boxes.means(box.box.kind, box.box.cover)
    kinds = Counter(type(source).__name__.removesuffix("Source").lower() for source in settings.sources)
    sources = listing([f"{count} {kind} source{'s' if count > 1 else ''}" for kind, count in kinds.items()])
    probes = len(settings.probes)
    if probes:
        yield f"{probes} probe{'s' if probes > 1 else ''} from {sources}."
    else:
        yield "No probe: the schedule runs on its hours, and on what you read by hand (kojimon reading 95 F)."
    blind = [box.label or box.name for box in settings.incubators if not _has_bed(settings, box.name)]
    if blind:
        yield f"No probe is in the koji of {listing(blind)}: its schedule runs on its hours alone."
    person = settings.person
    yield f"Times in {person.zone}, sleep from {person.sleep_from} to {person.sleep_to}."
    yield f"The journal is {settings.journal.path}."


def unsteady(settings: Settings) -> Iterator[str]:
    """Sensor files that are not there now, or may be another sensor after the next start: then what to write."""
    from kojimon.errors import LinkError
    from kojimon.links.kernel_files import SeveralError, candidates, counted, resolve, stable

    for source in settings.sources:
        if not isinstance(source, KernelSource):
            continue
        own = [probe for probe in settings.probes if probe.source == source.name]
        root, counts = Path(source.root), counted(probe.topic for probe in own)
        for probe in own:
            said = f"Probe {probe.name}: `file: {probe.topic}`"
            try:
                better = stable(root, resolve(root, probe.topic, counts))
            except SeveralError:
                lines = [f"`file: {stable(root, one)}`" for one in candidates(root, probe.topic)]
                yield f"{said} may be either of several sensors and is not read. Write one: {' or '.join(lines)}."
            except LinkError:
                yield f"{said} is not there now below {root}. Is the sensor plugged in, its driver loaded?"
            else:
                if better != probe.topic and not _is_steady(probe.topic):
                    yield f"{said} may be another sensor after a start with one more or less. Write `file: {better}`."


def _is_steady(topic: str) -> bool:
    """Whether a path names no number given in the order of appearance, nor a sensor by its driver."""
    return not re.search(r"(^|/)(name:|hwmon\d|iio:device\d)", topic)


def _has_bed(settings: Settings, incubator: str) -> bool:
    return any(p.incubator == incubator and p.place == "bed" and p.quantity == "temperature" for p in settings.probes)
