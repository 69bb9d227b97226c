"""What payloads of unknown devices seem to say: names, quantities, units, pace. Guesses for a person to check."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from statistics import median
from typing import Any, Final

from msgspec import Struct

from kojimon.model import Quantity
from kojimon.probes.decode import MALFORMED, Bad, fields, json_document, key_values, number

DEPTH_LIMIT: Final = 6
NUMBERS_LIMIT: Final = 64

_TEMPERATURE = re.compile(r"temp|^t\d*$|_t\d*$|celsius|fahrenheit|°c|°f|thermo", re.IGNORECASE)
_HUMIDITY = re.compile(r"hum|^rh\d*$|_rh\d*$|^h\d*$|feucht|moist", re.IGNORECASE)
_FAHRENHEIT = re.compile(r"(?:^|[_.\s°(-])f$|fahrenheit|_f[_.]", re.IGNORECASE)


class Guess(Struct, frozen=True):
    """One measured quantity that was seen somewhere.

    Attributes:
        topic: MQTT topic or kernel file; "" on a line.
        key: path, column or key; "" for the whole payload.
        quantity: temperature or humidity; "" where neither name nor value says.
        unit: C, F or %.
        device: known device, or "".
        value: last number seen, as it came.
        every_s: median time between two readings; 0 where only one was seen.
    """

    topic: str
    key: str
    quantity: str
    unit: str
    device: str
    value: float
    every_s: float = 0.0


def quantity_of(name: str) -> str:
    """What a name seems to measure: its last part first; "" where it does not say."""
    for part in reversed(re.split(r"[./\[\]]", name)):
        if _HUMIDITY.search(part):
            return Quantity.HUMIDITY
        if _TEMPERATURE.search(part):
            return Quantity.TEMPERATURE
    return ""


def unit_of(quantity: str, name: str, value: float) -> str:
    """The unit a value seems to be in: °F where the name says so, or where °C would cook the koji at every reading."""
    if quantity == Quantity.HUMIDITY:
        return "%"
    return "F" if _FAHRENHEIT.search(name) or (quantity and 50.0 < value < 120.0) else "C"


def guess(topic: str, key: str, value: float, every_s: float = 0.0, device: str = "") -> Guess:
    """A guess from a name and a number."""
    quantity = quantity_of(key) or quantity_of(topic)
    return Guess(topic, key, quantity, unit_of(quantity, key or topic, value), device, value, every_s)


def numbers_in(payload: bytes) -> dict[str, float]:
    """Every number in a payload by its path, "" for a payload that is one number. Bounded in depth and count."""
    whole = number(payload)
    if isinstance(whole, float):
        return {"": whole}
    document = json_document(payload, ())
    if document is MALFORMED:
        return {}
    found: dict[str, float] = {}
    for path, value in _walk(document, "", 0):
        if len(found) >= NUMBERS_LIMIT:
            break
        found[path] = value
    return found


def _walk(document: Any, path: str, depth: int) -> Iterator[tuple[str, float]]:
    if type(document) in (int, float) and abs(document) < 1e12:
        yield path, float(document)
    elif depth >= DEPTH_LIMIT:
        return
    elif isinstance(document, dict):
        for name, inner in document.items():
            if re.fullmatch(r"[^.\[\]\s\x00-\x1f][^.\[\]\x00-\x1f]*", name):
                yield from _walk(inner, f"{path}.{name}" if path else name, depth + 1)
    elif isinstance(document, list):
        for at, inner in enumerate(document[:NUMBERS_LIMIT]):
            yield from _walk(inner, f"{path}[{at}]", depth + 1)


class LineGuess(Struct, frozen=True):
    """How the lines of a port seem to be made.

    Attributes:
        format: json, keys or csv; "" where nothing fits most of the lines.
        columns: of csv, from a header line; numbered where none was seen.
        guesses: quantities in the lines.
    """

    format: str
    columns: tuple[str, ...] = ()
    guesses: tuple[Guess, ...] = ()


def guess_lines(lines: Sequence[bytes], every_s: float = 0.0) -> LineGuess:
    """Looks at whole lines of one port; a format must fit more than half of them."""
    for form, reader in (("json", _json_line), ("keys", _keys_line)):
        read = [found for found in map(reader, lines) if found]
        if len(read) * 2 > len(lines):
            last = {name: value for found in read for name, value in found.items()}
            return LineGuess(form, (), tuple(guess("", name, value, every_s) for name, value in last.items()))
    return _csv(lines, every_s)


def _json_line(line: bytes) -> dict[str, float]:
    return {path: value for path, value in numbers_in(line).items() if path} if line.startswith(b"{") else {}


def _keys_line(line: bytes) -> dict[str, float]:
    pairs = key_values(line)
    if isinstance(pairs, Bad):
        return {}
    values = {key.decode("utf-8", "replace"): number(text) for key, text in pairs.items()}
    return {key: value for key, value in values.items() if isinstance(value, float)}


def _csv(lines: Sequence[bytes], every_s: float) -> LineGuess:
    for separator in (b",", b";", b"\t"):
        rows = [fields(line, separator) for line in lines]
        width = round(median(len(row) for row in rows)) if rows else 0
        fitting = [row for row in rows if len(row) == width]
        numeric = [row for row in fitting if any(isinstance(number(cell), float) for cell in row)]
        if not numeric or len(numeric) * 2 <= len(lines) or (width == 1 and separator != b"\t"):
            continue
        header = next((row for row in fitting if row not in numeric and all(row)), None)
        names = [cell.decode("utf-8", "replace") for cell in header] if header else []
        columns = tuple(names or [f"column-{at}" for at in range(1, width + 1)])
        cells = [(name, number(cell)) for name, cell in zip(columns, numeric[-1], strict=True)]
        found = tuple(guess("", name, value, every_s) for name, value in cells if isinstance(value, float))
        return LineGuess("csv", () if header else columns, found)
    return LineGuess("")


def pace(times_ms: Sequence[int]) -> float:
    """Median time between arrivals, s; 0 for fewer than two."""
    gaps = [(after - before) / 1000 for before, after in pairwise(times_ms)]
    return round(median(gaps), 1) if gaps else 0.0
