"""What an act's fields may hold, in one place: page, API, MQTT and commands all come through `House.act`.

An act is stored and replayed for ever. What is no text, no number, or without an end never gets that far: the engine
would stumble over it, and the journal would refuse it together with the readings of the same moment.
"""

from __future__ import annotations

import re
from typing import Any, Final

import msgspec

from kojimon.contract.acts import NAME_MOST, OF_KIND, Act, PlainAct, typed
from kojimon.errors import RefusedError
from kojimon.units import checked_mass_kg, f_from_c

THERMOMETER_C: Final = (-5.0, 130.0)
"""What a kitchen thermometer shows of rice, koji or steam (judgement); 300 °F is none of them."""
_AT = re.compile(r"(.*) - at `\$\.(\w+)")
_WANTED: Final = {"str": "text", "float": "number", "int": "whole number", "bool": "yes or no", "array": "pair"}


def checked(act: PlainAct) -> Act:
    """The act, where every field of it is what it should be. Raises RefusedError, in words."""
    for field, text in (("kind", act.kind), ("incubator", act.incubator), ("who", act.who), ("channel", act.channel),
                        ("idempotency", act.idempotency)):  # fmt: skip
        if len(text) > NAME_MOST:
            raise RefusedError(_too_long(field, text, NAME_MOST))
    if act.kind not in OF_KIND:
        raise RefusedError(f"{_short(act.kind)} is no act; /v1/openapi.json has the list of them")
    taken = OF_KIND[act.kind].__struct_encode_fields__
    unknown = next((field for field in act.data if field not in taken), None)
    if unknown is not None:
        raise RefusedError(f"{act.kind} has no field {_short(unknown)}; found are {', '.join(taken) or 'none'}"[:190])
    try:
        found = typed(act)
    except msgspec.ValidationError as error:
        raise RefusedError(_words(str(error), act.data)) from None
    _measures(act.data)
    return found


def _measures(data: dict[str, Any]) -> None:
    """What has a sense beyond its type. Raises RefusedError."""
    for field in ("rice_kg", "yield_kg", "kg"):
        if data.get(field) is not None:
            try:
                checked_mass_kg(data[field])
            except ValueError as error:
                raise RefusedError(f"{field}: {error}") from error
    (low, high), value = THERMOMETER_C, data.get("value_c")
    if value is not None and not low <= value <= high:
        found, most = f"{value:.4g} °C ({f_from_c(value):.4g} °F)", f"{f_from_c(low):g} to {f_from_c(high):g} °F"
        wanted = f"expected {low:g} to {high:g} °C ({most})"
        raise RefusedError(f"no kitchen thermometer shows {found}: {wanted}; check the number and its unit")


def _words(error: str, data: dict[str, Any]) -> str:
    """What is wrong with a field, from the decoder's own sentence."""
    said, field = match.groups() if (match := _AT.match(error)) else (error, "")
    value = data.get(field)
    most = re.search(r"(?:length )?<= ([\d.]+)$", said)
    if most and isinstance(value, str):
        return _too_long(field, value, int(most[1]))
    if most and isinstance(value, list | tuple):
        return f"{field}: found {len(value)} pairs, {most[1]} are the most"
    if most or "range" in said:
        return f"{field}: {_short(value)} is too much" + (f"; {float(most[1]):g} is the most" if most else "")
    wanted = re.search(r"`(\w+)", said)
    return f"{field}: {_short(value)} is no {_WANTED.get(wanted[1] if wanted else '', 'value that can be meant')}"


def _too_long(field: str, text: str, most: int) -> str:
    return f"{field}: that text has {len(text):,} letters, {most:,} are the most; say it more briefly"


def _short(value: Any) -> str:
    try:
        text = repr(value)
    except ValueError:  # a number of more digits than Python writes out
        return "that number"
    return text if len(text) <= 40 else f"{text[:40]}…"
