"""Set-up's second half: where readings come from, and which of them sits where."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from kojimon.cli.setup.answers import ProbeAnswer, SourceAnswer, plain
from kojimon.cli.setup.interview import Asker, Person, as_name
from kojimon.cli.shared import screen
from kojimon.errors import UsageError
from kojimon.words.speech import tray_name

NONE = "-"
PLACES = ("bed", "air", "room", "wet-bulb")
ADDRESS = {"mqtt": "topic", "serial": "path", "kernel": "file", "simulated": "topic"}
"""The setting that says where a probe's number is found, by kind of source."""
ADDRESS_WORDS = {"mqtt": "MQTT topic", "serial": "column or key in the line", "kernel": "sensor file"}


class Reading(NamedTuple):
    """A number that was seen: a name for it, its settings, what it measures ("" where nothing says), how it reads, and
    whether it may be °C or °F as well."""

    name: str
    fields: dict[str, str]
    quantity: str
    shown: str
    unit_open: bool = False


class Finding(NamedTuple):
    """A source that was found on this machine, with the readings seen on it."""

    source: SourceAnswer
    what: str
    readings: tuple[Reading, ...] = ()


Chosen = tuple[tuple[SourceAnswer, ...], tuple[ProbeAnswer, ...]]


def choose(asker: Asker, person: Person, look: Callable[[], Sequence[Finding]], password: Callable[[], str]) -> Chosen:
    """Asks which source to use and which reading sits where.

    Args:
        look: finds what there is on this machine; called once.
        password: asks for the password of a broker's user; answers with the setting that says where it is kept.
    """
    findings = list(look())
    choices = [finding.what for finding in findings]
    choices += [
        "an MQTT broker",
        "a serial port",
        "sensor files of the kernel",
        "nothing yet: a simulated box to practise on; you are the cook, an hour passes in a minute",
        "nothing yet: a simulated box to look at, a simulated cook beside it",
    ]
    if not asker.yes:
        screen.say("\nWhere do readings come from?")
    number = asker.choose("Which?", choices, 1 if findings else len(choices))
    if number <= len(findings):
        found = findings[number - 1]
        if found.readings:
            return (found.source,), _place(asker, person, found)
        return (found.source,), _addresses(asker, person, found.source)
    kind = ("mqtt", "serial", "kernel", "practice", "simulated")[number - len(findings) - 1]
    if kind in ("practice", "simulated"):
        return simulated(person, practice=kind == "practice")
    source = _typed(asker, kind, password)
    return (source,), _addresses(asker, person, source)


def _place(asker: Asker, person: Person, found: Finding) -> tuple[ProbeAnswer, ...]:
    """For every place: which of the readings that were seen sits there."""
    probes: list[ProbeAnswer] = []
    left = list(found.readings)
    wanted = [("bed", tray, "temperature") for tray in person.trays]
    wanted += [("air", "", "temperature"), ("air", "", "humidity"), ("room", "", "temperature")]
    for place, tray, quantity in wanted:
        fitting = [reading for known in (quantity, "") for reading in left if reading.quantity == known]
        if not fitting:
            continue
        guess = _guess(fitting, place, tray)
        if not asker.yes:
            screen.say(f"\n{_which(place, tray, quantity)}")
        texts = [f"{reading.name}: {reading.shown}" for reading in fitting]
        number = asker.choose("Which?", [*texts, "none of these"], guess)
        if number <= len(fitting):
            reading = fitting[number - 1]
            left.remove(reading)
            if reading.unit_open and quantity == "temperature":
                unit = asker.ask(f"Is that in °C or °F ({reading.shown})?", "C", _one_of("c", "f")).upper()
                reading = reading._replace(fields=reading.fields | {"unit": unit})
            probes.append(
                ProbeAnswer(
                    _name(place, tray, quantity, person), place, quantity, found.source.name, tray, reading.fields
                )
            )
    if not probes:
        raise UsageError("No reading was given a place, so there would be nothing to watch. Start again: kojimon setup")
    return tuple(probes)


def _guess(readings: Sequence[Reading], place: str, tray: str) -> int:
    """The likeliest reading for a place, by its name; the last choice (none) where nothing says what it measures."""
    sure = [reading.quantity and not reading.unit_open for reading in readings]
    hints = {"bed": ("koji", "bed", "rice", "tray", tray), "air": ("air", "box", "hum"), "room": ("room",)}[place]
    for number, reading in enumerate(readings, 1):
        steel_tip = place == "bed" and reading.fields.get("device") == "ds18b20"
        named = steel_tip or any(hint and hint in reading.name.lower() for hint in hints)
        if named and not reading.unit_open:
            return number
    return 1 if place in ("bed", "air") and sure[0] else len(readings) + 1


