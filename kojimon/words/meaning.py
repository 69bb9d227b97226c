"""What each alarm means: likely causes, what happens if nothing is done, how long there is. Common practice, no source.

An alarm without these would not be a call for a response, only a line in a record; the night check refuses such a one.
"""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from kojimon.contract import keys
from kojimon.contract.alarms import Alarm
from kojimon.model import BoxKind
from kojimon.words import alarms as alarm_words
from kojimon.words import boxes
from kojimon.words.alarms import Work


class Meaning(Struct, frozen=True):
    """Causes and consequence in words, and the time to respond in seconds."""

    causes: tuple[str, ...]
    consequence: str
    respond_s: float


_HOT = Meaning(
    ("it warms itself and cannot lose the heat", "the box heats too much", "a lump, or too thick a layer"),
    "the koji overheats, the mould weakens and unwanted growth takes over",
    1500,
)
_COLD = Meaning(
    ("the box is off", "the room is cold", "the lid or the door is open"),
    "growth stops, and unwanted microbes gain",
    3600,
)
_BLIND = Meaning(
    ("its plug or cable", "its computer or radio", "the probe fell out"),
    "nobody notices if the koji gets too warm",
    900,
)
_SILENT = Meaning(_BLIND.causes, "nobody notices what happens there, and no limit there can raise an alarm", 900)
_DAEMON = Meaning(("see the text of the alarm",), "the next alarm may come late, or not be saved", 14_400)
_OF_KEY: dict[keys.AlarmKey, Meaning] = {
    keys.HOT_KOJI: _HOT,
    keys.COLD_KOJI: _COLD,
    keys.Limit("bed", "humidity", "high"): Meaning(("too little air",), "the koji gets wet and slimy", 7200),
    keys.Limit("bed", "humidity", "low"): Meaning(("too much air",), "the rice dries and the mould stops", 7200),
    keys.Limit("air", "temperature", "high"): Meaning(
        ("the thermostat sticks", "the probe lies on the heater"), "the koji cannot lose its heat", 3600
    ),
    keys.Limit("air", "temperature", "low"): Meaning(
        ("the box is off", "the lid is open", "the room is cold"), "the koji cools", 7200
    ),
    keys.Limit("air", "humidity", "high"): Meaning(
        ("too little air", "a wet sensor"), "the koji gets wet and slimy", 7200
    ),
    keys.Limit("air", "humidity", "low"): Meaning(
        ("a fan", "dry air in the room", "the lid is open"), "rice that lies open dries", 7200
    ),
    keys.BOX_OFF: Meaning(
        ("its plug, strip, GFCI or RCD", "its own timer", "the lid is open"), "the koji cools and growth stops", 3600
    ),
    keys.BOX_HOT: Meaning(
        ("the thermostat sticks", "a cover on the vents"), "the koji overheats, and something may burn", 900
    ),
    keys.COOLING: Meaning(
        ("it lies thick, or in a closed bag", "it is still in the warm box", "its probe lies elsewhere: look"),
        "it heats itself further, and makes spores", 7200,
    ),
    keys.Health("page"): Meaning(
        ("another program has its port", "its address is not this computer's"),
        "nobody can look or acknowledge from a phone; messages and kojimon status still work", 14_400,
    ),
}  # fmt: skip
_OF_PLACE: dict[str, Meaning] = {
    "room": Meaning(("heating, a window, the weather",), "the box cannot hold its temperature", 7200),
    "wet-bulb": Meaning(("its wick is dry, or the air is",), "the damp of the box is not known", 7200),
}
"""Limits on a place, of whatever quantity and side."""
_OF_KIND: dict[type, Meaning] = {
    keys.Silent: _SILENT,
    keys.Blind: _BLIND,
    keys.Expect: Meaning(("see the text of the alarm",), "the batch falls behind, or spoils", 7200),
    keys.Deviation: Meaning(
        ("the box is set otherwise", "the koji warms itself"), "growth is not what was planned", 3600
    ),
    keys.Exposure: Meaning(("it has been warm for long",), "the koji may taste of it; harvest may be near", 7200),
    keys.TimeToLimit: _HOT,
    keys.Health: _DAEMON,
    keys.Test: Meaning(("somebody tries out the alarm",), "nothing, but the night check is not passed", 300),
}


def meaning_of(text: str) -> Meaning | None:
    """What the alarm of a key means: by the key itself, its place, or its kind; None where it is not known."""
    key = keys.parse(text)
    placed = _OF_PLACE.get(key.place) if isinstance(key, keys.Limit) else None
    return _OF_KEY.get(key) or placed or _OF_KIND.get(type(key))


def unexplained(texts: Iterable[str]) -> list[str]:
    """Keys of alarms that lack cause, consequence, action or time to respond."""
    bad = []
    for text in texts:
        meaning = meaning_of(text)
        todo = alarm_words.action(Alarm(text), Work())
        if meaning is None or not (meaning.causes and meaning.consequence and meaning.respond_s > 0 and todo):
            bad.append(text)
    return bad


FIRE = "Smoke or a burning smell: cut the power at the breaker, get out"
"""Before anything else at a box too hot."""
RUNGS = (
    "",
    "Break the koji up and spread it",
    "Furrow it, spread it thinner",
    "Swap the trays",
    "Look whether it is done: harvest",
)
"""The first is that the box gets cooler, by its kind."""


def ladder(alarm: Alarm, work: Work) -> list[str]:
    """What to do about hot koji, one thing after the other, by stage and by the time since the last mixing; about a box
    too hot, what comes before anything else.

    Returns: the steps in order, for hot koji the first one what the first line of the message says; empty for others.
    """
    key = keys.parse(alarm.key)
    if alarm_words.fierce(alarm):
        return [FIRE, f"{alarm_words.SWITCH_OFF}, at the breaker if not at the device"]
    if key == keys.BOX_HOT:
        return [FIRE, alarm_words.action(alarm, work)]
    if key not in (keys.HOT_KOJI, keys.SOON_HOT) or work.hour is None:
        return []
    todo = alarm_words.action(alarm, work)
    if todo in alarm_words.BACK:
        return ["Nothing more now. Is the box off or open? Close it and switch it on again before the koji is cold"]
    cool = work.cooler(boxes.COOL_IN_FULL)
    if alarm_words.heated(alarm):
        return [cool]
    own, critical = alarm.own_heat, alarm_words.critical(alarm)
    order: tuple[int, ...] = (1, 2, 0) if own else (0, 1, 2)
    if work.harvest_open:
        order = (4, 2, 0)
    elif work.mixed_ago_s is not None and work.mixed_ago_s <= 3600:
        order = (2, 3, 0) if own else (0, 2, 3)
    elif work.mix_open or work.mixes:
        order = (1, 2, 0, 3) if work.mix_open else (2, 3, 0)
    if work.kind == BoxKind.HEAT_MAT and not (work.heat_off or work.harvest_open):
        order = (0, *(rung for rung in order if rung))
    first = [todo] if critical else []
    if critical and own:
        first, order = [f"{RUNGS[order[0]]}. {work.cooler(boxes.OFF)}"], order[1:]
    return first + [RUNGS[index] or cool for index in order if index or not first]
