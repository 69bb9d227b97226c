"""An alarm in a cook's words: its state, its first line of 60 characters, the one thing to do.

Alarms come as in the state document; one of an event is made into such a one by `contract.state.alarm_of`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import product
from typing import Final

from msgspec import Struct

from kojimon.contract import keys
from kojimon.contract.alarms import Alarm
from kojimon.model import BoxKind, Quality
from kojimon.words import boxes, watches
from kojimon.words import speech as say
from kojimon.words.health import HEALTH_ACTIONS, HEALTH_WORDS
from kojimon.words.speech import Speech

HEADLINE_MAX = 60
"""What a lock screen shows of a message (design)."""
WARM_AROUND_K = 2.0
"""Air so far above the limit that koji has fallen under would warm it (judgement)."""
BOX_ON_C = 27.0
"""Air that warm is a box that is on: koji boxes are kept at 28-32 °C (common practice, no source), a room seldom is."""
BACK_K = 1.0
"""So far below its limit hot koji is back (judgement: beyond every deadband, and half of it is noise)."""
FELL_K = 7.0
"""A reading so far below the limit of a hot alarm that stands is not the koji's (the engine asks for 8 K at once)."""
URGENT_LEFT_S = 6 * 3600
"""A time left beyond this helps nobody decide in the night, so it is not said."""
SWITCH_OFF = "Heater or oven on: switch it off"
"""At air as hot as no koji box is, whatever the alarm: no vent, for air may feed what smoulders."""
BACK = ("Back within limits", "Within limits: heat on?")
"""Of hot koji that is no more; the second where somebody said that its heat is off."""
MIX_WORKS = ("mix", "spread")
"""Works that let heat out of the koji."""

STATE_WORDS = {
    "NORM": "back to normal",
    "UNACK": "new",
    "ACKED": "acknowledged",
    "RTNUN": "back to normal, not acknowledged",
    "LATCH-UNACK": "back to normal, not acknowledged",
    "LATCH-ACK": "back to normal, needs reset",
    "SHLVD": "shelved",
    "DSUPR": "held while you work",
    "OOSRV": "out of service",
}
ENDS = {"batch": "not watched any more", "stage": "not watched any more", "limit": "another alarm goes on"}
"""How an alarm ended whose koji may be as it was."""
PRIORITY_WORDS = {"wake": "wakes you", "tell": "tells you by day", "log": "is logged"}
"""What it does."""

SAID = ("disk", "journal")
"""Health whose text begins with its true cause and the way out, both short."""

SILENT_WORDS = {
    1: ("sends late", "Check its network"),
    3: ("cannot be read", "Check plug and cable"),
    4: ("reports a fault", "Check plug and cable"),
    5: ("out of its range", "Check plug and cable"),
    6: ("jumps about", "Check plug and cable"),
    7: ("moves too fast", "Look where its tip is"),
    8: ("is stuck", "Unplug it, plug it in again"),
    9: ("is wet (100 %)", "Dry it, out of the drip"),
    10: ("drifts", "Calibrate it"),
    11: ("swapped with another?", "Look where each tip is"),
    12: ("out of the koji?", "Put its tip back in"),
    14: ("dropped off the network", "Check its power, network"),
    15: ("is switched off", "Switch it on"),
}
"""Why nothing can be used of a probe, by the number of `model.Quality`, and the way out."""


class Work(Struct, frozen=True):
    """What has been done to the koji, for the ladder of actions.

    Attributes:
        hour: hours since inoculation, None before.
        mixed_ago_s: time since the koji was last broken up, mixed or spread; None when never.
        mixes: how often that was done.
        mix_open, harvest_open: whether such a step may be done now.
        kind: what kind of box it lies in (`model.BoxKind`). heat_off: somebody said so.
    """

    hour: float | None = None
    mixed_ago_s: float | None = None
    mixes: int = 0
    mix_open: bool = False
    harvest_open: bool = False
    kind: str = BoxKind.UNKNOWN
    heat_off: bool = False

    def cooler(self, how: Mapping[BoxKind, str]) -> str:
        """How its box gets cooler, in the words of one of the tables in `boxes`."""
        return (boxes.UNHEATED if self.heat_off else how)[BoxKind(self.kind)]

    @property
    def cool(self) -> str:
        """How its box gets cooler, in brief."""
        return self.cooler(boxes.COOL)

    def is_on(self, check: str) -> str:
        """What to ask where it cools, and how to find out."""
        return "Its heat is off: on again?" if self.heat_off else f"Is the {self.heats} on? {check}"

    @property
    def heats(self) -> str:
        """What heats it, in a word."""
        return boxes.HEATS.get(BoxKind(self.kind), "box")


