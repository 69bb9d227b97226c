"""What options say instead of answers: a source as `mqtt:user@host`, a probe as `koji bed top topic=cellar/koji`."""

from __future__ import annotations

import re
from collections.abc import Callable

from kojimon.cli.setup.answers import ProbeAnswer, SourceAnswer, plain
from kojimon.cli.setup.interview import as_name
from kojimon.cli.setup.placing import ADDRESS
from kojimon.cli.setup.sources import HAND
from kojimon.errors import UsageError

PLACES = ("bed", "air", "room", "wet-bulb")
_SOURCE = re.compile(r"(serial|mqtt|modbus|kernel|hand|simulated|practice)(?::(.*))?", re.DOTALL)
_HOST = re.compile(r"(?:([^@\s]+)@)?([^@\s:]+|\[[0-9a-fA-F:]+\])(?::(\d+))?")


def source_of(text: str, password: Callable[[], str]) -> SourceAnswer:
    """A source as an option says it: `serial:/dev/ttyUSB0`, `mqtt:user@host:1883`, `kernel`, `simulated`,
    `hand` for none.

    Args:
        password: see `sources.choose`.
    """
    match = _SOURCE.fullmatch(text.strip())
    wanted = (
        "serial:PORT, mqtt:HOST, mqtt:USER@HOST:PORT, modbus:PORT, kernel, kernel:FOLDER, hand, simulated or practice"
        " is expected"
    )
    if match is None or (match[1] in ("serial", "mqtt", "modbus") and not match[2]):
        raise UsageError(f"--source {text}: {wanted}.")
    kind, rest = match[1], match[2] or ""
    if kind == "serial":
        return SourceAnswer("board", "serial", {"port": plain(rest)})
    if kind == "kernel":
        return SourceAnswer("sensors", "kernel", {"root": plain(rest)} if rest else {})
    if kind == "modbus":
        return SourceAnswer("bus", "modbus", {"port": plain(rest)})
    if kind in ("simulated", "practice", HAND):
        return SourceAnswer("sim", kind)
    host = _HOST.fullmatch(rest)
    if host is None:
        raise UsageError(f"--source {text}: {wanted}.")
    fields = {"host": plain(host[2].strip("[]"))}
    fields |= {"port": host[3]} if host[3] else {}
    path = password() if host[1] else ""
    fields |= {"user": plain(host[1]), "password": f"{{file: {plain(path)}}}"} if host[1] else {}
    return SourceAnswer("house", "mqtt", fields, path)


def probe_of(text: str, source: SourceAnswer) -> ProbeAnswer:
    """A probe as an option says it: `NAME PLACE [TRAY] [humidity] [KEY=VALUE ...]`."""
    from kojimon.settings.devices import PROBE

    words = text.split()
    wanted = (
        "a name, a place (bed, air, room, wet-bulb), for bed a tray, and settings as in topic=cellar/koji are expected"
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
    if "modbus" in fields:
        fields["modbus"] = re.sub(r"[:,] ?", lambda sign: f"{sign[0][0]} ", fields["modbus"])
    if source.kind in ADDRESS and ADDRESS[source.kind] not in fields:
        fields[ADDRESS[source.kind]] = plain(name)
    return ProbeAnswer(name, place, quantity, source.name, trays[0] if trays else "", fields)


def plain_value(text: str) -> str:
    """A setting's value as it stands in the file: numbers stay numbers."""
    return text if re.fullmatch(r"-?\d+(\.\d+)?( ?(s|min|h|C|F|%))?", text) else plain(text)
