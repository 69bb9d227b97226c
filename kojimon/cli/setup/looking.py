"""What can be found on this machine, put the way set-up's questions and ready settings need it."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from kojimon.cli.setup.answers import SourceAnswer, plain
from kojimon.cli.setup.interview import as_name
from kojimon.cli.setup.placing import Finding, Reading
from kojimon.cli.shared import screen
from kojimon.clock import SystemClock, real_s
from kojimon.document.tree import shown
from kojimon.probes.finding.names import OTHER
from kojimon.units import show_duration

if TYPE_CHECKING:
    from kojimon.clock import Clock
    from kojimon.links.mqtt import Address
    from kojimon.probes.finding.guess import Guess

KNOCK_S = 1.0
"""How long a broker on this machine may take to open its door."""
SEPARATOR_WORDS = {";": plain(";"), "\t": "tab", " ": "space"}
STEP_S = 0.2
GRACE_S = 10.0
"""A port that hangs in its driver is left behind after so long."""


def look(
    seconds: float,
    dev: Path = Path("/dev"),
    roots: Sequence[Path] = (Path("/sys"),),
    brokers: Sequence[Address] = (),
    skip: Sequence[str] = (),
) -> list[Finding]:
    """Listens at serial ports, reads sensor files and listens to brokers, all at the same time.

    Args:
        seconds: real time to listen.
        dev, roots: where devices and the kernel's trees are.
        brokers: brokers to listen to, beside one on this machine.
        skip: serial ports to leave alone: a daemon reads them, and two readers steal each other's bytes.
    """
    from kojimon.probes.finding.look import find_kernel, serial_ports

    clock = SystemClock()
    busy = {Path(port).resolve() for port in skip}
    ports = [port for port in serial_ports(dev) if port.resolve() not in busy]
    work: list[Callable[[], Finding]] = [partial(hear_port, port, clock, seconds) for port in ports]
    for number, address in enumerate(reachable(brokers)):
        work.append(partial(hear_broker, address, clock, seconds, f"kojimon-find-{clock.boot_ms()}-{number}"))
    found = all_at_once(work, seconds) if work else []
    sensors = {root: [guess for one in find_kernel(root) for guess in one.guesses] for root in roots}
    return [*found, *(kernel(root, guesses) for root, guesses in sensors.items() if guesses)]


def all_at_once(work: Sequence[Callable[[], Finding]], seconds: float) -> list[Finding]:
    """Does all of it at the same time, with a bar; what hangs is left behind."""
    results: list[Finding | None] = [None] * len(work)

    def one(number: int) -> None:
        results[number] = work[number]()

    threads = [threading.Thread(target=one, args=(number,), daemon=True) for number in range(len(work))]
    for thread in threads:
        thread.start()
    began_s = real_s()
    with screen.progress("Listening", seconds) as bar:
        for thread in threads:
            while thread.is_alive() and real_s() - began_s < seconds + GRACE_S:
                thread.join(STEP_S)
                bar(min(seconds, real_s() - began_s))
    return [result for result in results if result is not None]


def reachable(brokers: Sequence[Address]) -> list[Address]:
    """The brokers given, and one on this machine where something listens and nobody named it."""
    from kojimon.links.mqtt import Address

    here = Address("127.0.0.1")
    named = any((one.host, one.port) in (("127.0.0.1", 1883), ("localhost", 1883)) for one in brokers)
    found = list(brokers)
    if not named:
        with suppress(OSError), socket.create_connection((here.host, here.port), KNOCK_S):
            found.append(here)
    return found


def hear_port(port: Path, clock: Clock, seconds: float) -> Finding:
    """What comes in at a serial port."""
    from kojimon.probes.finding.look import listen_serial

    seen = listen_serial(port, clock, seconds)
    fields = {"port": plain(seen.port)}
    if seen.trouble:
        return Finding(SourceAnswer("board", "serial", fields), f"serial port {seen.port}: {seen.trouble}")
    fields |= {"baud": str(seen.baud), "format": seen.lines.format}
    if seen.lines.separator != ",":
        fields["separator"] = SEPARATOR_WORDS[seen.lines.separator]
    if seen.lines.decimal == ",":
        fields["decimal"] = "comma"
    if seen.lines.columns:
        fields["columns"] = f"[{', '.join(plain(column) for column in seen.lines.columns)}]"
    readings, others = (
        tuple(_reading(guess, "path", guess.key) for guess in guesses)
        for guesses in (seen.lines.guesses, seen.lines.others)
    )
    source = SourceAnswer("board", "serial", fields)
    return Finding(source, f"serial port {seen.port}: {_shown(readings)}", readings, others)


def hear_broker(address: Address, clock: Clock, seconds: float, client_id: str) -> Finding:
    """What a broker sends."""
    from kojimon.probes.finding.look import listen_mqtt

    seen = listen_mqtt(address, clock, seconds, client_id)
    fields = {"host": plain(address.host)} | ({"port": str(address.port)} if address.port != 1883 else {})
    source = SourceAnswer("house", "mqtt", fields | ({"user": plain(address.user)} if address.user else {}))
    where = f"MQTT broker {address.host}:{address.port}"
    if seen.trouble:
        return Finding(source, f"{where}: {seen.trouble.removeprefix(f'{address.host}:{address.port}: ')}")
    readings, others = (
        tuple(_reading(guess, "topic", guess.topic) for guess in guesses) for guesses in (seen.guesses, seen.others)
    )
    more = " and more topics than were looked at" if seen.more else ""
    if seen.twice:
        more += f"; left out, because a name stands twice in the message: {', '.join(map(shown, seen.twice))}"
    return Finding(source, f"{where}: {_shown(readings)}{more}", readings, others)


def kernel(root: Path, sensors: Sequence[Guess]) -> Finding:
    """Sensors of the kernel, put as a finding."""
    fields = {} if root == Path("/sys") else {"root": plain(str(root))}
    readings = tuple(_reading(guess, "file", guess.topic) for guess in sensors)
    return Finding(SourceAnswer("sensors", "kernel", fields), f"sensors of this computer: {_shown(readings)}", readings)


def _shown(readings: Sequence[Reading]) -> str:
    if not readings:
        return "no readings"
    return "1 reading" if len(readings) == 1 else f"{len(readings)} readings"


def _reading(guess: Guess, key: str, address: str) -> Reading:
    fields = {key: plain(address)}
    if key == "topic" and guess.key:
        fields["path"] = plain(guess.key)
    unit_open = not guess.unit
    if guess.unit == "F":
        fields["unit"] = "F"
    if guess.device:
        fields["device"] = guess.device
    if guess.every_s > 0:
        fields["every"] = show_duration(max(1.0, guess.every_s))
    known = "" if guess.quantity == OTHER else guess.quantity
    unit = {"C": " °C", "F": " °F", "%": " %"}.get(guess.unit if known else "", "")
    unit = ", °C or °F," if unit_open and known else unit
    value = "nothing now" if guess.value != guess.value else f"{guess.value:.1f}{unit} now"
    return Reading(_name(guess), fields, known, value, unit_open, " ".join(filter(None, (guess.topic, guess.key))))


def _name(guess: Guess) -> str:
    """A name a person can tell it by: the last telling parts of topic and path, or of the sensor's file."""
    parts = [part for part in f"{guess.topic}/{guess.key}".replace(".", "/").split("/") if part]
    if guess.topic.startswith(("bus/", "class/", "devices/")):
        kept = [part for part in parts if not re.fullmatch(r"bus|class|devices|w1|iio|hwmon\*?|iio:device\*", part)]
        parts = [*kept[:-2], "-".join(filter(None, (guess.device, *kept[-2:-1]))), kept[-1].replace("_input", "")]
    return as_name("-".join(parts[-2:])) or "probe"


