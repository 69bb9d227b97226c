"""How the lines of an unknown board are made: format, separator, decimal sign. Where two ways fit, none is proposed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

from msgspec import Struct

from kojimon.probes.finding.guess import Guess, guess, is_worth_a_look, numbers_in, twice
from kojimon.probes.formats.decode import Bad, fields, json_document, key_values, number, torn
from kojimon.probes.formats.said import unit_at, units_in
from kojimon.units import median

SEPARATORS: Final = (b";", b"\t", b",", b" ")
"""In this order: neither semicolon nor tab ever stands inside a number, a comma and a blank may."""
_COMMA = re.compile(rb"[+-]?[0-9]+,[0-9]+")
_POINT = re.compile(rb"[+-]?[0-9]*\.[0-9]+")
_WHOLE = re.compile(rb"[+-]?[0-9]+")
_GROUPED = re.compile(rb"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+|[+-]?[0-9]{1,3}(?:,[0-9]{3})+(?:\.[0-9]+)?")
_BETWEEN_DIGITS = re.compile(rb"[0-9],[0-9]")
_LABEL = re.compile(rb"[^0-9]+")
_SHOWN: Final = 60
EMPTY: Final[Mapping[str, str]] = {}

POINT_WANTED: Final = "have the board print a point (31.9), or a semicolon between numbers"


class LineGuess(Struct, frozen=True):
    """How the lines of a port seem to be made.

    Attributes:
        format: json, keys or csv; "" where nothing fits most of the lines.
        columns: of csv, from a header line; numbered where none was seen.
        guesses: quantities in the lines, without what a name says to be something else; `others` are those.
        separator: of csv.
        decimal: how a fraction is written, `.` or `,`.
        trouble: why nothing is proposed, with a line as it came; "" where something is.
    """

    format: str
    columns: tuple[str, ...] = ()
    guesses: tuple[Guess, ...] = ()
    separator: str = ","
    decimal: str = "."
    trouble: str = ""
    others: tuple[Guess, ...] = ()


def guess_lines(lines: Sequence[bytes], every_s: float = 0.0) -> LineGuess:
    """Looks at whole lines of one port; a format must fit more than half of them."""
    read = [found for found in map(_json_line, lines) if found]
    if len(read) * 2 > len(lines):
        likely, others = _guesses(_last(read), every_s, units_in(json_document(lines[-1], ())))
        return LineGuess("json", (), likely, others=others)
    if any(map(twice, lines)):
        return LineGuess("", trouble=f"`{_shown(lines)}` has a name twice, and nobody knows which of the two counts")
    for decimal in (".", ","):
        read = [found for line in lines if (found := _keys_line(line, decimal == ","))]
        if len(read) * 2 > len(lines):
            likely, others = _guesses(_last(read), every_s)
            return LineGuess("keys", (), likely, decimal=decimal, others=others)
    return _csv(lines, every_s)


def _guesses(
    values: dict[str, float], every_s: float, units: Mapping[str, str] = EMPTY
) -> tuple[tuple[Guess, ...], tuple[Guess, ...]]:
    """Those worth a look, and the others."""
    found = [guess("", name, value, every_s, said=unit_at(units, name)) for name, value in values.items()]
    return tuple(filter(is_worth_a_look, found)), tuple(one for one in found if not is_worth_a_look(one))


def _last(read: Sequence[dict[str, float]]) -> dict[str, float]:
    return {name: value for found in read for name, value in found.items()}


def _json_line(line: bytes) -> dict[str, float]:
    return {path: value for path, value in numbers_in(line).items() if path} if line.startswith(b"{") else {}


def _keys_line(line: bytes, comma: bool) -> dict[str, float]:
    pairs = key_values(line, comma)
    if isinstance(pairs, Bad):
        return {}
    values = {key.decode("utf-8", "replace"): number(text, comma) for key, text in pairs.items()}
    return {key: value for key, value in values.items() if isinstance(value, float)}


def _csv(lines: Sequence[bytes], every_s: float) -> LineGuess:
    separator = _separator(lines)
    rows = [fields(line, separator) for line in lines]
    width = round(median(len(row) for row in rows)) if rows else 0
    fitting = [row for row in rows if len(row) == width]
    decimal = _decimal(fitting)
    numeric = [row for row in fitting if any(isinstance(number(cell, decimal == ","), float) for cell in row)]
    header = next((row for row in fitting if row not in numeric and all(_LABEL.match(cell) for cell in row)), None)
    bare = separator == b"," and header is None and any(map(_BETWEEN_DIGITS.search, lines))
    trouble = _trouble(fitting, separator, bare) if lines else "nothing was heard"
    told = len(lines) - (rows.count(header) if header else 0)  # some boards print their header again and again
    if trouble or len(numeric) * 2 <= told or (separator == b" " and not _is_spaced(numeric)):
        return LineGuess("", trouble=f"`{_shown(lines)}` {trouble or 'is no reading kojimon can take'}")
    names = [cell.decode("utf-8", "replace") for cell in header] if header else []
    columns = tuple(names or [f"column-{at}" for at in range(1, width + 1)])
    cells = zip(columns, numeric[-1], strict=True)
    values = {name: value for name, cell in cells if isinstance(value := number(cell, decimal == ","), float)}
    found, others = _guesses(values, every_s)
    return LineGuess("csv", () if header else columns, found, separator.decode(), decimal, others=others)


def _separator(lines: Sequence[bytes]) -> bytes:
    """The first that stands in most lines and cuts through no number; a comma where there is none."""
    for separator in SEPARATORS:
        rows = [fields(line.strip(), separator) for line in lines]
        cut = [row for row in rows if len(row) > 1 and not (separator == b"," and torn(row))]
        if len(cut) * 2 > len(lines):
            return separator
    return b","


def _decimal(rows: Sequence[Sequence[bytes]]) -> str:
    cells = [cell for row in rows for cell in row]
    return "," if any(map(_COMMA.fullmatch, cells)) and not any(map(_POINT.fullmatch, cells)) else "."


def _trouble(rows: Sequence[Sequence[bytes]], separator: bytes, bare: bool) -> str:
    """Why these fields may be read in two ways, or cannot be read; "" where they can.

    Args:
        bare: commas stand between two digits, as they would inside a number, and no header tells the fields.
    """
    cells = [cell for row in rows for cell in row]
    points = any(map(_POINT.fullmatch, cells))
    if points and any(map(_COMMA.fullmatch, cells)):
        return f"has decimal points and decimal commas; {POINT_WANTED}"
    if bare:
        if all(_GROUPED.fullmatch(b",".join(row)) for row in rows):
            return f"may be one number or several; {POINT_WANTED}"
        if not points:
            return f"may have decimal commas or commas between whole numbers; {POINT_WANTED}"
    if separator == b"," and any(_thousands(row) for row in rows):
        return f"may have commas inside its numbers; {POINT_WANTED}"
    if rows and not any(isinstance(number(cell, comma), float) for cell in cells for comma in (False, True)):
        glued = next((cell for cell in cells if re.match(rb"[^0-9]*[0-9]+[.,]?[0-9]*", cell)), None)
        if glued is not None:
            return "has something stuck to its numbers, a unit or a name; have the board print the bare number"
    return ""


def _thousands(row: Sequence[bytes]) -> bool:
    """A field such as `013` is the rest of a number: of 1,013, or of 31,05."""
    return any(_WHOLE.fullmatch(before) and re.fullmatch(rb"0[0-9]+", after) for before, after in pairwise(row))


def _is_spaced(rows: Sequence[Sequence[bytes]]) -> bool:
    """Blanks stand in every sentence: only numbers with bare words between them are taken for columns."""
    return all(sum(map(_is_number, row)) * 2 >= len(row) and all(map(_bare, row)) for row in rows)


def _is_number(cell: bytes) -> bool:
    return isinstance(number(cell), float) or isinstance(number(cell, True), float)


def _bare(cell: bytes) -> bool:
    return not cell or _is_number(cell) or bool(_LABEL.fullmatch(cell))


def _shown(lines: Sequence[bytes]) -> str:
    text = (lines[-1] if lines else b"").decode("utf-8", "replace")
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
