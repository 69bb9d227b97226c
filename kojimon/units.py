"""Units at the edges. Inside: °C, K for differences, %, seconds, milliseconds of engine time, kg.

A temperature and a difference of temperatures convert differently: 86 °F is 30 °C, 0.9 °F of difference is 0.5 K.
Quantities are named `temperature` (unit °C) and `humidity` (relative humidity, %).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

KG_PER_LB: Final = 0.45359237
"""Kilograms in one avoirdupois pound, exact (NIST SP 811 (2008), appendix B.8)."""

L_PER_GAL: Final = 3.785411784
"""Litres in one US gallon, exact (NIST SP 811 (2008), appendix B.8)."""

MASS_MOST_KG: Final = 200.0
"""More rice, or koji, is a slip of the finger in a home brewer's kitchen (judgement)."""

M_PER_FT: Final = 0.3048
"""Metres in one international foot, exact (NIST SP 811 (2008), appendix B.8)."""

SECONDS: Final = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
"""Seconds in each unit a duration may be written in."""

UNIT_OF: Final = {"temperature": "c", "humidity": "pct"}
"""The unit suffix in which each quantity is kept inside and in curve files."""

DECIMAL: Final = r"[+-]?[0-9]+(?:\.[0-9]+)?"
"""A number as text, at every edge: digits on both sides of a point (RFC 8259, 6), for `30.` and `.5` may be halves of
one. Beside JSON's grammar a plus and zeros in front are let pass: boards print them."""
EXPONENT: Final = r"(?:[eE][+-]?[0-9]{1,3})?"
"""What JSON lets follow; payloads and curve files may carry it, nothing that people type."""
_NUMBER = DECIMAL
_TEMPERATURE = re.compile(rf"({_NUMBER})\s*°?\s*([CF])", re.ASCII)
_DIFFERENCE = re.compile(rf"({_NUMBER})\s*°?\s*([CFK])", re.ASCII)
EITHER: Final = re.compile(r"\d+,\d{3}(?!\d)", re.ASCII)
"""A comma before three digits."""
_PART = re.compile(r"((?:\d+\s+)?\d+/\d+|\d*\.\d+|\d+)\s*(fl oz|[a-z]+)\s*", re.ASCII | re.IGNORECASE)
_HALVES: Final = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅓": "1/3", "⅔": "2/3", "⅛": "1/8"}
_KG: Final = {"kg": 1.0, "g": 0.001, "lb": KG_PER_LB, "oz": KG_PER_LB / 16}
_LITRES: Final = {"l": 1.0, "ml": 0.001, "gal": L_PER_GAL, "qt": L_PER_GAL / 4, "pt": L_PER_GAL / 8,
                  "cup": L_PER_GAL / 16, "fl oz": L_PER_GAL / 128}  # fmt: skip
_PERCENT = re.compile(rf"({_NUMBER})\s*%", re.ASCII)
_HEIGHT = re.compile(rf"({_NUMBER})\s*(m|ft)?", re.ASCII)
_DURATION_PART = re.compile(r"(\d+(?:\.\d+)?)\s*(min|d|h|s)\s*", re.ASCII)


def median(values: Iterable[float]) -> float:
    """The middle value; between two middles their mean. Raises IndexError where there is none.

    `statistics.median` is the same, and keeps a quarter of a megabyte of exact fractions resident with it.
    """
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def parse_number(text: str) -> float:
    """Reads a bare number, `75.5`. Raises ValueError."""
    if not re.fullmatch(DECIMAL, text.strip()):
        raise ValueError("expected a number, with digits on both sides of its point, as in 75.5")
    return float(text)


def c_from_f(temperature_f: float) -> float:
    """Celsius from Fahrenheit: (F - 32) / 1.8 (NIST SP 811 (2008), appendix B.8)."""
    return (temperature_f - 32.0) / 1.8


def f_from_c(temperature_c: float) -> float:
    """Fahrenheit from Celsius: 1.8 C + 32 (NIST SP 811 (2008), appendix B.8)."""
    return temperature_c * 1.8 + 32.0


