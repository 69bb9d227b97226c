"""A file written out with a comment at every setting, from its description.

A setting that is given stands as it is; every other one stands as a comment with its default (`#port: 1883`), so that
taking away the `#` changes nothing until the value is changed.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping as MappingOf
from typing import Any, Final

from kojimon.document.shapes import Each, Field, Map, Shape, Tagged

WIDTH: Final = 110
_GLUE: Final = "\N{NO-BREAK SPACE}"
"""Stands for the blanks of a quoted piece while lines are broken."""
Given = MappingOf[str, Any]
"""Settings as they are written: keys of the file to texts, lists of texts, or further maps."""


def write(shape: Map, given: Given, brief: bool = False) -> str:
    """The text of a file.

    Args:
        shape: its description.
        given: the settings that are not left to their defaults; a text stands in the file as it is here.
        brief: leave out what is not given.
    """
    return "\n".join(_map(shape, given, "", "", brief)) + "\n"


def _map(shape: Map, given: Given, indent: str, off: str, brief: bool) -> list[str]:
    lines: list[str] = []
    for field in shape.fields:
        if field.key not in given and (off or brief) and not (off and not brief):
            continue
        if not brief and not indent and lines:
            lines.append("")
        lines += _field(shape, field, given, indent, off, brief)
    return lines


def _field(shape: Map, field: Field, given: Given, indent: str, off: str, brief: bool) -> list[str]:
    lines = [] if brief else _comment(field.help + _wanted(field), indent)
    value = given.get(field.key)
    if isinstance(value, str):
        return [*lines, f"{indent}{field.key}: {value}"]
    off = off if value is not None else "#"
    inner = _inner(field.shape)
    if inner is None or (value is None and not isinstance(inner, Map)):
        return [*lines, f"{indent}{off}{field.key}: {shape.shown_default(field) or field.example}".rstrip()]
    lines.append(f"{indent}{off}{field.key}:")
    return lines + _below(inner, value or {}, indent + "  ", off, brief)


def _below(shape: Shape, given: Given, indent: str, off: str, brief: bool) -> list[str]:
    if isinstance(shape, Map):
        return _map(shape, given, indent, off, brief)
    lines: list[str] = []
    for number, (name, value) in enumerate(given.items()):
        lines.append(f"{indent}{name}:")
        lines += _thing(shape, value, indent + "  ", brief or _told(given, number))
    return lines


def _told(given: Given, number: int) -> bool:
    """Whether all settings of this kind of thing have stood in an entry above."""
    values = list(given.values())
    kind = values[number].get("kind")
    return any(value.get("kind") == kind for value in values[:number])


def _thing(shape: Shape, given: Given, indent: str, brief: bool) -> list[str]:
    value_shape = shape.value if isinstance(shape, Each) else shape
    if not isinstance(value_shape, Tagged):
        return _below(value_shape, given, indent, "", brief)
    rest = {key: value for key, value in given.items() if key != value_shape.tag}
    kind = given[value_shape.tag]
    return [f"{indent}{value_shape.tag}: {kind}", *_map(value_shape.maps[kind], rest, indent, "", brief)]


def _inner(shape: Shape) -> Shape | None:
    return shape if isinstance(shape, (Map, Each)) else None


def _wanted(field: Field) -> str:
    words = "" if isinstance(field.shape, (Map, Each, Tagged)) else field.shape.reference()
    return (f" {words[0].upper()}{words[1:]}." if words else "") + (" Required." if field.required else "")


def _comment(text: str, indent: str) -> list[str]:
    prefix = f"{indent}# "
    kept = re.sub(r"`[^`]*`", lambda match: match[0].replace(" ", _GLUE), text)
    lines = textwrap.wrap(
        kept, WIDTH, initial_indent=prefix, subsequent_indent=prefix, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace(_GLUE, " ") for line in lines]
