"""An alarm in a cook's words: its state, its first line of 60 characters, the one thing to do.

Alarms come as in the state document (DEVELOPERS.md): dicts with `key`, `state`, `level`, `side`, `value`, `limit`,
`tray`, `since_t_ms`, ...
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from msgspec import Struct

from kojimon.model import Quality
from kojimon.words import speech as say
from kojimon.words import watches
from kojimon.words.speech import Speech

HEADLINE_MAX = 60
"""What a lock screen shows of a message (design)."""
WARM_AROUND_K = 2.0
"""Air so far above the limit that koji has fallen under would warm it (judgement)."""
URGENT_LEFT_S = 6 * 3600
"""A time left beyond this helps nobody decide in the night, so it is not said."""

MIX_WORKS = ("mix", "spread")
"""Works that let heat out of the koji."""

STATE_WORDS = {
    "NORM": "back to normal",
    "UNACK": "new",
    "ACKED": "acknowledged",
    "RTNUN": "back to normal, not acknowledged",
    "LATCH-UNACK": "back to normal, not acknowledged",
    "LATCH-ACK": "back to normal, needs reset",
    "SHLVD": "paused",
    "DSUPR": "held back while work goes on",
    "OOSRV": "switched off for repair",
}
PRIORITY_WORDS = {"wake": "yes", "tell": "no, told by day", "log": "no, only noted"}
"""Does it wake the sleeper?"""

HEALTH_WORDS = {
    "disk": "Disk trouble",
    "clock": "Clock not set",
    "broker": "MQTT broker away",
    "serial": "Serial port away",
    "modbus": "Modbus away",
    "kernel": "Kernel sensor away",
    "mirror": "Mirror behind",
    "delivery": "Messages do not get out",
    "settings": "Settings file refused",
    "journal": "Journal trouble",
    "heartbeat": "Sign of life does not get out",
    "site": "No sign of life",
    "backup": "No backup was made",
    "page": "The page is not open",
    "descriptors": "Nothing more can be opened",
    "acts": "Acts over MQTT are off",
    "forecast": "No forecast",
}
HEALTH_ACTIONS = {
    "disk": "Free space, check card",
    "clock": "Say how long ago, not when",
    "broker": "Check broker, network",
    "serial": "Check plug and cable",
    "modbus": "Check plug and cable",
    "kernel": "Check wiring",
    "mirror": "Check its server",
    "delivery": "Check network",
    "settings": "Run: kojimon check",
    "journal": "Free space, check card",
    "heartbeat": "Check network and its address",
    "site": "Look at its computer, network",
    "backup": "Check the backup folder",
    "page": "Free its port, or change it",
    "descriptors": "Restart kojimon",
    "acts": "Broker: allow_anonymous false",
    "forecast": "Nothing: it is tried again, alarms go on",
}

SAID = ("disk", "journal")
"""Health whose text begins with its true cause and the way out, both short."""

SILENT_WORDS = {
    1: ("late only", "Check its network"),
    3: ("unreadable", "Check plug and cable"),
    4: ("gives a fault code", "Check plug and cable"),
    5: ("out of its range", "Check plug and cable"),
    6: ("jumps about", "Check plug and cable"),
    7: ("moves too fast", "Look where its tip is"),
    8: ("stuck", "Unplug it, plug it in again"),
    9: ("wet at 100 %", "Dry it, out of the drip"),
    10: ("drifts", "Calibrate it"),
    11: ("swapped?", "Look where each tip is"),
    12: ("out of the koji?", "Put its tip back in"),
    14: ("lost (last will)", "Check its power, network"),
    15: ("signed off", "Switch it on"),
}
"""Why nothing can be used of a probe, by the number of `model.Quality`, and the way out."""


class Work(Struct, frozen=True):
    """What has been done to the koji, for the ladder of actions.

    Attributes:
        hour: hours since inoculation, None before.
        mixed_ago_s: time since the koji was last broken up, mixed or spread; None when never.
        mixes: how often that was done.
        mix_open, harvest_open: whether such a task may be done now.
    """

    hour: float | None = None
    mixed_ago_s: float | None = None
    mixes: int = 0
    mix_open: bool = False
    harvest_open: bool = False


def alarm_state(alarm: Mapping[str, Any], speech: Speech, now: str | int) -> str:
    """`new`, `acknowledged`, `paused until 03:40`, ..."""
    state = str(alarm["state"])
    until = alarm.get("until_utc")
    if state == "SHLVD" and until:
        return f"paused until {speech.moment(until, now)}"
    silent = alarm.get("silent_until_utc")
    if state == "UNACK" and silent:
        return f"new, no noise until {speech.moment(silent, now)}"
    if state == "OOSRV" and alarm.get("reason"):
        return f"{STATE_WORDS[state]} ({alarm['reason']})"
    return STATE_WORDS.get(state, state.lower())


def action(alarm: Mapping[str, Any], work: Work) -> str:
    """The one thing to do, as short as a lock screen needs it.

    For hot koji it is a ladder by stage and time since the last mixing (design): vent or turn the box down; break up;
    furrow or spread thinner; swap trays; harvest.
    """
    kind, subject = _kind(str(alarm["key"]))
    if kind == "limit":
        if _warm_around(alarm):
            return "Probe out, or koji cold: look"
        return _limit_action(str(alarm["key"]).split("/"), str(alarm.get("side", "")), work)
    if kind in watches.LIKE_LIMITS:
        side = watches.side_of(alarm)
        return _limit_action(str(alarm["key"]).split("/"), side, work) if side else "Look at the box"
    if kind == "health":
        said = _said(alarm)[1] if subject in SAID else ""
        return said or HEALTH_ACTIONS.get(subject.split(":")[0], "See: kojimon status")
    if kind == "box":
        return "Is the box on? Check plug" if subject == "off" else "Turn it down or unplug it"
    return {
        "silent": SILENT_WORDS.get(int(alarm.get("quality") or 0), ("", "Check plug and cable"))[1],
        "blind": "Use a kitchen thermometer",
        "task": "Do it, or say when you did",
        "expect": "Look and feel",
        "test": "Only a test: Acknowledge",
    }.get(kind, "See: kojimon status")


def _said(alarm: Mapping[str, Any]) -> tuple[str, str]:
    """The cause and the thing to do, as the first two sentences of an alarm's own text say; "" where it has none."""
    sentences = str(alarm.get("text") or "").split(". ")
    return (sentences[0], sentences[1]) if len(sentences) > 1 else ("", "")


