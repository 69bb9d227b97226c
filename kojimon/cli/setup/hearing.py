"""Listens where a source points: a broker, a port, a bus, the kernel's files. Every number it hears is returned."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from kojimon.cli.setup.answers import SourceAnswer
from kojimon.cli.setup.looking import GRACE_S, all_at_once, hear_broker, hear_port, kernel, reachable
from kojimon.cli.setup.placing import Finding, Reading
from kojimon.cli.setup.sources import Here
from kojimon.cli.shared import screen
from kojimon.clock import SystemClock

if TYPE_CHECKING:
    from kojimon.links.mqtt import Address

LONGER_S: Final = 60.0
"""The second time: a sensor on a battery speaks every minute or so."""


def glance(dev: Path = Path("/dev"), root: Path = Path("/sys")) -> Here:
    """What there is on this machine, in a moment: nothing is opened for long, no board starts anew."""
    from kojimon.probes.finding.look import find_kernel, serial_ports

    sensors = sum(len(one.guesses) for one in find_kernel(root))
    return Here(bool(reachable(())), tuple(map(str, serial_ports(dev))), sensors)


class Ears:
    """Listens where a source points, once for each; a second time on request, for longer.

    Args:
        seconds: how long, the first time.
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._heard: dict[str, Finding] = {}

    def listen(self, source: SourceAnswer, longer: bool) -> Finding:
        """What is heard there (`sources.Listen`)."""
        place = repr((source.kind, sorted(source.fields.items())))
        if longer or place not in self._heard:
            seconds = max(LONGER_S, self._seconds) if longer else self._seconds
            screen.say(f"\nListening for {seconds:.0f} s ...", "quiet")
            self._heard[place] = hear(source, seconds)
        return self._heard[place]


def hear(source: SourceAnswer, seconds: float) -> Finding:
    """Connects to a source and returns every number that is heard on it.

    Args:
        source: its fields as they stand in the settings; of a bus with `unit_id` beside them.
        seconds: real time to listen.
    """
    clock, fields = SystemClock(), {key: bare(value) for key, value in source.fields.items()}
    if source.kind == "kernel":
        return _hear_kernel(source, Path(fields.get("root", "/sys")))
    work: Callable[[], Finding]
    if source.kind == "mqtt":
        work = partial(hear_broker, _address(source, fields), clock, seconds, f"kojimon-find-{clock.boot_ms()}")
    elif source.kind == "serial":
        work = partial(hear_port, Path(fields["port"]), clock, seconds)
    else:
        work = partial(_hear_bus, source, fields)
    found = all_at_once([work], seconds)
    if not found:
        return Finding(source, f"{source.kind}: nothing answers within {seconds + GRACE_S:.0f} s")
    one = found[0]
    known = {key: value for key, value in source.fields.items() if key != "unit_id"}
    return one._replace(source=SourceAnswer(source.name, source.kind, known | dict(one.source.fields)))


def _address(source: SourceAnswer, fields: Mapping[str, str]) -> Address:
    from kojimon.links.mqtt import Address
    from kojimon.settings.secrets import read_secret
    from kojimon.settings.spec import Secret

    secret = partial(read_secret, Secret(file=source.secret)) if source.secret else None
    return Address(
        fields["host"], int(fields.get("port", "1883")), user=fields.get("user", ""), secret=secret,
        tls=fields.get("tls") == "true",
    )  # fmt: skip


def bare(text: str) -> str:
    """A text as it is meant, from how it stands in the file (see `answers.plain`)."""
    return str(json.loads(text)) if text.startswith('"') else text


def _hear_kernel(source: SourceAnswer, root: Path) -> Finding:
    from kojimon.probes.finding.look import find_kernel

    if not root.is_dir():
        return Finding(source, f"{root}: there is no such folder")
    found = kernel(root, [guess for one in find_kernel(root) for guess in one.guesses])
    return found._replace(source=source, what=found.what if found.readings else f"{root}: no sensor of a known kind")


def _hear_bus(source: SourceAnswer, fields: Mapping[str, str]) -> Finding:
    from kojimon.probes.finding.bus import scan

    unit = int(fields.get("unit_id", "1"))
    seen = scan(fields["port"], int(fields.get("baud", "9600")), fields.get("parity", "N"), unit)
    what = f"transmitter {unit} at {fields['port']}: {seen.trouble or f'{len(seen.numbers)} numbers'}"
    readings = []
    for one in seen.numbers:
        kind = f"unit_id: {unit}, register: {one.register}, function: {one.function}"
        if one.data_type != "int16":
            kind += f", data_type: {one.data_type}, word_order: {one.word_order}"
        scale = {} if one.scale == 1.0 else {"scale": f"{one.scale:g}"}
        where = f"{'input' if one.function == 4 else 'holding'} register {one.register}"
        where += f", {one.data_type} {one.word_order}" if one.data_type != "int16" else ""
        shown = f"{one.value:.1f} now" + (f" ({one.raw:g} times {one.scale:g})" if one.scale != 1.0 else "")
        readings.append(Reading(f"register-{one.register}", {"modbus": f"{{{kind}}}"} | scale, "", shown, True, where))
    return Finding(SourceAnswer(source.name, source.kind), what, tuple(readings))
