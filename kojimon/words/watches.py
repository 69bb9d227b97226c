"""Alarms that are no plain limit, in a cook's words: the box itself, a target strayed from, time added up."""

from __future__ import annotations

from kojimon.contract import keys
from kojimon.contract.alarms import Alarm
from kojimon.units import show_duration
from kojimon.words import speech as say
from kojimon.words.speech import Speech

_FAR = {"high": "above", "low": "below", "": "from"}


def side_of(alarm: Alarm) -> str:
    """Which way it has gone: `high` or `low`; "" of a deviation that does not say so."""
    return alarm.side if isinstance(keys.parse(alarm.key), keys.Deviation) else "high"


def subject(alarm: Alarm, name: str) -> str:
    """What it is about, without values; "" for a kind that is told elsewhere.

    Args:
        name: the place or tray in words, first letter big.
    """
    text = ""
    match keys.parse(alarm.key):
        case keys.Box(state):
            text = "The box seems to be off" if state == "off" else "The box is too hot"
        case keys.Deviation():
            text = f"{name} far {_FAR[side_of(alarm)]} its target"
        case keys.Exposure():
            text = f"{name} hot for long"
        case keys.TimeToLimit():
            text = f"{name} soon too hot"
    return text


def fact(alarm: Alarm, speech: Speech, name: str) -> str:
    """What is wrong with its value, as short as a lock screen needs it; the subject where no value is known."""
    key, value, limit = keys.parse(alarm.key), alarm.value, alarm.limit
    plain = subject(alarm, name)
    if not isinstance(key, keys.Watch | keys.Box) or value is None or limit is None:
        return plain
    quantity = "temperature" if isinstance(key, keys.Box) else key.quantity
    now, edge = speech.beside(quantity, value, limit)
    if isinstance(key, keys.Box):
        return f"Box air {now}, usually {edge}" if key == keys.BOX_OFF else f"Box air {now} (limit {edge})"
    return _limit_like(key, alarm, speech, name, now, edge) or plain


def _limit_like(
    key: keys.Watch, alarm: Alarm, speech: Speech, name: str, now: str, edge: str
) -> str:
    """What is wrong, given value and limit in words; "" where what it hangs on is not known."""
    left_s, total_ms, over = alarm.left_s, alarm.total_ms, speech.brief(key.quantity, alarm.limit or 0.0)
    match key:
        case keys.TimeToLimit():
            left = "" if left_s is None else say.span(left_s)
            soon = f"{edge} in {left}" if left else f"soon {edge}"
            return f"{name} {over}, at its limit" if left == "now" else f"{name} {now}, {soon}"
        case keys.Deviation():
            return f"{name} {now} (target {edge})"
        case keys.Exposure():
            return "" if total_ms is None else f"{name} over {over} for {show_duration(total_ms / 1000)}"