def alarm_state(alarm: Alarm, speech: Speech, now: str | int) -> str:
    """`new`, `acknowledged`, `shelved until 03:40`, ..."""
    state = alarm.state
    until = alarm.until_utc
    if state in ("SHLVD", "DSUPR") and until:
        return f"{STATE_WORDS[state]}{',' if state == 'DSUPR' else ''} until {speech.moment(until, now)}"
    silent = alarm.silent_until_utc
    if state == "UNACK" and silent:
        return f"silenced until {speech.moment(silent, now)}, not acknowledged"
    if state == "OOSRV" and alarm.reason:
        return f"{STATE_WORDS[state]} ({alarm.reason})"
    ends = ENDS.get(alarm.ended, "not known any more, read it again" if alarm.ended else STATE_WORDS["NORM"])
    return STATE_WORDS.get(state, state.lower()).replace(STATE_WORDS["NORM"], ends)


def action(alarm: Alarm, work: Work) -> str:
    """The one thing to do, as short as a lock screen needs it.

    For hot koji it is a ladder by stage and time since the last mixing (design): less heat, by the kind of box; break
    up; furrow or spread thinner; swap trays; harvest. At its critical limit the heat goes off first, but where the
    koji heats itself: cool air takes little from koji that lies thick. Once it is within its limits nothing is asked.
    """
    key = keys.parse(alarm.key)
    todo = ""
    if fierce(alarm):
        return SWITCH_OFF
    match key:
        case keys.Limit():
            odd = _warm_around(alarm) or _fallen_out(key, alarm) or _back(alarm, work)
            own = _hot_koji(work, alarm.own_heat)
            hot = work.cooler(boxes.OFF) if critical(alarm) else work.cool if heated(alarm) else ""
            both = f"{own}. {hot.split(', ')[0]}" if hot and alarm.own_heat else hot
            todo = odd or both or _limit_action(key, key.side, work, alarm.own_heat)
        case keys.Deviation() | keys.Exposure() | keys.TimeToLimit():
            way = watches.side_of(alarm)
            todo = _limit_action(key, way, work, alarm.own_heat) if way else "Look at the box"
            todo = work.cool if heated(alarm) else todo
        case keys.BOX_OFF:
            lamp = work.kind == BoxKind.OVEN_LIGHT  # without a thermostat a colder room does the same
            todo = "Lamp off, or room colder? Look" if lamp and not work.heat_off else work.is_on("Check plug")
        case keys.BOX_HOT:
            todo = "Turn it down or unplug it" if work.heats == "box" else "Switch it off or unplug it"
        case keys.Health(what):
            todo = (_said(alarm)[1] if what in SAID else "") or HEALTH_ACTIONS.get(_part(key, alarm), "")
        case keys.Silent():
            todo = SILENT_WORDS.get(alarm.quality, ("", "Check plug and cable"))[1]
    return todo or _FIXED_ACTIONS.get(key) or _FIXED_ACTIONS.get(type(key)) or "See: kojimon status"


def _part(key: keys.Health, alarm: Alarm) -> str:
    """What the words of a health alarm are chosen by: a broker that lets another have our name is not away."""
    return "client" if key.part == "broker" and alarm.text.startswith("Another client ") else key.part


_FIXED_ACTIONS: dict[keys.AlarmKey | type, str] = {
    keys.Blind: "Use a kitchen thermometer",
    keys.Expect: "Look and feel",
    keys.COOLING: "Spread it thin",
    keys.Test: "Only a test: Acknowledge",
}


def _said(alarm: Alarm) -> tuple[str, str]:
    """The cause and the thing to do, as the first two sentences of an alarm's own text say; "" where it has none."""
    sentences = alarm.text.split(". ")
    return (sentences[0], sentences[1]) if len(sentences) > 1 else ("", "")


def _warm_around(alarm: Alarm) -> str:
    """Koji is called too cold in warm air: it dries, or the probe lies elsewhere, or the box does what it can."""
    air_c, limit = alarm.air_c, alarm.limit
    cold = keys.parse(alarm.key) == keys.COLD_KOJI
    lies = cold and air_c is not None and limit is not None and air_c >= limit + WARM_AROUND_K
    if lies:
        return "Does the rice dry? Look" if alarm.dries else "Cold rice? Probe in it? Look"
    # A box as warm as koji boxes are kept is on; without a hotter setting it cannot do better (a sake finish at 37 °C).
    return "Heap it thicker, cover it" if cold and air_c is not None and air_c >= BOX_ON_C else ""


def heated(alarm: Alarm) -> bool:
    """Whether hot koji lies in air that is hotter still: what spreads it would warm it."""
    hot = keys.parse(alarm.key) in (keys.HOT_KOJI, keys.SOON_HOT)
    return hot and alarm.air_c is not None and alarm.value is not None and alarm.air_c > alarm.value


