"""Alarms that are no plain limit, in a cook's words: the box itself, rates, time added up, work that did not help."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words.speech import Speech

LIKE_LIMITS = ("deviation", "rate", "exposure", "recovery", "time-to-limit")
"""Kinds of key in the form KIND/PLACE/QUANTITY, answered as a limit is."""


_FAR = {"high": "above", "low": "below", "": "from"}


def side_of(alarm: Mapping[str, Any]) -> str:
    """Which way it has gone: `high` or `low`; "" of a deviation that does not say so."""
    key = str(alarm["key"])
    if key.startswith("deviation/"):
        return str(alarm.get("side") or "")
    return "low" if key.endswith("/falling") else "high"


def subject(alarm: Mapping[str, Any], name: str) -> str:
    """What it is about, without values; "" for a kind that is told elsewhere.

    Args:
        name: the place or tray in words, first letter big.
    """
    kind, _, rest = str(alarm["key"]).partition("/")
    if kind == "box":
        return "The box seems to be off" if rest == "off" else "The box runs too hot"
    if kind == "deviation":
        return f"{name} far {_FAR[side_of(alarm)]} what is wanted"
    return {
        "rate": f"{name} {'falls' if side_of(alarm) == 'low' else 'rises'} fast",
        "exposure": f"{name} hot for long",
        "recovery": f"{name} still hot after the work",
        "time-to-limit": f"{name} soon too hot",
    }.get(kind, "")


def fact(alarm: Mapping[str, Any], speech: Speech, name: str) -> str:
    """What is wrong with its value, as short as a lock screen needs it; the subject where no value is known."""
    kind, value, limit = str(alarm["key"]).partition("/")[0], alarm.get("value"), alarm.get("limit")
    plain = subject(alarm, name)
    if not plain or value is None or limit is None:
        return plain
    parts = str(alarm["key"]).split("/")
    quantity = parts[2] if len(parts) > 2 else "temperature"
    now, edge = speech.brief(quantity, value), speech.brief(quantity, limit, unit=False)
    if kind == "box":
        off = str(alarm["key"]) == "box/off"
        return f"Box air {now}, usually {edge}" if off else f"Box air {now} (limit {edge})"
    return _limit_like(kind, alarm, speech, name, (quantity, now, edge)) or plain


def _limit_like(kind: str, alarm: Mapping[str, Any], speech: Speech, name: str, shown: tuple[str, str, str]) -> str:
    quantity, now, edge = shown
    if kind == "time-to-limit":
        left_s = alarm.get("left_s")
        return f"{name} {now}, at {edge} in {say.span(left_s)}" if left_s is not None else f"{name} {now}, soon {edge}"
    if kind == "deviation":
        return f"{name} {now}, {edge} wanted"
    if kind == "rate":
        per_h = alarm.get("rate_per_h")
        return f"{name} {now}, {speech.slope(quantity, per_h)}" if per_h is not None else ""
    if kind == "exposure":
        total_ms = alarm.get("total_ms")
        return f"{name} over {edge} for {show_duration(total_ms / 1000)}" if total_ms is not None else ""
    return f"{name} {now} after the work, over {edge}" if kind == "recovery" else ""
