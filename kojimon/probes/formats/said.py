"""The unit of temperature that a message names itself, beside its numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

FAHRENHEIT: Final = frozenset(("f", "fahrenheit", "°f", "degf", "tempf"))
CELSIUS: Final = frozenset(("c", "celsius", "°c", "degc", "tempc"))
DISPUTED: Final = "?"
"""A message that names both units in one place."""
DEPTH_LIMIT: Final = 6
LIST_LIMIT: Final = 64
_UNIT: Final = frozenset(("unit", "units", "uom", "scale"))
_OF_UNIT: Final = _UNIT | {"t", "temp", "temps", "temperature", "of", "measurement"}
_WORD = re.compile(r"°[CF]|[A-Z]+(?![a-z])|[A-Z]?[a-zäöüßéè]+")


def words_of(name: str) -> list[str]:
    """The words of a name, small: split at capitals, digits and signs."""
    return [word.lower() for word in _WORD.findall(name)]


def read_unit(text: str) -> str:
    """C or F where a text names one of them, else "": `°F`, `fahrenheit`."""
    word = text.strip().lower()
    return "F" if word in FAHRENHEIT else "C" if word in CELSIUS else ""


def units_in(document: Any) -> dict[str, str]:
    """The unit of temperature that a message names, by the path of the object it stands in: `"TempUnit": "F"`."""
    found: dict[str, str] = {}
    for path, unit in _units(document, "", 0):
        found[path] = unit if found.get(path, unit) == unit else DISPUTED
    return found


def _units(document: Any, path: str, depth: int) -> Iterator[tuple[str, str]]:
    if depth > DEPTH_LIMIT:
        return
    if isinstance(document, list):
        for at, inner in enumerate(document[:LIST_LIMIT]):
            yield from _units(inner, f"{path}[{at}]", depth + 1)
    if isinstance(document, dict):
        for name, inner in document.items():
            words = frozenset(words_of(name))
            if isinstance(inner, str) and words <= _OF_UNIT and not words.isdisjoint(_UNIT) and read_unit(inner):
                yield path, read_unit(inner)
            else:
                yield from _units(inner, f"{path}.{name}" if path else name, depth + 1)


def unit_at(units: Mapping[str, str], path: str) -> str:
    """The unit that a message names nearest around the number at a path; "" where it names none."""
    while path:
        path = path[: max(path.rfind("."), path.rfind("["), 0)]
        if path in units:
            return units[path]
    return ""
