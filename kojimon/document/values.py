"""The single values of a file: each a shape that turns text into a plain value in the units of the inside.

Every pattern is used twice, by the loader and in the JSON Schema, so that both ask for the same form. Ranges of
values with a unit cannot be said in JSON Schema; the loader checks them, and the schema's description names them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from kojimon import units
from kojimon.document.report import Report, one_of
from kojimon.document.shapes import FAILED, Json, Shape, refuse
from kojimon.document.tree import Node, Scalar, found, other_reading

DECIMAL: Final = r"-?(?:0|[1-9][0-9]{0,8})(?:\.[0-9]{1,9})?"
_COUNT: Final = r"(?:0|[1-9][0-9]{0,8})(?:\.[0-9]{1,9})?"
_NUMBER: Final = r"-?(?:0|[1-9][0-9]{0,14})(?:\.[0-9]{1,20})?(?:[eE][-+]?[0-9]{1,3})?"
_WHOLE: Final = r"-?(?:0|[1-9][0-9]{0,8})"
_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")


class Value(Shape):
    """A single value written as text.

    Args:
        what: what is expected, as in `a mass with its unit, as in `2 kg``.
        pattern: regular expression (the part that ECMA-262 and Python share) the whole text has to match.
        convert: from the text to the value; raises ValueError, in words, for one that is out of range.
        loose: other YAML readers may take a text of this pattern for something else; then it wants quotes.
    """

    def __init__(
        self, what: str, pattern: str, convert: Callable[[str], Any] = str, show: Callable[[Any], str] = str,
        loose: bool = False, longest: int = 0, json_types: tuple[str, ...] = ("string",),
    ) -> None:  # fmt: skip
        self.what, self.pattern, self._convert, self._show = what, pattern, convert, show
        self.loose, self.longest, self.json_types = loose, longest, json_types
        self._regex = re.compile(pattern)

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Scalar) or (node.plain and not node.text):
            return refuse(node, path, report, self.what)
        taken_for = other_reading(node.text) if node.plain else ""
        if not self.fits(node.text):
            return refuse(node, path, report, self.what, self._hint(node.text, taken_for))
        if self.loose and taken_for and not self._plain_is_clear(node.text):
            what = f"{found(node)}, which other YAML readers take for {taken_for}"
            report.form(node.line, path, what, f"expected quotes around it, or {self.what}")
            return FAILED
        try:
            return self._convert(node.text)
        except ValueError as error:
            report.fault(node.line, path, found(node), f"expected {error}")
            return FAILED

    def fits(self, text: str) -> bool:
        """Whether a text has the form of this value."""
        return not (self.longest and len(text) > self.longest) and self._regex.fullmatch(text) is not None

    def _plain_is_clear(self, text: str) -> bool:
        return False

    def _hint(self, text: str, taken_for: str) -> str:
        pointed = _COMMA.sub(".", text)
        if pointed != text and self.fits(pointed):
            return f" (with a decimal point: `{pointed}`)"
        if re.fullmatch(r"[-+]?[0-9]+,[0-9]+.*", text):
            return " (numbers have a decimal point, no comma)"
        return f" (other YAML readers take this for {taken_for})" if taken_for not in ("", "a number") else ""

    def schema(self, defs: Json) -> Json:
        types: Any = self.json_types[0] if len(self.json_types) == 1 else list(self.json_types)
        schema: Json = {"type": types, "pattern": f"^(?:{self.pattern})$"}
        return schema | ({"maxLength": self.longest} if self.longest else {})

    def show(self, value: Any) -> str:
        return quoted(self._show(value), self.loose)


def quoted(text: str, loose: bool = True) -> str:
    """A text as it can stand in YAML, with quotes where it needs them."""
    risky = not re.fullmatch(r"-?[A-Za-z0-9_./~+°][A-Za-z0-9_./~+°%:@ ()#-]*", text) or ": " in text or " #" in text
    if risky or text.endswith((":", " ")) or (loose and other_reading(text)) or text.startswith(("- ", "? ")):
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return text


_PRINTABLE = r"[^\x00-\x1f\x7f-\x9f]"


def text(what: str, longest: int = 200) -> Value:
    """Any text on one line."""
    return Value(what, rf"{_PRINTABLE}+", loose=True, longest=longest)


def path_text(what: str) -> Value:
    """A file's path, as the person wrote it."""
    return Value(what, rf"{_PRINTABLE}+", loose=True, longest=1000)


