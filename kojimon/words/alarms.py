"""An alarm in a cook's words: its state, its first line of 60 characters, the one thing to do.

Alarms come as in the state document; one of an event is made into such a one by `contract.state.alarm_of`.
"""

from __future__ import annotations

from msgspec import Struct

from kojimon.contract import keys
from kojimon.contract.alarms import Alarm
from kojimon.contract.events import AlarmChange
from kojimon.model import Quality
from kojimon.words import speech as say
from kojimon.words import watches
from kojimon.words.speech import Speech

HEADLINE_MAX = 60
"""What a lock screen shows of a message (design)."""
WARM_AROUND_K = 2.0
"""Air so far above the limit that koji has fallen under would warm it (judgement)."""
FELL_K = 7.0
"""A reading so far below the limit of a hot alarm that stands is not the koji's (the engine asks for 8 K at once)."""
URGENT_LEFT_S = 6 * 3600
"""A time left beyond this helps nobody decide in the night, so it is not said."""

COOL_BOX = "Turn box down, open it"
"""At hot koji in hotter air, before any work on the koji."""

SWITCH_OFF = "Heater or oven on: switch it off"
"""At air as hot as no koji box is, whatever the alarm: no vent, for air may feed what smoulders."""

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
UNKNOWN = {
    "old": "nothing was read since", "work": "the koji was worked on since", "undone": "that is taken back",
}  # fmt: skip
"""Ends of an alarm that was read by hand: nobody has read it since its time was over, or since work on the koji."""
PRIORITY_WORDS = {"wake": "yes", "tell": "no, told by day", "log": "no, only noted"}
"""Does it wake the sleeper?"""