def _which(place: str, tray: str, quantity: str) -> str:
    if place == "bed":
        name = f"in {tray_name(tray)}" if tray != "tray" else "in the koji"
        return f"Which one sits {name}?"
    what = "humidity" if quantity == "humidity" else "temperature"
    return f"Which one is the {what} of the {'air in the box' if place == 'air' else 'room'}?"


def _name(place: str, tray: str, quantity: str, person: Person) -> str:
    if place == "bed":
        return f"koji-{tray}" if len(person.trays) > 1 else "koji"
    return f"{place}-humidity" if quantity == "humidity" else place


def _typed(asker: Asker, kind: str, password: Callable[[], str]) -> SourceAnswer:
    """A source that nobody saw, typed in."""

    def text(value: str) -> str:
        if not value.strip() or any(char.isspace() for char in value.strip()):
            raise ValueError("one word without blanks is wanted")
        return value.strip()

    if kind == "serial":
        port = asker.ask("Which port (a name that stays, /dev/serial/by-id/...)?", "/dev/ttyUSB0", text)
        form = asker.ask(
            "How is a line written: json, csv or keys (as in koji=31.2)?", "json", _one_of("json", "csv", "keys")
        )
        return SourceAnswer("board", "serial", {"port": plain(port), "format": form})
    if kind == "kernel":
        return SourceAnswer("sensors", "kernel", {"root": plain(asker.ask("Below which folder?", "/sys", text))})
    host = asker.ask("Name or address of the broker?", "127.0.0.1", text)
    port = asker.ask("Its port?", "1883", _port)
    user = asker.ask(f"User at the broker ({NONE} for none)?", NONE, text)
    fields = {"host": plain(host), "port": port}
    if user != NONE:
        fields |= {"user": plain(user), "password": password()}
    return SourceAnswer("house", "mqtt", fields)


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.strip().lower() not in words:
            raise ValueError(f"one of {', '.join(words)} is wanted")
        return text.strip().lower()

    return read


def _port(text: str) -> str:
    if not text.strip().isdigit() or not 1 <= int(text) <= 65_535:
        raise ValueError("a number from 1 to 65535 is wanted")
    return text.strip()


def _addresses(asker: Asker, person: Person, source: SourceAnswer) -> tuple[ProbeAnswer, ...]:
    """Asks where each probe's number is found on a source on which nothing was seen yet."""
    key, words = ADDRESS[source.kind], ADDRESS_WORDS[source.kind]
    prefix = "kojimon/" if source.kind == "mqtt" else ""
    wanted = [("bed", tray, "temperature", False) for tray in person.trays]
    wanted += [("air", "", "temperature", False), ("air", "", "humidity", True)]
    if not asker.yes:
        screen.say(f"\nNothing was heard there yet, so say where each number is found ({NONE} for no such probe).")
    probes = []
    for place, tray, quantity, optional in wanted:
        name = _name(place, tray, quantity, person)
        question = f"{words[0].upper()}{words[1:]} of {_spot(place, tray, quantity)}?"
        address = asker.ask(question, NONE if optional and not prefix else f"{prefix}{name}", _address)
        if address != NONE:
            probes.append(ProbeAnswer(name, place, quantity, source.name, tray, {key: plain(address)}))
    if not probes:
        raise UsageError("Without a probe there is nothing to watch. Start again: kojimon setup")
    return tuple(probes)


def _spot(place: str, tray: str, quantity: str) -> str:
    if place == "bed":
        return f"the probe in {tray_name(tray)}" if tray != "tray" else "the probe in the koji"
    return f"the {quantity} in the box"


def _address(text: str) -> str:
    if not text.strip():
        raise ValueError(f"something is wanted, or {NONE} for no such probe")
    return text.strip()


PRACTICE_SPEED: Final = "60"
"""Whoever practises has a minute for an hour: time to read and to type, and a batch within the hour."""


