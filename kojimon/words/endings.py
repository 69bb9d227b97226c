"""How an alarm ended, in words: it is back to normal, or it is not known, or not watched any more."""

from __future__ import annotations

from kojimon.contract import keys
from kojimon.contract.alarms import Alarm
from kojimon.contract.events import AlarmChange
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words.speech import Speech

UNKNOWN = {
    "old": "nothing was read since", "work": "the koji was worked on since", "undone": "that is taken back",
}  # fmt: skip
"""Ends of an alarm that was read by hand: nobody has read it since its time was over, or since work on the koji."""


def returned(alarm: Alarm, speech: Speech) -> tuple[str, str]:
    """What is said of an alarm that is back to normal: a lead, and what was so: `Back to normal`, `top tray was too
    warm`. Of a probe that is read again neither, for what it reads may be beyond a limit."""
    key, text = keys.parse(alarm.key), say.small_first(alarm_words.subject(alarm, speech))
    name = say.small_first(alarm_words.place_name(key, alarm))
    match key:
        case keys.Silent(probe):
            return "Good readings again", f"probe {probe}"
        case keys.Blind():
            return "Readings again", "the koji"
        case keys.TimeToLimit():
            text = f"{name} was soon to be too hot"
        case keys.Limit() | keys.Deviation() | keys.Exposure():
            text = f"{name} was{text.removeprefix(name)}"
        case keys.Box():
            text = text.replace("seems", "seemed").replace(" is ", " was ")
    return "Back to normal", text


def not_normal(alarm: Alarm, what: AlarmChange, speech: Speech) -> str:
    """How an alarm ended (`what`) that did not come back to normal: its batch or stage is over, or the stage's limit is
    another now; "" of one that did."""
    key, limit = keys.parse(alarm.key), what.limit_now
    about = say.small_first(alarm_words.subject(alarm, speech))
    if alarm.key == "test":
        return "The test alarm is over, and nobody acknowledged it" if what.to == "RTNUN" else ""
    if what.ended in UNKNOWN:
        return f"Not known now, it was read by hand: {about}. {say.big_first(UNKNOWN[str(what.ended)])}. Read it again"
    if what.ended:
        return f"Not watched any more: {about}"
    if limit is None or not isinstance(key, keys.Limit):
        return ""
    now = "" if alarm.value is None else f" {speech.brief(key.quantity, alarm.value)}"
    where = say.small_first(alarm_words.place_name(key, alarm))
    return f"The schedule has come to another limit, {speech.brief(key.quantity, limit)}: {where}{now} is within it"
