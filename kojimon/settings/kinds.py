"""Kinds of value that only the settings have: hours of sleep, zones, hosts, topics, secrets."""

from __future__ import annotations

import re
import zoneinfo
from datetime import date
from typing import Any, Final

from kojimon.document.report import Report
from kojimon.document.shapes import FAILED, Json, Shape, entries, refuse
from kojimon.document.tree import Mapping, Node, Scalar, other_reading
from kojimon.document.values import DECIMAL, Value, path_text
from kojimon.settings.spec import Secret
from kojimon.units import parse_height_m

_HOUR: Final = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]"


def sleep_hours() -> Value:
    """`22:30 to 06:30`, read into a pair of `HH:MM`."""

    def convert(text: str) -> tuple[str, str]:
        begin, end = text[:5], text[-5:]
        if begin == end:
            raise ValueError("two different times, as in `22:30 to 06:30`")
        return begin, end

    return Value(
        "hours as in `22:30 to 06:30`", rf"{_HOUR} to {_HOUR}", convert, lambda pair: f"{pair[0]} to {pair[1]}"
    )


def height(low_m: float, high_m: float) -> Value:
    """A height above the sea with its unit, in metres inside."""

    def convert(text: str) -> float:
        metres = parse_height_m(text)
        if not low_m <= metres <= high_m:
            raise ValueError(f"a height from {low_m:g} m to {high_m:g} m")
        return metres

    return Value("a height with its unit, as in `520 m` or `1700 ft`", rf"{DECIMAL} ?(?:m|ft)", convert,
                 lambda value: f"{value:g} m")  # fmt: skip


def zone() -> Value:
    """A time zone by its IANA name."""

    def convert(text: str) -> str:
        try:
            zoneinfo.ZoneInfo(text)
        except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
            close = _closest_zone(text)
            hint = f" (did you mean `{close}`?)" if close else ""
            raise ValueError(f"a time zone of the IANA list, as in `Europe/Lisbon`{hint}") from None
        return text

    pattern = r"[A-Za-z][A-Za-z0-9_+-]*(?:/[A-Za-z0-9_+-]+){0,2}"
    return Value("a time zone by its IANA name, as in `Europe/Lisbon`", pattern, convert, loose=True, longest=64)


def _closest_zone(text: str) -> str:
    town = text.rpartition("/")[2].lower()
    return next((name for name in sorted(zoneinfo.available_timezones()) if name.lower().endswith("/" + town)), "")


def host() -> Value:
    """A host by name or address."""
    pattern = r"[A-Za-z0-9_][A-Za-z0-9._-]*|[0-9A-Fa-f]*:[0-9A-Fa-f:.]+"
    return Value("a host's name or address, as in `192.0.2.10`", pattern, loose=True, longest=253)


def topic_filter() -> Value:
    """An MQTT topic filter (MQTT 5.0, 4.7.1: `+` and `#` fill whole levels, `#` is the last)."""
    letter = r"[^+#/\x00-\x1f\x7f-\x9f]"
    upper = rf"(?:\+|{letter}*)/"
    pattern = rf"(?:{upper})*(?:\+|#|{letter}+)|(?:{upper})+"
    what = "an MQTT topic, as in `cellar/koji`, in which `+` fills one level and `#` all further ones"

    def convert(text: str) -> str:
        if text.startswith("$"):
            raise ValueError("a topic that does not begin with `$` (those are the broker's own)")
        return text

    return Value(what, pattern, convert, loose=True, longest=500)


def web_address() -> Value:
    """An http or https address without user and password in it."""
    what = "an address as in `http://192.0.2.20:8086` (a token or password goes into its own setting)"
    return Value(what, r"https?://[A-Za-z0-9._:\[\]-]+(?:/[A-Za-z0-9._~/-]*)?", longest=500)


def day() -> Value:
    """A date, `2026-11-25`."""

    def convert(text: str) -> str:
        try:
            date.fromisoformat(text)
        except ValueError:
            raise ValueError("a date that exists, as in `2026-11-25`") from None
        return text

    return Value("a date, as in `2026-11-25`", r"[0-9]{4}-[0-9]{2}-[0-9]{2}", convert)


class SecretPlace(Shape):
    """Where a secret is to be had. Whatever else stands here is never repeated in a message: it may be the secret."""

    what = "`{file: /path/of/file}` or `{environment: NAME}`; the secret itself never stands here"
    _NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,99}")

    def __init__(self) -> None:
        self._file = path_text("the path of a file")
        self._environment = Value("the name of an environment variable", self._NAME.pattern, loose=True)

    def read(self, node: Node, path: str, report: Report) -> Any:
        if not isinstance(node, Mapping):
            if isinstance(node, Scalar) and node.text:
                report.form(node.line, path, "found a text (not repeated here)", f"expected {self.what}")
                return FAILED
            return refuse(node, path, report, self.what)
        listed = entries(node, path, report, secret=True)
        if len(listed) != 1 or listed[0].key.text not in ("file", "environment"):
            report.form(node.line, path, "found other keys (not repeated here)", f"expected {self.what}")
            return FAILED
        key = listed[0].key.text
        value_shape = self._file if key == "file" else self._environment
        value = listed[0].value
        clear = isinstance(value, Scalar) and not (value.plain and other_reading(value.text))
        if not isinstance(value, Scalar) or not clear or not value_shape.fits(value.text):
            wanted = f"expected {value_shape.what}, in quotes where it could be taken for something else"
            report.form(value.line, f"{path}.{key}", "found something else (not repeated here)", wanted)
            return FAILED
        return Secret(**{key: value.text})

    def schema(self, defs: Json) -> Json:
        defs["secret"] = {
            "type": "object",
            "properties": {"file": self._file.schema(defs), "environment": self._environment.schema(defs)},
            "additionalProperties": False,
            "minProperties": 1,
            "maxProperties": 1,
        }
        return {"$ref": "#/$defs/secret"}

    def show(self, value: Any) -> str:
        return f"{{file: {value.file}}}" if value.file else f"{{environment: {value.environment}}}"