def prose(what: str) -> Value:
    """A sentence or some, folded to one line."""
    any_letter, ink = r"[^\x00-\x09\x0b-\x1f\x7f-\x9f]", r"[^ \x00-\x1f\x7f-\x9f]"
    pattern = rf"{any_letter}*{ink}{any_letter}*"
    return Value(what, pattern, convert=lambda text: " ".join(text.split()), loose=True, longest=500)


class Name(Value):
    """A name: it travels in topics, keys and file names. A small whole number may stand without quotes."""

    MOST_PLAIN = re.compile(r"0|[1-9][0-9]{0,8}")

    def __init__(self, what: str = "a name") -> None:
        rule = f"{what} of letters, digits, `-` and `_`, as in `top-tray` (40 at most)"
        super().__init__(rule, r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", loose=True, json_types=("string", "integer"))

    def reference(self) -> str:
        return ""

    def _plain_is_clear(self, text: str) -> bool:
        return self.MOST_PLAIN.fullmatch(text) is not None

    def schema(self, defs: Json) -> Json:
        return super().schema(defs) | {"minimum": 0, "maximum": 999_999_999}

    def show(self, value: Any) -> str:
        return str(value) if self.MOST_PLAIN.fullmatch(value) else super().show(value)


class Choice(Shape):
    """One word of some, each standing for a value."""

    def __init__(self, options: Mapping[str, Any], reason: str = "") -> None:
        self.options, self.what = dict(options), one_of(list(options)) + reason

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Scalar) or (node.plain and not node.text):
            return refuse(node, path, report, self.what)
        if node.text not in self.options:
            taken_for = other_reading(node.text) if node.plain and node.text.lower() not in ("true", "false") else ""
            hint = report.did_you_mean(node.text, list(self.options))
            if not hint and taken_for not in ("", "a number"):
                hint = f" (other YAML readers take this for {taken_for})"
            return refuse(node, path, report, self.what, hint)
        return self.options[node.text]

    def schema(self, defs: Json) -> Json:
        numbers = [int(word) for word in self.options if word.isdigit()]
        flags = [word == "true" for word in self.options if word in ("true", "false")]
        return {"enum": [*flags, *numbers, *self.options]}

    def show(self, value: Any) -> str:
        word = next((word for word, meaning in self.options.items() if meaning == value), "")
        return quoted(word, loose=False) if word else ""


def choice(*words: str, reason: str = "") -> Choice:
    """One of these words, standing for itself."""
    return Choice({str(word): str(word) for word in words}, reason)


def flag() -> Choice:
    """`true` or `false`, and none of YAML 1.1's other words for them."""
    return Choice({"true": True, "false": False})


@dataclass(frozen=True)
class Range:
    """From low to high, both allowed, as said to a person."""

    low: float
    high: float
    said: str

    def check(self, value: float) -> float:
        """The value. Raises ValueError for one outside (and for one that is no number)."""
        if not self.low <= value <= self.high:
            raise ValueError(self.said)
        return value


class Numeric(Value):
    """A bare number; in JSON a number or a text."""

    def __init__(self, what: str, pattern: str, json_type: str, limits: Range, kind: type) -> None:
        self.limits = limits
        self.kind = kind
        said = f"{what} from {limits.said}"
        bounds = Range(limits.low, limits.high, said)
        super().__init__(
            said, pattern, convert=lambda text: kind(bounds.check(kind(text))), show=_plain_number,
            json_types=(json_type, "string"),
        )  # fmt: skip

    def schema(self, defs: Json) -> Json:
        return super().schema(defs) | {"minimum": self.limits.low, "maximum": self.limits.high}


def whole(low: int, high: int) -> Numeric:
    """A whole number."""
    return Numeric("a whole number", _WHOLE, "integer", Range(low, high, f"{low} to {high}"), int)


def number(low: float, high: float, why: str = "") -> Numeric:
    """A number without unit; `why` is the reason for its limits, where it would not be guessed."""
    said = f"{_plain_number(low)} to {_plain_number(high)}{f' ({why})' if why else ''}"
    return Numeric("a number", _NUMBER, "number", Range(low, high, said), float)


def _plain_number(value: float) -> str:
    # A conversion from °F or lb leaves 1e-15 behind; nobody sets anything to a billionth.
    return f"{round(value, 9):.9f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def _with_unit(unit: str) -> Callable[[float], str]:
    return lambda value: f"{_plain_number(float(value))} {unit}"


