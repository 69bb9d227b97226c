"""What payloads of unknown devices seem to say: names, quantities, units, pace. Guesses for a person to check."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf
from typing import Any, Final

from msgspec import Struct

from kojimon.model import Quantity
from kojimon.probes.finding.names import OTHER, names_one, quantity_of
from kojimon.probes.formats.decode import MALFORMED, at_path, json_document, number
from kojimon.probes.formats.said import CELSIUS, DEPTH_LIMIT, DISPUTED, FAHRENHEIT, words_of
from kojimon.units import median

NUMBERS_LIMIT: Final = 64

POSSIBLE: Final[dict[str, tuple[float, float]]] = {
    Quantity.TEMPERATURE: (-40.0, 212.0),
    Quantity.HUMIDITY: (0.0, 105.0),
}
"""What a probe of a box or its room may send in °C, °F or %; anything else is tenths, a time, a count."""
CLEAR_C: Final = 45.0
"""Up to here a temperature without a unit is taken for °C: koji and its box (judgement)."""
_EVERY: Final = (b'"',)
"""Every name of a document is looked up."""
SHARE: Final = 1.0
"""Humidity up to here may be a share of one, or a dead sensor."""


class Guess(Struct, frozen=True):
    """One measured quantity that was seen somewhere.

    Attributes:
        topic: MQTT topic or kernel file; "" on a line.
        key: path, column or key; "" for the whole payload.
        quantity: temperature or humidity; "" where the name does not say or the value cannot be it; OTHER where the
            name says that it is neither.
        unit: C, F or %; "" where nothing says whether it is °C or °F and the value leaves it open.
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


def unit_of(quantity: str, name: str, value: float, said: str = "") -> str:
    """The unit that a name, or the message, gives a value. Its size never makes it °F: 85 is what a DS18B20 sends at
    power-up, 62 is hot rice. Above CLEAR_C, where no koji is, it is left open.

    Args:
        said: C or F where the message says so, DISPUTED where it says both.
    """
    if quantity == Quantity.HUMIDITY:
        return "%"
    words = words_of(name.rsplit("/", 1)[-1])
    named = {unit for unit, known in (("F", FAHRENHEIT), ("C", CELSIUS)) if not known.isdisjoint(words)}
    named |= {said} if said else set()
    if len(named) == 1 and DISPUTED not in named:
        return named.pop()
    return "" if named or value > CLEAR_C else "C"


def guess(topic: str, key: str, value: float, every_s: float = 0.0, device: str = "", said: str = "") -> Guess:
    """A guess from a name and a number; its quantity is OTHER where the name says that it is no reading."""
    quantity = quantity_of(key, topic)
    low, high = POSSIBLE.get(quantity, (-inf, inf))
    if not low <= value <= high or (quantity == Quantity.HUMIDITY and value <= SHARE):
        quantity = ""
    return Guess(topic, key, quantity, unit_of(quantity, key or topic, value, said), device, value, every_s)


def is_worth_a_look(one: Guess) -> bool:
    """Whether a person may want it: not where its name says otherwise, nor a number that no probe of a box sends under
    a name that does not say; a count of tenths or thousandths of a degree is under one that does."""
    if one.quantity:
        return one.quantity != OTHER
    low, high = (-1e5, 1e5) if names_one(one.key or one.topic) else POSSIBLE[Quantity.TEMPERATURE]
    return low <= one.value <= high


def numbers_in(payload: bytes) -> dict[str, float]:
    """Every number in a payload by its path, "" for a payload that is one number; none where a name stands twice in
    one object (see `twice`). Bounded in depth and count."""
    whole = number(payload)
    if isinstance(whole, float):
        return {"": whole}
    document = json_document(payload, _EVERY)
    if document is MALFORMED:
        return {}
    found: dict[str, float] = {}
    for path, value in _walk(document, "", 0):
        if len(found) >= NUMBERS_LIMIT:
            break
        found[path] = value
    return found


def twice(payload: bytes) -> bool:
    """Whether a payload is JSON in which a name stands twice in one object: which of the two counts, nobody knows."""
    return json_document(payload, _EVERY) is MALFORMED and json_document(payload, ()) is not MALFORMED


def _walk(document: Any, path: str, depth: int) -> Iterator[tuple[str, float]]:
    value = at_path(document, ())
    if isinstance(value, float):
        if abs(value) < 1e12:
            yield path, value
    elif depth >= DEPTH_LIMIT:
        return
    elif isinstance(document, dict):
        for name, inner in document.items():
            if re.fullmatch(r"[^.\[\]\s\x00-\x1f][^.\[\]\x00-\x1f]*", name):
                yield from _walk(inner, f"{path}.{name}" if path else name, depth + 1)
    elif isinstance(document, list):
        for at, inner in enumerate(document[:NUMBERS_LIMIT]):
            yield from _walk(inner, f"{path}[{at}]", depth + 1)


def pace(times_ms: Sequence[int]) -> float:
    """Median time between arrivals, s; 0 for fewer than two."""
    gaps = [(after - before) / 1000 for before, after in pairwise(times_ms)]
    return round(median(gaps), 1) if gaps else 0.0