def critical(alarm: Alarm) -> bool:
    """Whether the koji is over its critical limit."""
    return keys.parse(alarm.key) == keys.HOT_KOJI and alarm.level == "high_high"


def fierce(alarm: Alarm) -> bool:
    """Whether it tells of air, or koji, so hot that a heater or an oven must be on."""
    key = keys.parse(alarm.key)
    seen = [alarm.air_c]
    if key == keys.BOX_HOT:
        seen += [alarm.value, alarm.limit]
    elif isinstance(key, keys.Limit) and key.quantity == "temperature" and key.place in ("air", "bed"):
        seen.append(alarm.value)
    return any(value is not None and value >= keys.FIERCE_C for value in seen)


def _fallen_out(key: keys.Limit, alarm: Alarm) -> str:
    """An alarm of hot koji stands though the probe reads far below, or is doubted: it fell further than koji can."""
    value, limit = alarm.value, alarm.limit
    fell = value is not None and limit is not None and (value <= limit - FELL_K or alarm.ended == "doubt")
    return "Is the probe in the koji? Look" if fell and key == keys.HOT_KOJI else ""


def _back(alarm: Alarm, work: Work) -> str:
    """Hot koji is within its limits again by readings of now, though its alarm stands: no more is asked of it."""
    value, limit = alarm.value, alarm.limit
    back = value is not None and limit is not None and value <= limit - BACK_K and alarm.rate_per_h is not None
    back = back and keys.parse(alarm.key) == keys.HOT_KOJI and not heated(alarm)
    return BACK[work.heat_off] if back else ""


def _limit_action(key: keys.Limit | keys.Watch, side: str, work: Work, own_heat: bool) -> str:
    place, hot = key.place, side == "high"
    if key.quantity == "humidity":
        return "Let a little damp air out" if hot else "Look: does the rice dry?"
    if place == "bed":
        return _hot_koji(work, own_heat) if hot else work.is_on("Look at it")
    if place == "room":
        return "Cool the room" if hot else "Warm the room"
    return work.cool if hot else work.is_on("Check plug")


def _hot_koji(work: Work, own_heat: bool) -> str:
    if work.harvest_open:
        return "Look: harvest or spread thin"
    if work.kind == BoxKind.HEAT_MAT and not work.heat_off:  # it heats the koji from below, whatever is done on top
        return work.cool
    lately = work.mixed_ago_s is not None and work.mixed_ago_s <= 3600
    if (work.mix_open or (own_heat and work.mixes == 0)) and not lately:
        return "Break up, spread"
    if (work.mixes == 0 or lately) and not own_heat:
        return work.cool
    return "Furrow, spread thin" if work.mixes == 1 else "Spread thin, swap trays"


class Ahead(Struct, frozen=True):
    """The next worse limit of an alarm, the time left until it, how old its value is; each None where unknown."""

    worse: float | None = None
    left_s: float | None = None
    age_s: float | None = None


UNKNOWN_AHEAD = Ahead()
_ENDS: Final = re.compile(r" \(|, | (?![°%]|(?:min|h|s|d)\b)")
"""Where a headline may end: before a bracket or comma, else between words, but not between a number and its unit."""


def headline(alarm: Alarm, speech: Speech, work: Work, per_hour: float | None, ahead: Ahead = UNKNOWN_AHEAD) -> str:
    """The first line of an alarm, 60 characters at most: what, value with its limit, the next limit and when, the act.

    Args:
        per_hour: slope of the value, K/h or %/h, None where unknown.

    Returns:
        e.g. `Top tray 110 °F (limit 109), 113 in 50 min. Break up, spread`.
    """
    fact, brief_fact = _fact(alarm, speech, per_hour, ahead.age_s)
    left = _left(alarm, speech, ahead)
    todo = action(alarm, work)
    first = todo.split(". ")[0]
    bare = first.split(", ")[0]
    facts = [f"{brief_fact}, {left}", brief_fact] if left else [fact, brief_fact]
    for parts in product(facts, dict.fromkeys((todo, first, bare))):
        line = say.joined([*parts])
        if len(line) <= HEADLINE_MAX:
            return line
    return f"{_cut(brief_fact, HEADLINE_MAX - len(bare) - 3)}. {bare}"[:HEADLINE_MAX]


def _cut(text: str, most: int) -> str:
    """The first phrases of a text that fit, else its first words; a number keeps its unit."""
    ends = [(mark.group() in (" (", ", "), mark.start()) for mark in _ENDS.finditer(text) if mark.start() <= most]
    phrase, end = max(ends, default=(False, most))
    return text[:end].rstrip() + ("" if phrase else "…")


