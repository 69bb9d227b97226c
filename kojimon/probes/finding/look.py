"""Looks for probes: at serial ports, in the kernel's trees, at a broker, for a while, and says what it saw.

Nothing is written or subscribed for good. Opening a serial port resets many boards; that is told to the person first.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from kojimon.clock import Clock, real_s, wait_s
from kojimon.errors import LinkError
from kojimon.links.kernel_files import name_of, read, stable
from kojimon.links.mqtt import Address, MqttLink
from kojimon.links.serial_port import SerialPort
from kojimon.model import Quantity
from kojimon.probes.finding.guess import Guess, guess, is_worth_a_look, numbers_in, pace, twice
from kojimon.probes.finding.lines import EMPTY, LineGuess, guess_lines
from kojimon.probes.finding.names import names_one
from kojimon.probes.formats.decode import json_document
from kojimon.probes.formats.lines import LineBuffer
from kojimon.probes.formats.said import read_unit, unit_at, units_in

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

BAUDS: Final = (9600, 115200, 57600, 38400, 19200)
"""Tried in this order, the commonest first."""
LINES_ENOUGH: Final = 8
CONNECT_S: Final = 10.0
"""So long a broker may take to let us in."""
TOPICS_LIMIT: Final = 2000
TIMES_KEPT: Final = 20
TWICE_TOLD: Final = 5
OWN: Final = "kojimon/"
"""Below it and a site's name stands what kojimon publishes; a probe's own topic there has one name behind it."""

DRIVERS: Final = {"w1_slave_temp": "ds18b20", "sht3x": "sht3x", "sht4x": "sht4x", "bme280": "bme280"}
"""Driver name -> device with known span and sentinels."""
NOT_PROBES: Final = ("cpu_thermal", "coretemp", "k10temp", "nvme", "acpitz", "rp1_adc", "iwlwifi", "drivetemp", "gpu")
"""Sensors inside computers."""


class SerialFind(Struct, frozen=True):
    """A serial port: its stable name, and what came from it. `trouble` says why nothing could be had."""

    port: str
    baud: int = 0
    lines: LineGuess = LineGuess("")
    trouble: str = ""


class KernelFind(Struct, frozen=True):
    """A sensor of the kernel; `driver` is the name it gives itself."""

    driver: str
    guesses: tuple[Guess, ...]


class MqttFind(Struct, frozen=True):
    """What a broker sent while being listened to; `others` are numbers that look like no reading, `more` says that
    there were more topics than were looked at, `twice` names those whose message has a name twice."""

    guesses: tuple[Guess, ...] = ()
    trouble: str = ""
    more: bool = False
    twice: tuple[str, ...] = ()
    others: tuple[Guess, ...] = ()


# -- serial ---------------------------------------------------------------------------------------------------


def serial_ports(dev: Path = Path("/dev")) -> list[Path]:
    """Serial ports by the most stable name each has: by-id, else by-path, else its own."""
    found: dict[Path, Path] = {}
    for folder in ("serial/by-id", "serial/by-path"):
        for link in sorted((dev / folder).glob("*")):
            found.setdefault(link.resolve(), link)
    for pattern in ("serial0", "ttyUSB*", "ttyACM*", "ttyAMA*"):
        for device in sorted(dev.glob(pattern)):
            found.setdefault(device.resolve(), device)
    return sorted(found.values())


def listen_serial(port: Path, clock: Clock, seconds: float, bauds: Sequence[int] = BAUDS) -> SerialFind:
    """Listens to one port at each baud rate until lines make sense. A board that is silent at one is so at all of them:
    it is waited for at the first.

    Args:
        port: path of the device.
        clock: for the pace of the lines.
        seconds: real time in all.
    """
    until_s, share_s = real_s() + seconds, seconds / len(bauds)
    heard, most = SerialFind(str(port), trouble="nothing was heard"), 0
    for baud in bauds:
        try:
            lines, times_ms = _lines_of(port, clock, until_s, share_s, baud)
        except LinkError as error:
            return SerialFind(str(port), trouble=str(error))
        made = guess_lines(lines, pace(times_ms)) if lines else LineGuess("")
        if made.format:
            return SerialFind(str(port), baud, made)
        if len(lines) > most:
            heard, most = SerialFind(str(port), trouble=f"{made.trouble} ({baud} baud)"), len(lines)
    return heard


def _lines_of(port: Path, clock: Clock, until_s: float, share_s: float, baud: int) -> tuple[list[bytes], list[int]]:
    opened, buffer = SerialPort(str(port), baud), LineBuffer()
    lines: list[bytes] = []
    times_ms: list[int] = []
    spoke = False
    try:
        while real_s() < until_s and len(lines) < LINES_ENOUGH:
            read = opened.read()
            if read and not spoke:
                spoke, until_s = True, min(until_s, real_s() + share_s)
            new = buffer.feed(read)
            if new:
                lines += new
                times_ms.append(clock.boot_ms())
    finally:
        opened.close()
    header = [buffer.first] if buffer.first is not None and lines else []
    return header + lines, times_ms


# -- kernel ---------------------------------------------------------------------------------------------------


def find_kernel(root: Path = Path("/sys")) -> list[KernelFind]:
    """Temperature and humidity sensors in the 1-wire, hwmon and IIO trees, by addresses that stay the same."""
    found = []
    for folder in sorted((root / "bus/w1/devices").glob("*-*")):
        if (folder / "temperature").exists():
            found += _kernel_find(root, "w1_slave_temp", [folder / "temperature"])
    trees = (("class/hwmon", ("temp*_input", "humidity*_input")), ("bus/iio/devices", ("in_*_input", "in_*_raw")))
    for tree, patterns in trees:
        for folder in sorted((root / tree).glob("*"), key=lambda one: one.resolve()):
            driver = name_of(folder)
            if not driver or driver == "w1_slave_temp" or driver.startswith(NOT_PROBES):
                continue
            files = [file for pattern in patterns for file in sorted(folder.glob(pattern))]
            wanted = [one for one in files if one.name.startswith(("temp", "humid", "in_temp", "in_humid"))]
            found += _kernel_find(root, driver, wanted)
    return found


def _kernel_find(root: Path, driver: str, files: Sequence[Path]) -> list[KernelFind]:
    guesses = []
    for file in files:
        try:
            value = read(file)
        except LinkError:
            value = None
        quantity = Quantity.HUMIDITY if "humid" in file.name else Quantity.TEMPERATURE
        unit = "%" if quantity == Quantity.HUMIDITY else "C"
        shown = float("nan") if value is None else value / 1000
        guesses.append(Guess(stable(root, file), "", quantity, unit, DRIVERS.get(driver, ""), shown))
    return [KernelFind(driver, tuple(guesses))] if guesses else []


# -- MQTT -----------------------------------------------------------------------------------------------------


class _Ear(MqttLink):
    """Listens to everything, keeps the last numbers of each topic."""

    def __init__(self, address: Address, client_id: str, clock: Clock) -> None:
        super().__init__("find", address, client_id, ("#",))
        self._clock = clock
        self.heard: dict[str, tuple[dict[str, float], dict[str, str], list[int]]] = {}
        self.units: dict[str, str] = {}
        """What Homie says beside a property: `homie/box/probe/bed/$unit` (Homie 4.0.0, "Property attributes")."""
        self.twice: set[str] = set()
        self.more = False
        self.locked = threading.Lock()
        self.came = threading.Event()

    def _connected_now(self, client: Client, session_present: bool) -> None:
        self.came.set()

    def _message(self, client: Client, message: MQTTMessage) -> None:
        client.ack(message.mid, message.qos)
        if message.topic.startswith(OWN) and message.topic.count("/") > 1:
            return
        payload = bytes(message.payload)
        numbers, units = numbers_in(payload), units_in(json_document(payload, ()))
        with self.locked:
            if message.topic.endswith("/$unit") and len(self.units) < TOPICS_LIMIT:
                self.units[message.topic.removesuffix("/$unit")] = read_unit(payload[:32].decode("utf-8", "replace"))
            if not numbers and len(self.twice) < TWICE_TOLD and twice(payload):
                self.twice.add(message.topic)
            if not numbers or "/$" in message.topic:
                return
            if message.topic not in self.heard and len(self.heard) >= TOPICS_LIMIT:
                self.more = True
                return
            _, _, times_ms = self.heard.get(message.topic, ({}, {}, []))
            if not message.retain:
                times_ms = [*times_ms, self._clock.boot_ms()][-TIMES_KEPT:]
            self.heard[message.topic] = (numbers, units, times_ms)


def listen_mqtt(address: Address, clock: Clock, seconds: float, client_id: str) -> MqttFind:
    """Listens to all topics of a broker.

    Args:
        address: the broker.
        seconds: real time to listen once it has let us in, which may take CONNECT_S.
        client_id: a name that no other client of the broker has.

    Returns:
        every number; those whose names say that they are a temperature or a humidity, and plain numbers in their span,
        apart from the others.
    """
    ear = _Ear(address, client_id, clock)
    ear.run()
    try:
        ear.came.wait(CONNECT_S)
        wait_s(seconds if ear.came.is_set() else 0.0)
        trouble = "" if ear.connected else ear.facts().trouble
    finally:
        ear.stop()
    with ear.locked:
        heard = [
            one
            for topic, (numbers, units, times_ms) in sorted(ear.heard.items())
            for one in guesses_in(topic, numbers, pace(times_ms), {"": ear.units.get(topic, "")} | units)
        ]
    likely = tuple(filter(is_likely, heard))
    others = tuple(one for one in heard if not is_likely(one))
    return MqttFind(likely, trouble, ear.more, tuple(sorted(ear.twice)), others)


def guesses_in(
    topic: str, numbers: Mapping[str, float], every_s: float = 0.0, units: Mapping[str, str] = EMPTY
) -> list[Guess]:
    """A guess for each of a message's numbers.

    Args:
        units: unit by the path it is named at (`units_in`); at "" that of the whole message.
    """
    said = {path: unit_at(units, path) if path else units.get("", "") for path in numbers}
    return [guess(topic, path, value, every_s, said=said[path]) for path, value in numbers.items()]


def is_likely(one: Guess) -> bool:
    """Whether a number of a message is a reading, or may be one: the whole message is one plain number, or the name
    speaks of one while the value or the place in the message leaves it open."""
    named = one.quantity or not one.key or names_one(one.key) or names_one(one.topic)
    return bool(named) and is_worth_a_look(one)
