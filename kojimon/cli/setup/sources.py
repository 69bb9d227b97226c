"""Set-up's second half: where readings come from. It is listened to at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from kojimon.cli.setup.answers import Person, ProbeAnswer, SourceAnswer, plain
from kojimon.cli.setup.asker import Asker
from kojimon.cli.setup.interview import number_from, one_of, one_word
from kojimon.cli.setup.placing import NONE, Listen, heard
from kojimon.cli.shared.options import host_port
from kojimon.errors import UsageError
from kojimon.settings.installed import has_part

TLS_PORT: Final = "8883"
"""Of MQTT over TLS (IANA)."""
HAND: Final = "hand"
Chosen = tuple[tuple[SourceAnswer, ...], tuple[ProbeAnswer, ...]]


class Here(NamedTuple):
    """What there is on this machine, without listening: whether a broker answers, serial ports, sensors of its own."""

    broker: bool = False
    ports: tuple[str, ...] = ()
    sensors: int = 0


def choose(asker: Asker, person: Person, here: Here, listen: Listen, password: Callable[[], str]) -> Chosen:
    """Asks where readings come from, listens there, and asks which number sits where. ((), ()) means by hand.

    Args:
        here: what there is on this machine.
        listen: see Listen.
        password: asks for the password of a broker's user; answers with the path of the file it is kept in.
    """
    sources: list[SourceAnswer] = []
    probes: list[ProbeAnswer] = []
    while True:
        asker.mark()
        kind = _kind(asker, here, first=not sources)
        if kind == HAND:
            break
        if kind in ("practice", "simulated"):
            return simulated(person, practice=kind == "practice")
        source = _pointed(asker, kind, here, password, {one.name for one in sources})
        placed = heard(asker, person, source, listen, probes)
        if placed:
            sources.append(placed[0])
            probes += placed[1]
        if not asker.sure("Do readings come from anywhere else as well?", default=not probes):
            break
    if not probes:
        asker.say("No probe, then: you read a thermometer by hand, and kojimon goes by the hours and by what you read.")
    return tuple(sources), tuple(probes)


def _kind(asker: Asker, here: Here, *, first: bool) -> str:
    ports = f" ({', '.join(here.ports)})" if here.ports else ""
    sensors = f" ({here.sensors} number{'s' * (here.sensors > 1)})" if here.sensors else ""
    choices = {
        "mqtt": f"an MQTT broker{' (one answers on this computer)' if here.broker else ''}",
        "serial": f"a board on a serial line{ports}",
        "modbus": "a transmitter on RS-485 (Modbus RTU)",
        "kernel": f"sensors on this computer's own pins or sockets{sensors}",
        HAND: "no probe: I read a thermometer by hand",
    }
    if not has_part("modbus"):
        del choices["modbus"]
    if first:
        choices["practice"] = "a simulated box to practise on: you are the cook, an hour passes in a minute"
        choices["simulated"] = "a simulated box to look at, with a simulated cook"
    found = "kernel" if here.sensors else "serial" if here.ports else "mqtt" if here.broker else HAND
    asker.say("\nWhere do readings come from? kojimon listens there at once." if first else "\nWhere from?")
    number = asker.choose("Which source?", [*choices.values()], [*choices].index(found) + 1, [*choices])
    return [*choices][number - 1]


def _pointed(asker: Asker, kind: str, here: Here, password: Callable[[], str], taken: set[str]) -> SourceAnswer:
    """Asks where the source is."""
    name = {"mqtt": "house", "serial": "board", "modbus": "bus", "kernel": "sensors"}[kind]
    while name in taken:
        name += "-2"
    if kind == "kernel":
        root = asker.ask("Below which folder?", "/sys", one_word)
        return SourceAnswer(name, kind, {} if root == "/sys" else {"root": plain(root)})
    if kind in ("serial", "modbus"):
        found = [*here.ports, "/dev/ttyUSB0"][0]
        port = asker.ask("Which port (a name that stays, /dev/serial/by-id/...)?", found, one_word)
        if kind == "serial":
            return SourceAnswer(name, kind, {"port": plain(port)})
        baud = asker.ask("Its speed, in baud?", "9600", number_from(300, 4_000_000))
        parity = asker.ask("Its parity: N (none), E (even) or O (odd)?", "N", one_of("n", "e", "o")).upper()
        unit = asker.ask("Address of the transmitter on the bus?", "1", number_from(1, 247))
        return SourceAnswer(name, kind, {"port": plain(port), "baud": baud, "parity": parity, "unit_id": unit})
    host, usual = asker.ask("Name or address of the broker?", "127.0.0.1", _broker)
    port = asker.ask("Its port?", str(usual), number_from(1, 65_535))
    user = asker.ask(f"User at the broker ({NONE} for none)?", NONE, one_word)
    fields = {"host": plain(host)} | ({} if port == "1883" else {"port": port})
    fields |= {"tls": "true"} if port == TLS_PORT else {}
    if user == NONE:
        return SourceAnswer(name, kind, fields)
    path = password()
    return SourceAnswer(name, kind, fields | {"user": plain(user), "password": f"{{file: {plain(path)}}}"}, path)


def _broker(text: str) -> tuple[str, int]:
    """HOST or HOST:PORT."""
    try:
        return host_port(one_word(text), 1883)
    except UsageError as error:
        raise ValueError(str(error).rstrip(".")) from None


PRACTICE_SPEED: Final = "60"
"""Whoever practises has a minute for an hour: time to read and to type, and a batch within the hour."""


def simulated(person: Person, *, practice: bool = False) -> tuple[tuple[SourceAnswer, ...], tuple[ProbeAnswer, ...]]:
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