def _left(alarm: Alarm, speech: Speech, ahead: Ahead) -> str:
    """`113 in 50 min`; "" where it is not known, or too far off to help."""
    key, worse, left_s = keys.parse(alarm.key), ahead.worse, ahead.left_s
    if not isinstance(key, keys.Limit) or worse is None or left_s is None or not 0 <= left_s < URGENT_LEFT_S:
        return ""
    span = say.span(left_s)
    return f"{speech.brief(key.quantity, worse, unit=False)} {span if span == 'now' else f'in {span}'}"


def subject(alarm: Alarm, speech: Speech) -> str:
    """What an alarm is about, without its value: `Top tray too warm`, `Probe koji-1 silent`, `Mixing late`."""
    key = keys.parse(alarm.key)
    match key:
        case keys.Limit():
            text = _limit_subject(key, alarm)
        case keys.Health():
            text = HEALTH_WORDS.get(_part(key, alarm), say.big_first(key.part)) + (f" ({key.name})" if key.name else "")
        case keys.Silent(probe):
            why = SILENT_WORDS.get(alarm.quality)
            text = f"Probe {probe} {why[0]}" if why else f"No reading from probe {probe}"
        case keys.Blind():
            text = "No reading from the koji"
        case keys.Test():
            text = "Test alarm"
        case keys.Expect(name) | keys.Other(name):
            cooling = f"Harvested koji {'warms again' if alarm.side else 'still warm'}" if key == keys.COOLING else ""
            text = cooling or alarm.label or name.replace("-", " ")
        case _:
            text = watches.subject(alarm, place_name(key, alarm))
    return text


def checks(alarm: Alarm, speech: Speech) -> str:
    """What to check, else why nothing can be used of a probe; "" for neither."""
    return f"Check: {speech.own_units(say.listing([*alarm.causes]))}." if alarm.causes else why_silent(alarm)


def why_silent(alarm: Alarm) -> str:
    """Why nothing can be used of a probe, as a sentence; "" of another alarm or where it says nothing."""
    quality = alarm.quality
    if not quality or not isinstance(keys.parse(alarm.key), keys.Silent):
        return ""
    gone = quality in (Quality.LOST, Quality.SIGNED_OFF)
    return f"{'It' if gone else 'Doubtful reading, not counted:'} {say.QUALITY_WORDS.get(quality, 'bad')}."


def fact(alarm: Alarm, speech: Speech) -> str:
    """What is wrong, with its value and limit: `Top tray 110 °F (limit 109)`."""
    return _fact(alarm, speech, None, None)[1]


def _limit_subject(key: keys.Limit, alarm: Alarm) -> str:
    words = {"humidity": ("too damp", "too dry")}.get(key.quantity, ("too warm", "too cold"))
    return f"{place_name(key, alarm)} {words[0] if key.side == 'high' else words[1]}"


def _fact(alarm: Alarm, speech: Speech, per_hour: float | None, age_s: float | None) -> tuple[str, str]:
    """What is wrong, with and without the trend; with its age where it is not of now."""
    key, value, limit = keys.parse(alarm.key), alarm.value, alarm.limit
    name = place_name(key, alarm)
    if isinstance(key, keys.Health) and key.what in SAID:
        text = _said(alarm)[0] or subject(alarm, speech)
        return text, text
    if isinstance(key, keys.Watch | keys.Box):
        text = watches.fact(alarm, speech, name)
        return text, text
    if not isinstance(key, keys.Limit) or value is None or limit is None:
        shown = f", {speech.brief('temperature', value)}" if key == keys.COOLING and value is not None else ""
        return (f"{subject(alarm, speech)}{shown}",) * 2
    quantity, hot = key.quantity, key.side == "high"
    edge = "limit" if hot else "under"
    if (value < limit) if hot else (value > limit):
        edge = "was over" if hot else "was under"
    old = f", {say.ago(age_s)}" if age_s is not None and age_s >= 60 else ""
    shown, bound = speech.brief(quantity, value), speech.brief(quantity, limit, unit=False)
    if edge != "limit":
        shown, bound = speech.beside(quantity, value, limit)
    brief = f"{name} {shown} ({edge} {bound}){old}"
    word = say.trend(quantity, per_hour)
    return (f"{brief}, {word}" if word else brief), brief


def place_name(key: keys.AlarmKey, alarm: Alarm) -> str:
    """Where an alarm is, in words: its tray, else its place; the air of the box for what has none."""
    place = key.place if isinstance(key, keys.Limit | keys.Watch) else "air"
    tray = alarm.tray
    if place == "bed" and tray and tray != "tray":
        return say.big_first(say.tray_name(tray).removeprefix("the "))
    return say.big_first(say.PLACE_SHORT.get(place, place))