def parse_temperature_c(text: str) -> float:
    """Reads `30 C` or `86 F`. Returns °C. Raises ValueError in words a person can act on."""
    match = _TEMPERATURE.fullmatch(text.strip())
    if not match:
        raise ValueError("expected a temperature with its unit, as in `30 C` or `86 F`")
    value = float(match[1])
    value_c = value if match[2] == "C" else c_from_f(value)
    if value_c < -273.15:
        raise ValueError("expected a temperature above absolute zero")
    return value_c


def parse_difference_k(text: str) -> float:
    """Reads a difference of temperatures, `3 C`, `3 K` or `5.4 F`. Returns kelvin. Raises ValueError."""
    match = _DIFFERENCE.fullmatch(text.strip())
    if not match:
        raise ValueError("expected a difference of temperatures with its unit, as in `3 C` or `5.4 F`")
    value = float(match[1])
    return value / 1.8 if match[2] == "F" else value


def parse_percent(text: str) -> float:
    """Reads `85 %`. Returns percent. Raises ValueError."""
    match = _PERCENT.fullmatch(text.strip())
    if not match:
        raise ValueError("expected a percentage, as in `85 %`")
    return float(match[1])


def parse_mass_kg(text: str) -> float:
    """Reads `2 kg`, `500 g`, `4 lb`, `2 lb 6 oz`, `1/2 lb`, `.5 lb`. Returns kilograms. Raises ValueError."""
    return _parts(text, _KG, MASS_MOST_KG, "expected a mass with its unit, as in `2 kg` or `4 lb`")


def parse_volume_l(text: str) -> float:
    """Reads `5 L`, `750 ml`, `1 1/2 gal`, `7 fl oz`, `2 cup` (US). Returns litres, over 0. Raises ValueError."""
    wanted = "expected a volume over 0 with its unit, as in `5 L` or `2 gal`"
    litres = _parts(text, _LITRES, MASS_MOST_KG * 10, wanted)
    if not 0 < litres <= MASS_MOST_KG * 10:
        raise ValueError(wanted)
    return litres


def _parts(text: str, per_unit: Mapping[str, float], most: float, wanted: str) -> float:
    """The sum of amounts whose units grow smaller. A comma before three digits can be read two ways; so can a point,
    unless thousands would be over `most`: a scale that shows `2.350 kg` means no tons."""
    if either := EITHER.search(text):
        raise ValueError(two_ways(either[0]))
    rest = "".join(f" {_HALVES[sign]}" if sign in _HALVES else sign for sign in text).strip()
    total, least = 0.0, math.inf
    while rest or least == math.inf:
        match = _PART.match(rest)
        unit = per_unit.get(match[2].lower(), math.inf) if match else math.inf
        if match is None or unit >= least or re.search(r"/0+$", match[1]):
            raise ValueError(wanted)
        if re.fullmatch(r"[1-9]\d{0,2}\.\d{3}", match[1]) and unit * float(match[1]) * 1000 <= most:
            raise ValueError(two_ways(match[1]))
        total += unit * sum(map(_fraction, match[1].split()))
        least, rest = unit, rest[match.end() :]
    return total


def two_ways(text: str) -> str:
    """Why a number with such a comma or point is asked about. Four digits behind a point are no thousands."""
    plain, point = re.sub("[.,]", "", text), f"{float(text.replace(',', '.')):g}"
    return f"`{text}` can be read two ways; write {plain} or {point}{'0' * (point[-4:-3] == '.')}"


def _fraction(text: str) -> float:
    above, _, below = text.partition("/")
    return float(above) / float(below or 1)


def checked_mass_kg(value_kg: float) -> float:
    """The mass, of rice or koji. Raises ValueError for nothing, less, or more than MASS_MOST_KG."""
    if not 0 < value_kg <= MASS_MOST_KG:
        raise ValueError(f"expected a mass over 0, {MASS_MOST_KG:g} kg ({MASS_MOST_KG / KG_PER_LB:.0f} lb) at most")
    return value_kg