def _warm_around(alarm: Mapping[str, Any]) -> bool:
    """Whether koji is called too cold while the box's air is warmer than that limit: the probe may lie elsewhere."""
    air_c, limit = alarm.get("air_c"), alarm.get("limit")
    return air_c is not None and limit is not None and air_c >= limit + WARM_AROUND_K


def _limit_action(parts: Sequence[str], side: str, work: Work) -> str:
    place, quantity, hot = parts[1], parts[2], (side or parts[-1]).startswith("high")
    if quantity == "humidity":
        return "Open the vent a crack" if hot else "Look: does the rice dry?"
    if place == "bed":
        return _hot_koji(work) if hot else "Is the box on? Check its lid"
    if place == "room":
        return "Cool the room" if hot else "Warm the room"
    return "Turn box down, vent" if hot else "Is the box on? Check plug"


def _hot_koji(work: Work) -> str:
    if work.harvest_open:
        return "Look: harvest or spread thin"
    if work.mix_open and (work.mixed_ago_s is None or work.mixed_ago_s > 3600):
        return "Break up, spread"
    if work.mixes == 0:
        return "Turn box down, vent"
    if work.mixed_ago_s is not None and work.mixed_ago_s <= 3600:
        return "Vent, turn box down"
    return "Furrow, spread thin" if work.mixes == 1 else "Spread thin, swap trays"


def headline(alarm: Mapping[str, Any], speech: Speech, work: Work, per_hour: float | None, left_s: float | None) -> str:
    """The first line of an alarm, 60 characters at most: what, value and limit with trend, time left, the action.

    Args:
        per_hour: slope of the value, K/h or %/h, None where unknown.
        left_s: time left until the next worse limit, None where unknown.

    Returns:
        e.g. `Top tray 110 °F over 109, rising. 50 min. Break up, spread`.
    """
    fact, brief_fact = _fact(alarm, speech, per_hour)
    left = say.span(left_s) if left_s is not None and 0 <= left_s < URGENT_LEFT_S else ""
    todo = action(alarm, work)
    bare = todo.split(". ")[0].split(", ")[0]
    for parts in ([fact, left, todo], [brief_fact, left, todo], [brief_fact, left, bare], [brief_fact, "", bare]):
        line = ". ".join(filter(None, parts))
        if len(line) <= HEADLINE_MAX:
            return line
    room = HEADLINE_MAX - len(bare) - 3
    return f"{brief_fact[:room].rstrip()}…. {bare}"[:HEADLINE_MAX]


