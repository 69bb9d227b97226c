"""The night in one line."""

from __future__ import annotations

from kojimon.contract.alarms import Alarm
from kojimon.contract.events import Summary
from kojimon.contract.inputs import Woke
from kojimon.units import show_duration
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words.speech import Speech


def told(what: Summary, now_ms: int, speech: Speech) -> tuple[str, str]:
    """How the koji fared, who was called, what was done and what was not; and its tone.

    Args:
        now_ms: engine time of the event.
    """
    parts = [_koji(what, speech), _calls(what, now_ms, speech)]
    for lead, names in (("Done", what.done), ("Missed", what.missed)):
        if names:
            parts.append(f"{lead}: {say.listing([speech.step(name) for name in names])}.")
    return " ".join(filter(None, parts)), "look" if what.woke or what.missed or what.unheard else "good"


def _koji(what: Summary, speech: Speech) -> str:
    low, high = what.low_c, what.high_c
    if low is None or high is None:
        return "The night: the koji was not measured."
    return f"The night: koji {speech.brief('temperature', low, unit=False)} to {speech.brief('temperature', high)}."


def _calls(what: Summary, now_ms: int, speech: Speech) -> str:
    called = [_called_for(alarm, now_ms, speech) for alarm in what.woke]
    more = f"{what.told} thing{'s' if what.told != 1 else ''} to know." if what.told else ""
    lost = f"No message was sent over {say.listing([*what.unheard])}." if what.unheard else ""
    calls = f"{'Alarm' if lost else 'You were woken'}: {say.listing(called)}." if called else ""
    return " ".join(filter(None, [calls or ("" if lost else "No alarm woke you."), lost, more]))


def _called_for(woke: Woke, now_ms: int, speech: Speech) -> str:
    over = woke.lasted_ms is not None
    lasted_ms = now_ms - woke.since_ms if woke.lasted_ms is None else woke.lasted_ms
    subject = say.small_first(alarm_words.subject(Alarm(woke.key, tray=woke.tray, side=woke.side), speech))
    return f"{subject} for {show_duration(lasted_ms / 1000)}{'' if over else ', still so'}"