def ready(findings: Sequence[Finding]) -> Iterator[str]:
    """Lines of settings for what was seen, to be put into a settings file; each place is a guess to be checked."""
    taken: set[str] = set()
    sources: list[str] = []
    probes: list[str] = []
    used = [finding for finding in findings if finding.readings]
    for finding in used:
        name = _free(finding.source.name, taken)
        sources += [f"  {plain(name)}:  # {finding.what}", f"    kind: {finding.source.kind}"]
        sources += [f"    {key}: {value}" for key, value in finding.source.fields.items()]
        for reading in finding.readings:
            probes += _ready_probe(reading, _free(reading.name, taken), name if len(used) > 1 else "")
    if used:
        yield from [
            "sources:",
            *sources,
            "",
            "# Each `place` is a guess: bed (the koji, then with its tray), air, room or wet-bulb.",
        ]
        yield from ["probes:", *probes]


def _ready_probe(reading: Reading, name: str, source: str) -> Iterator[str]:
    """Its lines, behind `#` where nothing says what it measures, or in which unit: nothing is made of it unasked."""
    aside = "#" if reading.unit_open or not reading.quantity else ""
    unsaid = "in which unit" if reading.quantity else "what it measures"
    unsure = f"; nothing says {unsaid}: if you know, take the first # of these lines away" if aside else ""
    yield f"  {aside}{plain(name)}:  # {reading.shown}{unsure}"
    yield f"  {aside}  place: {_place(reading)}"
    if reading.quantity == "humidity":
        yield f"  {aside}  quantity: humidity"
    if not reading.quantity:
        yield f"  {aside}  quantity: temperature  # or humidity"
    if reading.unit_open:
        yield f"  {aside}  unit: C  # or F{'' if reading.quantity else '; % for humidity'}"
    if source:
        yield f"  {aside}  from: {plain(source)}"
    for key, value in reading.fields.items():
        yield f"  {aside}  {key}: {value}"


def _place(reading: Reading) -> str:
    name = reading.name.lower()
    if any(word in name for word in ("room", "outside", "kitchen")):
        return "room"
    if reading.quantity == "humidity" or any(word in name for word in ("air", "box", "chamber")):
        return "air"
    steel_tip = reading.fields.get("device") == "ds18b20"
    return "bed" if steel_tip or any(word in name for word in ("koji", "bed", "rice", "tray")) else "air"


def _free(name: str, taken: set[str]) -> str:
    found, number = name, 2
    while found in taken:
        found, number = f"{name[:36]}-{number}", number + 1
    taken.add(found)
    return found