def temperature(low_c: float, high_c: float) -> Value:
    """A temperature, in °C inside."""
    said = f"a temperature from {low_c:g} C to {high_c:g} C"
    limits = Range(low_c, high_c, f"{said} ({units.f_from_c(low_c):.0f} F to {units.f_from_c(high_c):.0f} F)")
    return Value(
        "a temperature with its unit, as in `30 C` or `86 F`", rf"{DECIMAL} ?°?[CF]",
        lambda text: limits.check(_tidy(units.parse_temperature_c(text))), _with_unit("C"),
    )  # fmt: skip


def difference(low_k: float, high_k: float) -> Value:
    """A difference of temperatures, in K inside."""
    limits = Range(low_k, high_k, f"a difference from {low_k:g} C to {high_k:g} C")
    return Value(
        "a difference of temperatures with its unit, as in `3 C` or `5.4 F`", rf"{DECIMAL} ?°?[CF]",
        lambda text: limits.check(_tidy(units.parse_difference_k(text))), _with_unit("C"),
    )  # fmt: skip


def percent(low: float, high: float) -> Value:
    """A percentage."""
    limits = Range(low, high, f"a percentage from {low:g} % to {high:g} %")
    return Value(
        "a percentage, as in `85 %`", rf"{DECIMAL} ?%", lambda text: limits.check(units.parse_percent(text)),
        _with_unit("%"),
    )  # fmt: skip


def mass(low_kg: float, high_kg: float) -> Value:
    """A mass, in kg inside."""
    limits = Range(low_kg, high_kg, f"a mass from {low_kg:g} kg to {high_kg:g} kg")
    return Value(
        "a mass with its unit, as in `2 kg` or `4 lb`", rf"{_COUNT} ?(?:kg|g|lb|oz)",
        lambda text: limits.check(units.parse_mass_kg(text)), _with_unit("kg"),
    )  # fmt: skip


def duration(low_s: float, high_s: float, per_s: float = 1.0, words: Mapping[str, float] | None = None) -> Value:
    """A duration.

    Args:
        low_s, high_s: range in seconds.
        per_s: seconds in one unit of the value, as 86,400 for days.
        words: texts that stand for a value, as `never` for 0.
    """
    special = dict(words or {})
    limits = Range(low_s, high_s, f"{units.show_duration(low_s)} to {units.show_duration(high_s)}")
    part = rf"{_COUNT} ?(?:min|d|h|s)"
    either = "".join(f", or `{word}`" for word in special)
    pattern = "|".join([rf"{part}(?: {part}){{0,3}}", *special])

    def convert(text: str) -> float:
        return special[text] if text in special else limits.check(units.parse_duration_s(text)) / per_s

    def show(value: float) -> str:
        word = next((word for word, meaning in special.items() if meaning == value), "")
        return word or _show_duration(value * per_s)

    what = f"a duration with its unit, as in `40 h`, `10 min` or `2 d 4 h`{either}"
    return Value(what, pattern, convert, show)


def _show_duration(seconds: float) -> str:
    for unit in ("d", "h", "min"):
        if seconds and seconds % units.SECONDS[unit] == 0:
            return f"{_plain_number(seconds / units.SECONDS[unit])} {unit}"
    return f"{_plain_number(seconds)} s"


def megabytes(low: float, high: float) -> Value:
    """A size of storage, in MB inside."""
    limits = Range(low, high, f"a size from {low:g} MB to {high:g} MB")
    return Value(
        "a size with its unit, as in `8 MB`", rf"{_COUNT} ?MB", lambda text: limits.check(float(text[:-2])),
        _with_unit("MB"),
    )  # fmt: skip


@dataclass(frozen=True)
class Amount:
    """A number with its unit, whose meaning hangs on what stands beside it."""

    number: float
    unit: str

    def temperature_c(self) -> float:
        """It as a temperature, °C."""
        return self.number if self.unit == "C" else _tidy(units.c_from_f(self.number))

    def difference_k(self) -> float:
        """It as a difference of temperatures, K."""
        return self.number if self.unit == "C" else _tidy(self.number / 1.8)


def amount() -> Value:
    """A temperature, a difference of temperatures or a percentage; what it is, the keys beside it say."""

    def convert(text: str) -> Amount:
        return Amount(float(text.rstrip(" CF%°")), text[-1])

    return Value(
        "a temperature or a percentage with its unit, as in `34 C`, `93 F` or `85 %`", rf"{DECIMAL} ?(?:°?[CF]|%)",
        convert, lambda value: f"{_plain_number(value.number)} {value.unit}",
    )  # fmt: skip


def _tidy(value: float) -> float:
    """Without the dust of a conversion: 86 °F is 30 °C, not 30.000000000000004."""
    return round(value, 9)