def parse_duration_s(text: str) -> float:
    """Reads `40 h`, `90 s`, `10 min` or `2 d 4 h`. Returns seconds. Raises ValueError."""
    rest, total_s = text.strip(), 0.0
    if not rest:
        raise ValueError("expected a duration with its unit, as in `90 s`, `10 min` or `2 d 4 h`")
    while rest:
        match = _DURATION_PART.match(rest)
        if not match:
            raise ValueError("expected a duration with its unit, as in `90 s`, `10 min` or `2 d 4 h`")
        total_s += float(match[1]) * SECONDS[match[2]]
        rest = rest[match.end() :]
    if not math.isfinite(total_s):
        raise ValueError("expected a finite duration")
    return total_s


def parse_utc_ms(text: str) -> int:
    """Reads an ISO 8601 time with its zone. Returns ms since 1970 UTC. Raises ValueError."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ValueError("expected a time with its zone, as in 2026-01-31T14:20:00+01:00")
    return round(moment.timestamp() * 1000)


def show_temperature(value_c: float, fahrenheit: bool, digits: int = 1) -> str:
    """A temperature for a person: `38.2 °C` or `100.8 °F`."""
    return f"{f_from_c(value_c):.{digits}f} °F" if fahrenheit else f"{value_c:.{digits}f} °C"


def show_difference(value_k: float, fahrenheit: bool, digits: int = 1) -> str:
    """A difference of temperatures for a person: 0.5 K is `0.5 °C` or `0.9 °F`."""
    return f"{value_k * 1.8:.{digits}f} °F" if fahrenheit else f"{value_k:.{digits}f} °C"


def show_mass(value_kg: float, pounds: bool) -> str:
    """A mass for a person: `2.0 kg` or `4.4 lb`; a small batch as the kitchen scale has it, `533 g` or `13.2 oz`."""
    if value_kg < (KG_PER_LB if pounds else 0.9995):
        return show_weight(value_kg, pounds)
    return f"{value_kg / KG_PER_LB:.1f} lb" if pounds else f"{value_kg:.1f} kg"


def show_weight(value_kg: float, pounds: bool) -> str:
    """A mass for the kitchen scale: `2.35 kg`, `350 g`, `1.8 g`; `5 lb 3 oz`, `3.2 oz`, and grams under an ounce."""
    ounces, grams = value_kg / KG_PER_LB * 16, value_kg * 1000
    if not pounds or ounces < 0.95:
        digits = 0 if grams >= 9.95 else 1 if grams >= 0.95 else 2
        return f"{value_kg:.2f} kg" if grams >= 999.5 else f"{grams:.{digits}f} g"
    if ounces < 15.95:
        return f"{ounces:.1f} oz"
    whole, rest = divmod(round(ounces), 16)
    return f"{whole} lb {rest} oz" if rest else f"{whole} lb"


def show_volume(value_l: float, gallons: bool) -> str:
    """A volume for the kitchen: `6.5 L`, `350 mL`; `1.7 gal`, `3.2 qt`, `14 fl oz` (US), and mL under a fluid ounce."""
    quarts = value_l / L_PER_GAL * 4
    if not gallons or quarts < 1 / 32:
        return f"{value_l:.1f} L" if value_l >= 0.9995 else f"{value_l * 1000:.0f} mL"
    if quarts < 0.95:
        return f"{quarts * 32:.0f} fl oz"
    return f"{quarts / 4:.1f} gal" if quarts >= 3.95 else f"{quarts:.1f} qt"


def show_count(number: int, one: str, many: str) -> str:
    """How many there are: `1 batch`, `2,000 batches`."""
    return f"{number:,} {one if number == 1 else many}"


def show_duration(seconds: float) -> str:
    """A duration for a person, two units at most: `45 s`, `12 min`, `3 h 20 min`, `2 d 4 h`."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def parse_height_m(text: str) -> float:
    """A height above the sea, `520 m` or `1700 ft`, in metres; a bare number is in metres. Raises ValueError."""
    match = _HEIGHT.fullmatch(text.strip())
    if match is None:
        raise ValueError("expected a height with its unit, as in 520 m or 1700 ft")
    amount = float(match[1])
    return round(amount * M_PER_FT if match[2] == "ft" else amount, 3)