def subject(alarm: Mapping[str, Any], speech: Speech) -> str:
    """What an alarm is about, without its value: `Top tray too warm`, `Probe koji-1 silent`, `Mixing late`."""
    kind, about = _kind(str(alarm["key"]))
    if kind == "limit":
        return _limit_subject(alarm)
    if kind == "health":
        what, _, name = about.partition(":")
        return HEALTH_WORDS.get(what, say.big_first(what)) + (f" ({name})" if name else "")
    if kind == "task":
        return f"{say.big_first(speech.task(about))}: late"
    if kind in watches.LIKE_LIMITS or kind == "box":
        return watches.subject(alarm, _place_name(alarm))
    fixed = {"silent": _silent_subject(about, alarm), "blind": "The koji cannot be seen", "test": "Test alarm"}
    return fixed.get(kind) or str(alarm.get("label") or about.replace("-", " "))


def why_silent(alarm: Mapping[str, Any], lead: str = "") -> str:
    """Why nothing can be used of a probe, as a sentence after `lead`; "" of another alarm or where it says nothing."""
    quality = int(alarm.get("quality") or 0)
    if not quality or not str(alarm["key"]).startswith("silent/"):
        return ""
    gone = quality in (Quality.LOST, Quality.SIGNED_OFF)
    return f"{lead}{'It is' if gone else 'What it says is not used:'} {say.QUALITY_WORDS.get(quality, 'bad')}."


def _silent_subject(probe: str, alarm: Mapping[str, Any]) -> str:
    """`Probe koji-1 silent`, or why what it says is not used: `Probe koji-1 stuck`."""
    return f"Probe {probe} {SILENT_WORDS.get(int(alarm.get('quality') or 0), ('silent',))[0]}"


def _limit_subject(alarm: Mapping[str, Any]) -> str:
    _, place, quantity, *rest = str(alarm["key"]).split("/")
    hot = (str(alarm.get("side") or "") or (rest[-1] if rest else "")).startswith("high")
    words = {"humidity": ("too damp", "too dry")}.get(quantity, ("too warm", "too cold"))
    return f"{_name(place, str(alarm.get('tray') or ''))} {words[0] if hot else words[1]}"


def _fact(alarm: Mapping[str, Any], speech: Speech, per_hour: float | None) -> tuple[str, str]:
    """What is wrong, with and without the trend."""
    kind, about = _kind(str(alarm["key"]))
    value, limit = alarm.get("value"), alarm.get("limit")
    if kind == "health" and about in SAID:
        text = _said(alarm)[0] or subject(alarm, speech)
        return text, text
    if kind in watches.LIKE_LIMITS or kind == "box":
        text = watches.fact(alarm, speech, _place_name(alarm))
        return text, text
    if kind != "limit" or value is None or limit is None:
        text = subject(alarm, speech)
        return text, text
    parts = str(alarm["key"]).split("/")
    quantity, hot = parts[2], str(alarm.get("side") or parts[-1]).startswith("high")
    name = _name(parts[1], str(alarm.get("tray") or ""))
    over = "over" if hot else "under"
    if (value < limit) if hot else (value > limit):
        over = f"was {over}"
    brief = f"{name} {speech.brief(quantity, value)} {over} {speech.brief(quantity, limit, unit=False)}"
    word = say.trend(quantity, per_hour)
    return (f"{brief}, {word}" if word else brief), brief


def _place_name(alarm: Mapping[str, Any]) -> str:
    """Where an alarm with a place in its key is, in words."""
    parts = str(alarm["key"]).split("/")
    return _name(parts[1] if len(parts) > 2 else "air", str(alarm.get("tray") or ""))


def _name(place: str, tray: str) -> str:
    if place == "bed" and tray and tray != "tray":
        return say.big_first(say.tray_name(tray).removeprefix("the "))
    return say.big_first(say.PLACE_SHORT.get(place, place))


def _kind(key: str) -> tuple[str, str]:
    kind, _, rest = key.partition("/")
    return kind, rest
