"""The tree of a strict YAML file: texts, lists and maps, each with its line. No value has a type yet.

Quoted or not, a value is text here and becomes a number, a time or a temperature only where the description of the
file says so. That removes YAML 1.1's surprises (`12:30` is 750, `no` is false, `010` is 8) instead of guessing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

SHOWN = 60
"""Longest piece of a file that a message repeats."""


@dataclass(frozen=True, slots=True)
class Scalar:
    """A value. `plain` means that it stood without quotes."""

    text: str
    line: int
    plain: bool = False


@dataclass(frozen=True, slots=True)
class Listing:
    """A list."""

    items: tuple[Node, ...]
    line: int


@dataclass(frozen=True, slots=True)
class Entry:
    """A key with its value."""

    key: Scalar
    value: Node


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys and values, in the order of the file. A key may stand twice; whoever reads the map says so."""

    entries: tuple[Entry, ...]
    line: int


@dataclass(frozen=True, slots=True)
class Broken:
    """Something already refused while reading; nothing more is said about it."""

    line: int


Node = Scalar | Listing | Mapping | Broken


# What YAML 1.1 (type repository at yaml.org/type: bool, null, int, float, timestamp, merge, value) or the YAML 1.2.2
# core schema (section 10.3) make of a plain text instead of text.
_OTHER_READINGS = (
    (re.compile(r"y|Y|yes|Yes|YES|n|N|no|No|NO|true|True|TRUE|false|False|FALSE|on|On|ON|off|Off|OFF"), "yes or no"),
    (re.compile(r"~|null|Null|NULL|"), "nothing"),
    (re.compile(r"[-+]?[0-9][0-9_]*(:[0-5]?[0-9])+(\.[0-9_]*)?"), "a number to the base 60"),
    (re.compile(r"[-+]?0[0-7_]+|0o[0-7]+"), "an octal number"),
    (re.compile(r"[-+]?0x[0-9a-fA-F_]+|[-+]?0b[01_]+|[-+]?[0-9][0-9_]*"), "a number"),
    (re.compile(r"[-+]?(\.[0-9]+|[0-9][0-9_]*(\.[0-9_]*)?)([eE][-+]?[0-9]+)?"), "a number"),
    (re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)"), "no finite number"),
    (re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt \t].*)?"), "a date"),
    (re.compile(r"<<|="), "an instruction"),
)


def other_reading(text: str) -> str:
    """What other YAML readers take a text without quotes for, in words; "" where all agree that it is text."""
    return next((words for pattern, words in _OTHER_READINGS if pattern.fullmatch(text)), "")


_MAY_BE_SECRET = re.compile(r":[^ ]*@|(token|password|passwd|secret|key)=", re.IGNORECASE)
"""`user:password@host` and `?token=...`, as people paste them into addresses."""


def shown(text: str) -> str:
    """A piece of a file for a message: on one line, without control characters, not too long."""
    printable = "".join(char if char.isprintable() else repr(char)[1:-1] for char in text[: SHOWN + 1])
    return printable if len(printable) <= SHOWN else printable[: SHOWN - 1] + "…"


def found(node: Node) -> str:
    """What stands there, in words, for a message."""
    if isinstance(node, Listing):
        return "found a list"
    if isinstance(node, Mapping):
        return "found a map of keys and values"
    if isinstance(node, Scalar) and _MAY_BE_SECRET.search(node.text):
        return "found a text that may hold a password (not repeated here)"
    if isinstance(node, Scalar) and (node.text or not node.plain):
        return f"found `{shown(node.text)}`"
    return "found nothing"
