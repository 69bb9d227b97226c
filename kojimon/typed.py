"""Numbers and amounts as people type them, on the command line and into the page's fields."""

from __future__ import annotations

import re

from kojimon.units import EITHER, two_ways

_WORDS = (
    (r"(?:degrees?|deg\.?|º|˚)\s*", "°"),
    (r"(?<=[\d\s])(?:celsius|centigrade)", "C"),
    (r"(?<=[\d\s°])fahrenheit", "F"),
    (r"(?<=[\d\s])(?:pounds?|lbs)", "lb"),
    (r"(?<=[\d\s])(?:fluid|fl\.?)\s*(?:ounces?|oz)", "fl oz"),
    (r"(?<=[\d\s])(?:ounces?)", "oz"),
    (r"(?<=[\d\s])(?:kilograms?|kilos?|kgs)", "kg"),
    (r"(?<=[\d\s])(?:grams?)", "g"),
    (r"(?<=[\d\s])(?:lit(?:er|re)s?)", "l"),
    (r"(?<=[\d\s])(?:gallons?|gals)", "gal"),
    (r"(?<=[\d\s])(?:quarts?|qts)", "qt"),
    (r"(?<=[\d\s])(?:pints?|pts)", "pt"),
    (r"(?<=[\d\s])cups", "cup"),
    (r"(?<=[\d\s])(?:hours?|hrs?)", "h"),
    (r"(?<=[\d\s])(?:minutes?|mins?|m)(?![a-z])", "min"),
    (r"(?<=[\d\s])(?:days?)", "d"),
    (r"(?<=[\d\s])(?:seconds?|secs?)", "s"),
    (r"(?<=[\d\s])(?:percent|pct)", "%"),
)


def tidy(text: str, bare: str = "") -> str:
    """What people type, as `units` reads it: decimal comma (left before three digits), words for units, small letters.

    Args:
        bare: unit to put behind a number that has none; "" leaves it as it is.
    """
    text = _decimal(text.lower())
    for pattern, unit in _WORDS:
        text = re.sub(pattern, unit, text)
    text = re.sub(r"(?<=[\d\s°.])([cfk])$", lambda match: match[1].upper(), text)
    return f"{text} {bare}" if bare and re.fullmatch(r"[+-]?[\d.]+", text) else text


def number(text: str) -> float:
    """A bare number as people type it: `31.5`, `31,5`, `1 500`. Raises ValueError; a comma before three digits can be
    read two ways."""
    plain = _decimal(text)
    if either := EITHER.search(plain):
        raise ValueError(two_ways(either[0]))
    if not re.fullmatch(r"[+-]?\d{1,6}(?:\.\d{1,6})?", plain, re.ASCII):
        raise ValueError(f"{text[:40]!r} is not a number; expected one such as 31.5")
    return float(plain)


def _decimal(text: str) -> str:
    """A decimal comma becomes a point unless three digits follow; `1 500` is closed up."""
    closed = re.sub(r"(?<![\d.,])(\d{1,3})[ \u00a0\u2009\u202f](?=\d{3}(?![\d/]))", r"\1", text.strip())
    return re.sub(r"(?<=\d),(?=\d)(?!\d{3}(?!\d))", ".", closed)
