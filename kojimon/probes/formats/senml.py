"""Sensor Measurement Lists in JSON (RFC 8428): a pack of records that inherit from the ones before them.

A probe names its record by the key `senml:NAME`, with the full name (base name and name joined).
"""

from __future__ import annotations

from math import isfinite
from typing import Final, NamedTuple

from msgspec import Struct, ValidationError, convert

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


class _Given(Struct, frozen=True):
    """The fields of a record that count here, those it inherits among them (RFC 8428, 4.1 to 4.5)."""

    bver: int = VERSION
    bn: str = ""
    bt: float = 0.0
    bu: str = ""
    bv: float = 0.0
    n: str = ""
    u: str = ""
    t: float = 0.0
    v: float = 0.0


def resolve(document: object) -> list[Record] | None:
    """The records of a pack that carry numbers; None where it is no pack that may be read.

    A record without `v` is no number, even where a base value would make one of nothing; strings, booleans and data
    are passed over. An unknown field that must be understood (its name ends in `_`) or a newer version refuses all
    (RFC 8428, 4.4).
    """
    if not isinstance(document, list) or not 0 < len(document) <= RECORDS_LIMIT:
        return None
    base: dict[str, object] = {}
    found = []
    for record in document:
        if not isinstance(record, dict) or any(name.endswith("_") for name in record):
            return None
        base |= {label: record[label] for label in ("bn", "bt", "bu", "bv") if label in record}
        try:
            one = convert(base | record, _Given)
        except ValidationError:
            return None
        if one.bver > VERSION or not all(
            isfinite(number) and abs(number) < 2**63 for number in (one.bt, one.bv, one.t, one.v)
        ):
            return None
        if "v" in record:
            found.append(Record(one.bn + one.n, one.u or one.bu, one.bv + one.v, one.bt + one.t))
    return found


def in_our_unit(record: Record, quantity: str) -> float | None:
    """A record's value in °C or %; None where its unit is not one of this quantity.

    Units of RFC 8428, table 12.1: `Cel`, `K`; `%RH`; `%` and `/` are ratios there, 0.9 being 90 %.
    """
    if quantity == Quantity.TEMPERATURE:
        return {"Cel": record.value, "K": record.value - KELVIN_0_C}.get(record.unit)
    return {"%RH": record.value, "%": 100 * record.value, "/": 100 * record.value}.get(record.unit)
