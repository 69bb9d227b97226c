"""From bytes to numbers, strictly: no exception escapes, and no number is made up.

A number is plain ASCII decimal (`21.5`, `-3`, `+025.0`, `2.15e1`), at most 32 characters, finite, with at most blanks
and line ends around it; `30.` may be half of one. Everything else Python or JSON would let through (nan, inf, 1e400,
1_000, other scripts' digits, true) is no number, nor is a decimal comma unless the settings say that the device writes
one. Where a text could mean two values, it means none.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from itertools import pairwise
from math import isfinite
from typing import Any, Final

import msgspec

from kojimon.contract.acts import once
from kojimon.units import DECIMAL, EXPONENT

PAYLOAD_LIMIT: Final = 65_536
"""Longest payload looked at, in bytes. Longer ones are refused whole."""
NUMBER_LIMIT: Final = 32
"""Longest text taken for a number, in characters."""
INT_LIMIT: Final = 2**63
"""Integers of JSON beyond this are no measurement."""

Path = tuple[str | int, ...]

_NUMBER = re.compile(rb"[ \t\r\n]*(%s)[ \t\r\n]*" % (DECIMAL + EXPONENT).encode())
_PATH = re.compile(r"[^.\[\]\s\x00-\x1f][^.\[\]\x00-\x1f]*|\[[0-9]{1,4}\]")
_EQUALS = re.compile(rb"[ \t]*=[ \t]*")
_SEPARATORS = re.compile(rb"[ \t,;]+")
_NOT_DECIMAL = re.compile(rb"(?:[ \t;]|,(?![0-9]))+")
_WHOLE = re.compile(rb"[+-]?[0-9]{1,5}")
_TAIL = re.compile(rb"[0-9]{1,3}(?: +.*| *(?:\xc2?\xb0|%|[CF](?![0-9A-Za-z])).*)", re.DOTALL)
_BLANKS = re.compile(rb"[+-]?[0-9]{1,5}(?:\.[0-9]+)?(?: +[+-]?[0-9]{1,5}(?:\.[0-9]+)?)+")

NO_VALUE_WORDS: Final = frozenset(b"nan -nan null none unavailable unknown n/a na inf +inf -inf infinity".split())
"""What devices and gateways send in place of a measurement."""


class Bad:
    """Why no number could be had, as singletons: told apart by identity, never mistaken for a number."""

    __slots__ = ("text",)

    def __init__(self, text: str) -> None:
        self.text = text

    def __repr__(self) -> str:
        return f"<{self.text}>"


ABSENT: Final = Bad("absent")
"""The payload is sound and says nothing about this key: not a reading."""
UNREADABLE: Final = Bad("unreadable")
"""Something stands there and it is no number."""
NO_VALUE: Final = Bad("no value")
"""The device says that it has no measurement."""
MALFORMED: Final = Bad("malformed")
"""The payload as a whole is not in its format."""

Result = float | Bad


def number(text: bytes, comma: bool = False) -> Result:
    """The number that a text is, or why it is none.

    Args:
        text: the whole text; blanks, tabs and line ends around the number are let pass.
        comma: the device writes 21,5 for 21.5; a text with a point (1.013,2) is no number then.

    Returns:
        a finite float, NO_VALUE for a word that devices send without a measurement, else UNREADABLE.
    """
    if comma:
        text = text.replace(b".", b"?").replace(b",", b".")
    match = _NUMBER.fullmatch(text) if len(text) <= NUMBER_LIMIT else None
    if match is not None:
        value = float(match[1])
        return value if isfinite(value) else UNREADABLE
    if len(text) <= NUMBER_LIMIT and text.strip(b" \t\r\n").lower() in NO_VALUE_WORDS:
        return NO_VALUE
    return UNREADABLE


def parse_path(text: str) -> Path:
    """Reads a path into JSON, as in `a.b[0].c`. An empty text means the whole payload.

    Returns:
        names and list positions from the outside in.

    Raises:
        ValueError: in words a person can act on.
    """
    path: list[str | int] = []
    at = 0
    while at < len(text):
        if path and text[at] == ".":
            at += 1
        elif path and text[at] != "[":
            break
        match = _PATH.match(text, at)
        if not match or (match[0][0] == "[" and at and text[at - 1] == "."):
            break
        path.append(int(match[0][1:-1]) if match[0][0] == "[" else match[0])
        at = match.end()
    if at < len(text) or len(path) > 16 or text.endswith("."):
        raise ValueError(f"`{text}` is no path into JSON; expected names and positions, as in `a.b[0].c`")
    return tuple(path)


def json_document(payload: bytes, names: tuple[bytes, ...]) -> object:
    """The JSON value of a payload, or MALFORMED.

    Args:
        payload: UTF-8 JSON (RFC 8259), at most PAYLOAD_LIMIT bytes.
        names: the quoted names that will be looked up. When one of them stands there more than once, or may hide
            behind an escape, the document is read again with names that stand twice in one object refused: RFC 8259
            leaves open which of the two counts.
    """
    if len(payload) > PAYLOAD_LIMIT:
        return MALFORMED
    try:
        document = msgspec.json.decode(payload)
        if b"\\" in payload or any(payload.count(name) > 1 for name in names):
            json.loads(payload, object_pairs_hook=once)
    except (msgspec.DecodeError, ValueError, RecursionError):
        return MALFORMED
    return document


def quoted(path: Path) -> tuple[bytes, ...]:
    """The names of a path as they stand in a JSON text, for `json_document`."""
    return tuple(msgspec.json.encode(name) for name in path if isinstance(name, str))


def at_path(document: Any, path: Path) -> Result:
    """The number at a path of a JSON value: a JSON number, or a text that is strictly a number.

    Returns:
        a finite float; ABSENT where the path leads nowhere; NO_VALUE for null; else UNREADABLE.
    """
    for step in path:
        if isinstance(step, str):
            if not isinstance(document, dict) or step not in document:
                return ABSENT
        elif not isinstance(document, list) or step >= len(document):
            return ABSENT
        document = document[step]
    return _leaf(document)


def _leaf(value: Any) -> Result:
    kind = type(value)  # not isinstance: True is an int to Python
    if kind is float and isfinite(value):
        return value  # type: ignore[no-any-return]
    if kind is int and -INT_LIMIT < value < INT_LIMIT:
        return float(value)
    if kind is str and len(value) <= NUMBER_LIMIT:
        return number(value.encode("utf-8", "replace"))
    return NO_VALUE if value is None else UNREADABLE


def fields(line: bytes, separator: bytes) -> list[bytes]:
    """The fields of a CSV line, blanks around them and one pair of double quotes removed. No quoted separators."""
    cells = [cell.strip(b" \t\r\n") for cell in line.split(separator)]
    return [cell[1:-1] if len(cell) >= 2 and cell[0] == cell[-1] == 0x22 else cell for cell in cells]


def torn(cells: Sequence[bytes]) -> bool:
    """Whether commas, taken for what stands between fields, have cut through numbers: of `31,9;84,1` they leave `31`,
    `9;84` and `1`, of `31,9 C 84,1 %` they leave `9 C 84` behind a whole number."""
    if any(b";" in cell or b"\t" in cell or _BLANKS.fullmatch(cell) for cell in cells):
        return True
    return any(_WHOLE.fullmatch(before) and _TAIL.fullmatch(after) for before, after in pairwise(cells))


def key_values(line: bytes, comma: bool = False) -> dict[bytes, bytes] | Bad:
    """The pairs of a `key=value` line, separated by blanks, commas or semicolons; `comma`: see `number`.

    Every part of the line must be such a pair, or the line is MALFORMED: `t=21,5` is not t = 21. A key that stands
    twice keeps no value (an empty text, which is no number).
    """
    pairs: dict[bytes, bytes] = {}
    for part in (_NOT_DECIMAL if comma else _SEPARATORS).split(_EQUALS.sub(b"=", line.strip(b" \t\r\n,;"))):
        key, equals, value = part.partition(b"=")
        if not equals or not key or b"=" in value:
            return MALFORMED
        pairs[key] = b"" if key in pairs else value
    return pairs
