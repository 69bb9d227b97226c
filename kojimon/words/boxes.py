"""What a kind of box is called, what it does to koji, and what kojimon cannot know in it, in words. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from kojimon.contract.events import Warmth
from kojimon.contract.steps import TOO_HOT_C, TooHot
from kojimon.model import BoxKind, Cover
from kojimon.units import show_duration
from kojimon.words.speech import Speech

KIND: Final = {
    BoxKind.STILL: "a still box with a thermostat",
    BoxKind.FAN: "a box with a fan",
    BoxKind.HEAT_MAT: "a heat mat",
    BoxKind.OVEN_LIGHT: "a box with a steady heat and no thermostat",
    BoxKind.UNKNOWN: "a box of unknown kind",
}
COVER: Final = {
    Cover.OPEN: "rice uncovered",
    Cover.CLOTH: "rice under a cloth",
    Cover.CLOTH_AND_PLASTIC: "rice under cloth and plastic",
    Cover.UNKNOWN: "",
}
COOL: Final = {
    BoxKind.STILL: "Turn box down, open it",
    BoxKind.FAN: "Turn the box down",
    BoxKind.HEAT_MAT: "Mat off, or lift tray off it",
    BoxKind.OVEN_LIGHT: "Lamp off, or open the door",
    BoxKind.UNKNOWN: "Less heat, or open it",
}
"""How a kind of box gets cooler, as short as a lock screen needs it; up to the first comma it says enough."""
COOL_IN_FULL: Final = {
    BoxKind.STILL: "Turn the box down or open it",
    BoxKind.FAN: "Turn the box down",
    BoxKind.HEAT_MAT: "Switch the mat off or lift the tray off it",
    BoxKind.OVEN_LIGHT: "Switch the lamp off or open the door",
    BoxKind.UNKNOWN: "Give it less heat: switch it off or open it",
}
OFF: Final = {
    BoxKind.STILL: "Box off, open it",
    BoxKind.FAN: "Heat off, fan on",
    BoxKind.HEAT_MAT: "Mat off, lift tray off it",
    BoxKind.OVEN_LIGHT: "Lamp off, open the door",
    BoxKind.UNKNOWN: "Heat off, open it",
}
"""At the koji's critical limit."""
UNHEATED: Final = {
    BoxKind.STILL: "Open the box",
    BoxKind.FAN: "Fan on, spread it thin",
    BoxKind.HEAT_MAT: "Lift the tray off the mat",
    BoxKind.OVEN_LIGHT: "Open the door",
    BoxKind.UNKNOWN: "Open it",
}
"""The same where somebody said that its heat is off."""
HEATS: Final = {BoxKind.HEAT_MAT: "mat", BoxKind.OVEN_LIGHT: "lamp", BoxKind.UNKNOWN: "heat"}
"""What heats it; "box" where it is not here."""
MEANS: Final = {
    BoxKind.HEAT_MAT: (
        "The air of a heat mat follows the room: kojimon cannot tell by it whether the mat is on.",
        "A mat can overheat the bottom of a tray while its middle reads 86 °F (30 °C). One probe: half-way down in the"
        " middle of the warmest tray. Another one: at the bottom.",
    ),
    BoxKind.OVEN_LIGHT: ("Without a thermostat the box gets as much colder as its room does.",),
    BoxKind.FAN: ("The air goes up and down with the thermostat: kojimon goes by half hours, not by each peak.",),
    BoxKind.UNKNOWN: (
        "Say what kind it is, for better advice, with `box: {kind: ...}`. Until then kojimon can tell you less.",
    ),
}
WRAPPED: Final = "A wrapped tray loses its heat slowly and can overheat from about hour 20."
"""Film with some holes passes less than a tenth of the vapour that would have to leave (derived, from Sato 1992)."""
UNFIT: Final = {
    (BoxKind.FAN, Cover.CLOTH): "A fan dries a cloth within two hours, and the rice after it. Wrap or lid each tray,"
    " with a few holes.",
    (BoxKind.FAN, Cover.OPEN): "The air of a fan dries open rice fast. Wrap or lid each tray, with a few holes.",
}
"""Pairs of box and cover that the schedules advise against (a wrung towel in moving air: 1.4 h, derived)."""
UNTOLD: Final = {
    "mat": "The air does not tell whether the heat mat is on.",
    "room": "The air of the box is hardly warmer than its room: it does not tell whether the box is on.",
}