HEALTH_WORDS = {
    "disk": "Disk trouble",
    "clock": "Clock not set",
    "broker": "MQTT broker away",
    "client": "Another client has our name",
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
    "client": "Change client_id",
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
        mix_open, harvest_open: whether such a step may be done now.
    """

    hour: float | None = None
    mixed_ago_s: float | None = None
    mixes: int = 0
    mix_open: bool = False
    harvest_open: bool = False


def alarm_state(alarm: Alarm, speech: Speech, now: str | int) -> str:
    """`new`, `acknowledged`, `paused until 03:40`, ..."""
    state = alarm.state
    until = alarm.until_utc
    if state == "SHLVD" and until:
        return f"paused until {speech.moment(until, now)}"
    silent = alarm.silent_until_utc
    if state == "UNACK" and silent:
        return f"new, no noise until {speech.moment(silent, now)}"
    if state == "OOSRV" and alarm.reason:
        return f"{STATE_WORDS[state]} ({alarm.reason})"
    words = STATE_WORDS.get(state, state.lower())
    return words.replace(STATE_WORDS["NORM"], "no longer known, read it again") if alarm.ended in UNKNOWN else words


def action(alarm: Alarm, work: Work) -> str:
    """The one thing to do, as short as a lock screen needs it.

    For hot koji it is a ladder by stage and time since the last mixing (design): vent or turn the box down; break up;
    furrow or spread thinner; swap trays; harvest.
    """
    key = keys.parse(alarm.key)
    todo = ""
    if fierce(alarm):
        return SWITCH_OFF
    match key:
        case keys.Limit():
            odd = _warm_around(alarm) or _fallen_out(key, alarm)
            todo = odd or (COOL_BOX if heated(alarm) else _limit_action(key, key.side, work))
        case keys.Deviation() | keys.Rate() | keys.Exposure() | keys.Recovery() | keys.TimeToLimit():
            way = watches.side_of(alarm)
            todo = _limit_action(key, way, work) if way else "Look at the box"
            todo = COOL_BOX if heated(alarm) else todo
        case keys.Health(what):
            todo = (_said(alarm)[1] if what in SAID else "") or HEALTH_ACTIONS.get(_part(key, alarm), "")
        case keys.Silent():
            todo = SILENT_WORDS.get(alarm.quality, ("", "Check plug and cable"))[1]
    return todo or _FIXED_ACTIONS.get(key) or _FIXED_ACTIONS.get(type(key)) or "See: kojimon status"


def _part(key: keys.Health, alarm: Alarm) -> str:
    """What the words of a health alarm are chosen by: a broker that lets another have our name is not away."""
    return "client" if key.part == "broker" and alarm.text.startswith("Another client ") else key.part


_FIXED_ACTIONS: dict[keys.AlarmKey | type, str] = {
    keys.BOX_OFF: "Is the box on? Check plug",
    keys.BOX_HOT: "Turn it down or unplug it",
    keys.Blind: "Use a kitchen thermometer",
    keys.Step: "Do it, or say when you did",
    keys.Expect: "Look and feel",
    keys.Test: "Only a test: Acknowledge",
}


def _said(alarm: Alarm) -> tuple[str, str]:
    """The cause and the thing to do, as the first two sentences of an alarm's own text say; "" where it has none."""
    sentences = alarm.text.split(". ")
    return (sentences[0], sentences[1]) if len(sentences) > 1 else ("", "")


def _warm_around(alarm: Alarm) -> str:
    """Koji is called too cold while the box's air is warmer than that limit: it dries, or the probe lies elsewhere."""
    air_c, limit = alarm.air_c, alarm.limit
    cold = keys.parse(alarm.key) == keys.COLD_KOJI
    lies = cold and air_c is not None and limit is not None and air_c >= limit + WARM_AROUND_K
    if lies and alarm.dries:
        return "It dries: cover it, with holes"
    return "Probe out, or it dries: look" if lies else ""


def heated(alarm: Alarm) -> bool:
    """Whether hot koji lies in air that is hotter still: what spreads it would warm it."""
    hot = keys.parse(alarm.key) in (keys.HOT_KOJI, keys.SOON_HOT)
    return hot and alarm.air_c is not None and alarm.value is not None and alarm.air_c > alarm.value


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
    """An alarm of hot koji stands though the probe reads far below: it fell further than koji can."""
    value, limit = alarm.value, alarm.limit
    fell = key == keys.HOT_KOJI and value is not None and limit is not None and value <= limit - FELL_K
    return "Is the probe in the koji? Look" if fell else ""


def _limit_action(key: keys.Limit | keys.Watch, side: str, work: Work) -> str:
    place, hot = key.place, side == "high"
    if key.quantity == "humidity":
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


def headline(alarm: Alarm, speech: Speech, work: Work, per_hour: float | None, left_s: float | None) -> str:
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
        line = say.joined(parts)
        if len(line) <= HEADLINE_MAX:
            return line
    room = HEADLINE_MAX - len(bare) - 3
    return f"{brief_fact[:room].rstrip()}…. {bare}"[:HEADLINE_MAX]


def subject(alarm: Alarm, speech: Speech) -> str:
    """What an alarm is about, without its value: `Top tray too warm`, `Probe koji-1 silent`, `Mixing late`."""
    key = keys.parse(alarm.key)
    match key:
        case keys.Limit():
            text = _limit_subject(key, alarm)
        case keys.Health():
            text = HEALTH_WORDS.get(_part(key, alarm), say.big_first(key.part)) + (f" ({key.name})" if key.name else "")
        case keys.Step(name):
            text = f"{say.big_first(speech.step(name))}: late"
        case keys.Silent(probe):
            text = f"Probe {probe} {SILENT_WORDS.get(alarm.quality, ('silent',))[0]}"
        case keys.Blind():
            text = "The koji cannot be seen"
        case keys.Test():
            text = "Test alarm"
        case keys.Expect(name) | keys.Other(name):
            text = alarm.label or name.replace("-", " ")
        case _:
            text = watches.subject(alarm, _place_name(key, alarm))
    return text


def not_normal(alarm: Alarm, what: AlarmChange, speech: Speech) -> str:
    """How an alarm ended that did not come back to normal: its batch or stage is over, or the stage's limit is another
    now; "" of one that did.

    Args:
        what: of the event of its end.
    """
    key, limit = keys.parse(alarm.key), what.limit_now
    about = say.small_first(subject(alarm, speech))
    if what.ended in UNKNOWN:
        return f"No longer known: {about}, read by hand; {UNKNOWN[str(what.ended)]}. Read it again"
    if what.ended:
        return f"No longer watched: {about}"
    if limit is None or not isinstance(key, keys.Limit):
        return ""
    now = "" if alarm.value is None else f", at {speech.brief(key.quantity, alarm.value)}"
    return f"The limit is {speech.brief(key.quantity, limit)} now: no longer called {about}{now}"


def why_silent(alarm: Alarm, lead: str = "") -> str:
    """Why nothing can be used of a probe, as a sentence after `lead`; "" of another alarm or where it says nothing."""
    quality = alarm.quality
    if not quality or not isinstance(keys.parse(alarm.key), keys.Silent):
        return ""
    gone = quality in (Quality.LOST, Quality.SIGNED_OFF)
    return f"{lead}{'It is' if gone else 'What it says is not used:'} {say.QUALITY_WORDS.get(quality, 'bad')}."


def _limit_subject(key: keys.Limit, alarm: Alarm) -> str:
    words = {"humidity": ("too damp", "too dry")}.get(key.quantity, ("too warm", "too cold"))
    return f"{_place_name(key, alarm)} {words[0] if key.side == 'high' else words[1]}"


def _fact(alarm: Alarm, speech: Speech, per_hour: float | None) -> tuple[str, str]:
    """What is wrong, with and without the trend."""
    key, value, limit = keys.parse(alarm.key), alarm.value, alarm.limit
    name = _place_name(key, alarm)
    if isinstance(key, keys.Health) and key.what in SAID:
        text = _said(alarm)[0] or subject(alarm, speech)
        return text, text
    if isinstance(key, keys.Watch | keys.Box):
        text = watches.fact(alarm, speech, name)
        return text, text
    if not isinstance(key, keys.Limit) or value is None or limit is None:
        text = subject(alarm, speech)
        return text, text
    quantity, hot = key.quantity, key.side == "high"
    over = "over" if hot else "under"
    if (value < limit) if hot else (value > limit):
        over = f"was {over}"
    brief = f"{name} {speech.brief(quantity, value)} {over} {speech.brief(quantity, limit, unit=False)}"
    word = say.trend(quantity, per_hour)
    return (f"{brief}, {word}" if word else brief), brief


def _place_name(key: keys.AlarmKey, alarm: Alarm) -> str:
    """Where an alarm is, in words: its tray, else its place; the air of the box for what has none."""
    place = key.place if isinstance(key, keys.Limit | keys.Watch) else "air"
    tray = alarm.tray
    if place == "bed" and tray and tray != "tray":
        return say.big_first(say.tray_name(tray).removeprefix("the "))
    return say.big_first(say.PLACE_SHORT.get(place, place))
