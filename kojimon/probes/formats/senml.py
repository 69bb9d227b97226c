"""Sensor Measurement Lists in JSON (RFC 8428): a pack of records that inherit from the ones before them.

A probe names its record by the key `senml:NAME`, with the full name (base name and name joined).
"""

from __future__ import annotations

from math import isfinite
from typing import Any, Final, NamedTuple

from kojimon.model import Quantity

PREFIX: Final = "senml:"
RECORDS_LIMIT: Final = 256
VERSION: Final = 10
"""Highest version understood (RFC 8428, 4.4)."""
KELVIN_0_C: Final = 273.15


class Record(NamedTuple):
    """One resolved record (RFC 8428, 4.6) that carries a number.

    Attributes:
        name: base name and name joined.
        unit: as in the record or inherited; "" without one.
        value: base value plus value.
        time: base time plus time, s; below 2**28 relative to now (4.5.3).
    """

    name: str
    unit: str
    value: float
    time: float


def _number(record: dict[str, Any], label: str) -> float | None:
    """A field that is a number, 0 where it is missing (RFC 8428, 4.5); None where it is anything else."""
    value = record.get(label, 0.0)
    good = type(value) in (int, float) and isfinite(value) and abs(value) < 2**63
    return float(value) if good else None


def resolve(document: object) -> list[Record] | None:
    """The records of a pack that carry numbers; None where it is no pack that may be read.

    A record without `v` is no number, even where a base value would make one of nothing; strings, booleans and data
    are passed over. An unknown field that must be understood (its name ends in `_`) or a newer version refuses all
    (RFC 8428, 4.4).
    """
    if not isinstance(document, list) or not 0 < len(document) <= RECORDS_LIMIT:
        return None
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": "", "bv": 0.0}
    found = []
    for record in document:
        if not isinstance(record, dict) or not _understood(record):
            return None
        base |= {label: record[label] for label in base if label in record}
        made = _joined(base, record)
        if made is None:
            return None
        if "v" in record:
            found.append(made)
    return found


def _understood(record: dict[str, Any]) -> bool:
    version = record.get("bver", VERSION)
    known = type(version) is int and version <= VERSION
    return known and not any(name.endswith("_") for name in record)


def _joined(base: dict[str, Any], record: dict[str, Any]) -> Record | None:
    """A record with what it inherits; None where a field is of the wrong kind."""
    texts = base["bn"], base["bu"], record.get("n", ""), record.get("u", "")
    numbers = [_number(of, label) for of, label in ((base, "bt"), (base, "bv"), (record, "t"), (record, "v"))]
    if not all(type(text) is str for text in texts):
        return None
    times_and_values = [number for number in numbers if number is not None]
    if len(times_and_values) < len(numbers):
        return None
    base_time, base_value, time, value = times_and_values
    return Record(texts[0] + texts[2], texts[3] or texts[1], base_value + value, base_time + time)


def in_our_unit(record: Record, quantity: str) -> float | None:
    """A record's value in °C or %; None where its unit is not one of this quantity.

    Units of RFC 8428, table 12.1: `Cel`, `K`; `%RH`; `%` and `/` are ratios there, 0.9 being 90 %.
    """
    if quantity == Quantity.TEMPERATURE:
        return {"Cel": record.value, "K": record.value - KELVIN_0_C}.get(record.unit)
    return {"%RH": record.value, "%": 100 * record.value, "/": 100 * record.value}.get(record.unit)