WARMTH: Final = {
    "no-probe": "No probe is in the koji: kojimon cannot know whether it warms itself. Feel it, and go by the clock.",
    "by-hand": "Read by hand alone, the koji does not show in this box whether it warms itself. Feel it, and go by the"
    " clock.",
    "drying": "The koji has been far colder than the air, as wet rice in moving air is: kojimon cannot know whether it"
    " warms itself. Cover it, with a few holes.",
    "box-warmer": "The box has become much warmer: kojimon cannot know yet whether the koji warms itself. Look.",
    "heater": "No probe measures what heats the koji: kojimon cannot know whether it warms itself. Look and feel.",
}

DOUBT: Final = {
    "cold": "The koji is cold, or its box is off: it may have stopped before it was done.",
    "not-warmed": "This koji has not been seen to warm itself.",
    "no-probe": "No probe is in the koji: whether it has warmed itself cannot be known.",
    "by-hand": "Read by hand alone, the koji does not show whether it has warmed itself.",
    "no-reading": "There are too few readings of the koji: whether it has warmed itself cannot be known.",
    "drying": "The koji has stood far below the air: whether it has warmed itself cannot be known.",
    "box-warmer": "The box has become much warmer: whether the koji has warmed itself cannot be known yet.",
    "heater": "What heats the koji is not measured: whether it has warmed itself cannot be known.",
}
PROBE_OUT: Final = "It is not known whether the probe is in the koji: its heat may not have been watched. Look,"\
    " feel and smell."
TOO_HOT: Final = "The koji was over {} for {} in all, up to {}: it may be dead or spoilt. Look and smell."\
    " When in doubt, throw it out."
LOOK_FIRST: Final = "Look and smell before you go on; rice without white fuzz has not grown."


def doubted(why: str, speech: Speech, hot: TooHot | None = None) -> str:
    """What is said before work on koji that may not have grown, or may be harmed; "" where nothing is in doubt.

    Args:
        why, hot: `doubt` and `too_hot` of a step or of its window.
    """
    if why == "hot":
        hot = hot or TooHot(TOO_HOT_C, TOO_HOT_C, 3600.0)  # a window that an earlier version stated
        limit, peak = (speech.brief("temperature", value_c) for value_c in (hot.limit_c, hot.peak_c))
        return TOO_HOT.format(limit, show_duration(hot.for_s), peak)
    if why == "probe-out":
        return PROBE_OUT
    return f"{DOUBT.get(why, DOUBT['not-warmed'])} {LOOK_FIRST}" if why else ""


UNSEEN: Final = {
    "probe-out": "Nobody watches the koji in its hot hours: it is not known whether the probe is in it. Put it back, or"
    " feel the koji every two hours.",
    "by-hand": "The koji's hot hours begin, and it is read by hand alone. Read it every two hours, and mix it when it"
    " is hot.",
    "no-probe": "The koji's hot hours begin, and no probe is in it: kojimon cannot tell when it is too hot. Feel it"
    " every two hours, and mix it when it is hot.",
}


def own_heat(key: str, what: Warmth, speech: Speech) -> str:
    """What is said of the koji's own heat once it should have had it."""
    if key == "unseen":
        return UNSEEN.get(what.doubt, UNSEEN["probe-out"])
    if what.doubt == "cools":
        return "The koji has cooled for hours, without any work entered. The box is off, or the koji is done: look."
    if what.doubt:
        return f"The koji should warm itself by now. {doubted(what.doubt, speech)}"
    began, opens = (f"{hour or 0.0:.0f}" for hour in (what.hour, what.opens_hour))
    return f"The koji began late, about hour {began}, so it is done later: harvest from hour {opens}."


def named(kind: str, cover: str) -> str:
    """The box in a few words."""
    covered = COVER[Cover(cover)]
    return KIND[BoxKind(kind)] + (f", {covered}" if covered else "")


def means(kind: str, cover: str) -> Iterator[str]:
    """What the kind of box and the cover mean for whoever watches, in sentences."""
    yield from MEANS.get(BoxKind(kind), ())
    if (kind, cover) in UNFIT:
        yield UNFIT[BoxKind(kind), Cover(cover)]
    if cover == Cover.CLOTH_AND_PLASTIC:
        yield WRAPPED


def untold(why: str, koji_seen: bool) -> str:
    """Why nobody would be told by the air that the box went off; "" where somebody would.

    Args:
        why: `off_untold` of the state document.
        koji_seen: whether a probe sits in the koji, whose limits call all the same.
    """
    said = UNTOLD.get(why, "")
    return f"{said} The limits of the koji still raise alarms." if said and koji_seen else said