def simulated(person: Person, *, practice: bool = False) -> Chosen:
    """A simulated box with as many trays as the person has, where the simulator draws one like that.

    Args:
        practice: the person is the cook, at a speed that leaves time for it.
    """
    from kojisim.scenarios import SCENARIOS

    counts = {seed: len(SCENARIOS["healthy"](seed).params.trays) for seed in range(60)}
    seed = next((seed for seed, count in counts.items() if count == len(person.trays)), 0)
    fields = {"scenario": "healthy", "seed": str(seed), "speed": PRACTICE_SPEED if practice else "1000"}
    source = SourceAnswer("sim", "simulated", fields | ({"hands": "false"} if practice else {}))
    names = ["bed", *(f"bed-{number}" for number in range(2, counts[seed] + 1))]
    probes = [
        ProbeAnswer(name, "bed", "temperature", "sim", tray) for name, tray in zip(names, person.trays, strict=False)
    ]
    probes += [ProbeAnswer("air", "air", "temperature", "sim"), ProbeAnswer("air-humidity", "air", "humidity", "sim")]
    return (source,), tuple(probes)


_SOURCE = re.compile(r"(serial|mqtt|kernel|simulated|practice)(?::(.*))?", re.DOTALL)
_HOST = re.compile(r"(?:([^@\s]+)@)?([^@\s:]+|\[[0-9a-fA-F:]+\])(?::(\d+))?")


def source_of(text: str, password: Callable[[], str]) -> SourceAnswer:
    """A source as an option says it: `serial:/dev/ttyUSB0`, `mqtt:user@host:1883`, `kernel`, `simulated`.

    Args:
        password: see `choose`.
    """
    match = _SOURCE.fullmatch(text.strip())
    wanted = "serial:PORT, mqtt:HOST, mqtt:USER@HOST:PORT, kernel, kernel:FOLDER, simulated or practice is wanted"
    if match is None or (match[1] in ("serial", "mqtt") and not match[2]):
        raise UsageError(f"--source {text}: {wanted}.")
    kind, rest = match[1], match[2] or ""
    if kind == "serial":
        return SourceAnswer("board", "serial", {"port": plain(rest)})
    if kind == "kernel":
        return SourceAnswer("sensors", "kernel", {"root": plain(rest)} if rest else {})
    if kind in ("simulated", "practice"):
        return SourceAnswer("sim", kind)
    host = _HOST.fullmatch(rest)
    if host is None:
        raise UsageError(f"--source {text}: {wanted}.")
    fields = {"host": plain(host[2].strip("[]"))}
    fields |= {"port": host[3]} if host[3] else {}
    fields |= {"user": plain(host[1]), "password": password()} if host[1] else {}
    return SourceAnswer("house", "mqtt", fields)


def probe_of(text: str, source: SourceAnswer) -> ProbeAnswer:
    """A probe as an option says it: `NAME PLACE [TRAY] [humidity] [KEY=VALUE ...]`."""
    from kojimon.settings.devices import PROBE

    words = text.split()
    wanted = (
        "a name, a place (bed, air, room, wet-bulb), for bed a tray, and settings as in topic=cellar/koji are wanted"
    )
    if len(words) < 2 or words[1] not in PLACES or as_name(words[0]) != words[0]:
        raise UsageError(f"--probe {text!r}: {wanted}.")
    name, place, *rest = words
    pairs = [word.split("=", 1) for word in rest if "=" in word]
    bare = [word for word in rest if "=" not in word]
    quantity = "humidity" if "humidity" in bare else "temperature"
    trays = [word for word in bare if word not in ("humidity", "temperature")]
    if len(trays) > (place == "bed"):
        raise UsageError(f"--probe {text!r}: {trays[-1]!r} is too much; {wanted}.")
    known = [field.key for field in PROBE.fields if field.key not in ("in", "place", "tray", "quantity", "from")]
    strange = [key for key, _ in pairs if key not in known]
    if strange:
        raise UsageError(f"--probe {text!r}: there is no setting {strange[0]!r}; there are {', '.join(known)}.")
    fields = {key: value if value.startswith(("{", "[")) else plain_value(value) for key, value in pairs}
    if source.kind in ADDRESS and ADDRESS[source.kind] not in fields and source.kind != "simulated":
        fields[ADDRESS[source.kind]] = plain(name)
    return ProbeAnswer(name, place, quantity, source.name, trays[0] if trays else "", fields)


def plain_value(text: str) -> str:
    """A setting's value as it stands in the file: numbers stay numbers."""
    return text if re.fullmatch(r"-?\d+(\.\d+)?( ?(s|min|h|C|F|%))?", text) else plain(text)
