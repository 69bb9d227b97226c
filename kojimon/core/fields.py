"""What an act's fields may hold, in one place: page, API, MQTT and commands all come through `Core.submit`.

An act is stored and replayed for ever. What is no text, no number, or without an end never gets that far: the engine
would stumble over it, and the journal would refuse it together with the readings of the same moment.
"""

from __future__ import annotations

from math import isfinite
from typing import Any, Final

from kojimon.errors import RefusedError
from kojimon.model import TEXT_MOST, Act
from kojimon.units import checked_mass_kg, f_from_c

NAME_MOST: Final = 200
FIELDS_MOST: Final = 40
POINTS_MOST: Final = 20
NUMBER_MOST: Final = 1e9
WHOLE_MOST: Final = 2**53
"""Exact in every JSON reader (RFC 8259, 6)."""
FREE: Final = frozenset(("text", "note", "reason", "override", "look", "smell", "taste"))
NAMES: Final = frozenset(
    ("id", "name", "photo", "batch", "task", "schedule", "key", "probe", "tray", "date", "at_utc", "hour0_utc")
)
NUMBERS: Final = frozenset(("rice_kg", "yield_kg", "value_c", "to_c", "for_s", "rise_k", "at_ago_s", "hour0_ago_s"))
THERMOMETER_C: Final = (-5.0, 130.0)
"""What a kitchen thermometer shows of rice, koji or steam (judgement); 300 °F is none of them."""
WHOLES: Final = frozenset(("mark", "occurrence", "at_t_ms", "hour0_t_ms"))


def checked(act: Act) -> Act:
    """The act, where every field of it is what it should be. Raises RefusedError, in words."""
    for field, text in (("kind", act.kind), ("incubator", act.incubator), ("who", act.who), ("channel", act.channel),
                        ("idempotency", act.idempotency)):  # fmt: skip
        _text(field, text, NAME_MOST)
    if len(act.data) > FIELDS_MOST:
        raise RefusedError(f"{act.kind[:40]}: found {len(act.data)} fields, {FIELDS_MOST} are the most")
    for field, value in act.data.items():
        _text("the name of a field", field, NAME_MOST)
        if value is not None:
            _field(field, value)
    return act


def _field(field: str, value: object) -> None:
    if field in NAMES:
        _text(field, value, NAME_MOST)
    elif field in FREE:
        _text(field, value, TEXT_MOST)
    elif field in NUMBERS:
        _number(field, value)
    elif field in WHOLES:
        _whole(field, value)
    elif field == "points":
        if not isinstance(value, list | tuple) or len(value) > POINTS_MOST:
            raise RefusedError(f"points: a list of at most {POINTS_MOST} pairs is wanted")
    elif isinstance(value, str):
        _text(field, value, TEXT_MOST)
    elif isinstance(value, int):  # and a bool
        _whole(field, int(value))
    else:
        _number(field, value)


def _text(field: str, value: object, most: int) -> None:
    if not isinstance(value, str):
        raise RefusedError(f"{field}: {_short(value)} is no text")
    if len(value) > most:
        raise RefusedError(f"{field}: that text has {len(value):,} letters, {most:,} are the most; say it more briefly")


def _number(field: str, value: object) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise RefusedError(f"{field}: {_short(value)} is no number")
    if abs(value) > NUMBER_MOST:
        raise RefusedError(f"{field}: {_short(value)} is too much; {NUMBER_MOST:g} is the most")
    if field in ("rice_kg", "yield_kg"):
        try:
            checked_mass_kg(value)
        except ValueError as error:
            raise RefusedError(f"{field}: {error}") from error
    low, high = THERMOMETER_C
    if field == "value_c" and not low <= value <= high:
        found, most = f"{value:.4g} °C ({f_from_c(value):.4g} °F)", f"{f_from_c(low):g} to {f_from_c(high):g} °F"
        raise RefusedError(f"a thermometer that shows {found}? {low:g} to {high:g} °C ({most}) is wanted")


def _whole(field: str, value: object) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or abs(value) > WHOLE_MOST:
        raise RefusedError(f"{field}: {_short(value)} is no whole number that can be meant")


def _short(value: Any) -> str:
    try:
        text = repr(value)
    except ValueError:  # a number of more digits than Python writes out
        return "that number"
    return text if len(text) <= 40 else f"{text[:40]}…"
