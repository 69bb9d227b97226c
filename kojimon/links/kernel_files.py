"""Sensor files of the Linux kernel: hwmon, IIO and 1-wire trees below a root folder.

A file that cannot be read right now and a sensor that says it has nothing are told apart by the kernel in a dozen
ways (Documentation/hwmon/sysfs-interface.rst, Documentation/ABI/testing/sysfs-bus-iio, drivers/w1/slaves/w1_therm.c);
here they become a number in the kernel's own unit, None, or a LinkError.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from kojimon.errors import LinkError

READ_LIMIT: Final = 256
"""A sensor file is a number or two lines; more is something else."""
SHOWN: Final = 4
TRIES: Final = 3
"""Reads while the sensor says it is busy."""

_BUSY = {errno.EAGAIN, errno.EBUSY, errno.EINTR}
_NOTHING = {errno.EIO, errno.ENODATA, errno.ETIMEDOUT, errno.EINVAL, errno.EREMOTEIO}
_WHOLE = re.compile(rb"[+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?")
_ORDERED = re.compile(r"(hwmon|iio:device)[0-9]+")
_I2C_BUS = re.compile(r"i2c-[0-9]+")
_I2C_DEVICE = re.compile(r"[0-9]+-([0-9a-f]{4})")
_W1_LINE = re.compile(rb"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)")
_W1_VALUE = re.compile(rb"((?:[0-9a-f]{2} ){9})t=(-?[0-9]{1,7})")


class SeveralError(LinkError):
    """A topic fits several sensors, and which one is meant cannot be known."""


def counted(topics: Iterable[str]) -> dict[str, int]:
    """How many sensors of each name the topics of a source speak of: `name:VALUE#2` says that there are two."""
    counts: dict[str, int] = {}
    for part in (part for topic in topics for part in Path(topic).parts if part.startswith("name:")):
        wanted, _, place = part[5:].partition("#")
        counts[wanted] = max(counts.get(wanted, 1), int(place) if place.isdecimal() else 1)
    return counts


def resolve(root: Path, topic: str, counts: Mapping[str, int] | None = None) -> Path:
    """The file that a topic means now.

    A topic is a path below the root. `hwmonN` and `iio:deviceN` are numbered in the order of appearance, so a part of
    the path may be a pattern (`*`): below `devices/` the rest of the path is the place on the bus, which stays
    (`stable`). In older settings it may be `name:VALUE` for the folder whose `name` file says VALUE, `name:VALUE#2` for
    the second one in the order of their devices: that is known only while as many are there as the settings speak of.

    Args:
        root: folder of the trees.
        topic: see above.
        counts: how many sensors of a name the settings speak of (`counted`); without it as many as the topic does.

    Raises:
        LinkError: nothing there. SeveralError: it fits several, or another number than the settings speak of.
    """
    found = _fitting(root, topic, counted([topic]) if counts is None else counts)
    if len(found) > 1:
        several = ", ".join(stable(root, one) for one in found[:SHOWN]) + (", ..." if len(found) > SHOWN else "")
        raise SeveralError(f"{topic}: fits {len(found)} files ({several}); expected one")
    if not found:
        raise LinkError(f"{topic}: nothing there below {root}; is the sensor plugged in, its driver loaded?")
    return found[0]


def candidates(root: Path, topic: str) -> list[Path]:
    """The files that a topic which fits several may mean: every sensor of a name it gives, whatever its place."""
    bare = [part.partition("#")[0] if part.startswith("name:") else part for part in Path(topic).parts]
    return _fitting(root, "/".join(bare), {})


def _fitting(root: Path, topic: str, counts: Mapping[str, int]) -> list[Path]:
    found = [root]
    for part in Path(topic).parts:
        found = [deeper for folder in found for deeper in _step(folder, part, topic, counts)]
    return found


def _step(folder: Path, part: str, topic: str, counts: Mapping[str, int]) -> list[Path]:
    if part in ("..", "/"):
        return []
    if part.startswith("name:"):
        wanted, _, place = part[5:].partition("#")
        named = sorted((one for one in _children(folder) if name_of(one) == wanted), key=os.path.realpath)
        count = counts.get(wanted, 1)
        if count > 1 and named and len(named) != count:
            raise SeveralError(
                f"{topic}: {len(named)} of {count} sensors that call themselves {wanted} are there, so which is which"
                " cannot be known; `kojimon check` says what to write instead"
            )
        if not place:
            return named
        at = int(place) - 1 if place.isdecimal() else -1
        return named[at : at + 1] if at >= 0 else []
    if any(sign in part for sign in "*?["):
        return sorted(folder.glob(part))
    return [folder / part] if os.path.lexists(folder / part) else []


def stable(root: Path, file: Path) -> str:
    """The path of a sensor file by its place on the bus, which is the same after every start: as a topic.

    The kernel's class folders link to `devices/.../fe804000.i2c/i2c-1/1-0044/hwmon/hwmon2` (controller, bus, address
    on it). Numbers given in the order of appearance are left open, that of a controller's only I2C bus among them; the
    ROM code of a 1-wire sensor is an address by itself. Where a tree has no such links the path is as it was.
    """
    real, base = Path(os.path.realpath(file)), Path(os.path.realpath(root))
    if file.is_relative_to(root) and (parts := file.relative_to(root).parts)[:3] == ("bus", "w1", "devices"):
        return "/".join(parts)
    if not real.is_relative_to(base):
        return str(file)
    parts = real.relative_to(base).parts
    if parts[0] in ("class", "bus"):
        return "/".join(file.relative_to(root).parts if file.is_relative_to(root) else parts)
    one_bus = sum(bool(_I2C_BUS.fullmatch(part)) for part in parts) == 1
    for shorten in (_without_numbers, _without_order) if one_bus else (_without_order,):
        topic = "/".join(map(shorten, parts))
        if [os.path.realpath(one) for one in _fitting(root, topic, {})] == [str(real)]:
            return topic
    return "/".join(parts)


def _without_order(part: str) -> str:
    return f"{found[1]}*" if (found := _ORDERED.fullmatch(part)) else part


def _without_numbers(part: str) -> str:
    if _I2C_BUS.fullmatch(part):
        return "i2c-*"
    found = _I2C_DEVICE.fullmatch(part)
    return f"*-{found[1]}" if found else _without_order(part)


def _children(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []


def name_of(folder: Path) -> str:
    """What the `name` file of a device says; "" without one."""
    try:
        return _bytes(folder / "name").decode("ascii", "replace").strip()
    except OSError:
        return ""


def read(file: Path) -> float | None:
    """One measurement in the kernel's unit: thousandths of °C or %.

    Understands plain number files, `w1_slave` with its two lines, and the raw form of IIO (`..._raw` with `..._scale`
    and `..._offset` beside it). The bme680 driver prints percent where the ABI wants thousandths; that is put right
    here.

    Returns:
        the number, or None where there is none: an empty file (w1_therm after a failed read), a failed checksum, an
        input/output error, a disabled channel, text that is no number.

    Raises:
        LinkError: the file is gone or may not be read.
    """
    text = _text(file)
    if text is None:
        return None
    if file.name == "w1_slave":
        return _w1(text)
    value = _number(text)
    if value is None:
        return None
    if file.name.endswith("_raw"):
        return _from_raw(file, value)
    if file.name == "in_humidityrelative_input" and name_of(file.parent) == "bme680":
        return value * 1000
    return value


def _text(file: Path) -> bytes | None:
    for left in reversed(range(TRIES)):
        try:
            return _bytes(file).strip()
        except OSError as error:
            if error.errno in _BUSY and left:
                continue
            if error.errno in _BUSY or error.errno in _NOTHING:
                return None
            raise LinkError(f"{file}: {error.strerror}; is the sensor plugged in?") from error
    return None


def _bytes(file: Path) -> bytes:
    descriptor = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return os.read(descriptor, READ_LIMIT)
    finally:
        os.close(descriptor)


def _number(text: bytes) -> float | None:
    return float(text) if _WHOLE.fullmatch(text) else None


def _from_raw(file: Path, raw: float) -> float | None:
    base = file.name[: -len("_raw")]
    scale, offset = (_beside(file, f"{base}_{part}") for part in ("scale", "offset"))
    return (raw + (offset or 0.0)) * (1.0 if scale is None else scale)


def _beside(file: Path, name: str) -> float | None:
    other = file.with_name(name)
    return _number(_text(other) or b"") if other.exists() else None


def _w1(text: bytes) -> float | None:
    """The value of a `w1_slave` file, after the nine bytes it was made from were checked once more.

    The second line carries a value even when the checksum failed, and nine zero bytes (a shorted bus) pass the
    checksum as 0 °C; bytes 5 and 7 of a DS18B20 are FF and 10 (data sheet Rev 4, memory map).
    """
    lines = text.split(b"\n")
    if len(lines) != 2:
        return None
    first, second = _W1_LINE.fullmatch(lines[0].strip()), _W1_VALUE.fullmatch(lines[1].strip())
    if not first or not second or first[3] != b"YES" or first[1] != second[1]:
        return None
    scratchpad = bytes.fromhex(first[1].decode())
    if crc8(scratchpad) or scratchpad[5] != 0xFF or scratchpad[7] != 0x10:
        return None
    return float(second[2])


def crc8(data: bytes) -> int:
    """Checksum of a 1-wire scratchpad or ROM code: x^8 + x^5 + x^4 + 1, least bit first, start 0; 0 over data with
    its own checksum (DS18B20 data sheet Rev 4, "CRC generation")."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc
