"""What a person has done about an alarm, the box or a probe, in words, where it is more than a change of its state."""

from __future__ import annotations

from typing import Final

from kojimon.contract import events
from kojimon.contract.state import Alarm
from kojimon.model import Event
from kojimon.words import alarms as alarm_words
from kojimon.words import question
from kojimon.words import speech as say
from kojimon.words.speech import Speech

OVERDUE: Final = "It may be making spores: wear an FFP2 or N95 mask, look, take it out, and end the batch."
"""Of koji past its latest harvest that is not known to be out."""
KINDS: Final = (
    events.Silenced, events.Confirmed, events.Working, events.Setpoint, events.ProbeTestBegin, events.ProbeTestMissed,
    events.ProbeMoved, events.ProbeBack, events.MixGuess, events.MixDenied,
    events.Reading, events.ReadingUndone, events.BatchReopened, events.BatchForgotten,
    events.Cooled,
)  # fmt: skip


def told(event: Event, speech: Speech, until: str, when: str = "") -> tuple[str, str]:
    """The words of an event of one of these kinds, and their tone.

    Args:
        until: time of day at which it ends, "" where it has no end or none is known.
        when: what stands behind something that was said later than it was: `, at 14:20`; else "".

    Returns "" for one that says nothing to a person.
    """
    key, what, ends = event.key, event.what, f" until {until}" if until else ""
    match what:
        case events.Silenced():
            found = f"Silenced{ends or ' for a while'}, not acknowledged: {_subject(key, speech)}.", "look"
        case events.Confirmed():
            found = f"Fixed: {_subject(key, speech)}{f' ({what.text})' if what.text else ''}.", "good"
        case events.Working():
            found = f"Working on the koji: alarms held{ends or ' meanwhile'}, except critical limits.", "plain"
        case events.Setpoint():
            to = "anew, its heat is on" if what.to_c is None else f"to {speech.value('temperature', what.to_c)}"
            found = "The heat is off, as you said." if what.off else f"The box is set {to}.", "plain"
        case events.ProbeBack():
            found = question.told(key, what, speech)
        case events.Cooled() | events.BatchForgotten() | events.BatchReopened():
            found = _of_batch(what, speech, until)
        case events.Reading() | events.ReadingUndone():
            found = _reading(what, speech, when)
        case events.ProbeMoved():
            found = _moved(key, what), "plain"
        case events.MixGuess() | events.MixDenied():
            found = question.told_mixed(what, when)
        case events.ProbeTestBegin():
            found = f"Waiting for you to warm probe {key}.", "plain"
        case _:
            found = f"Probe {key} was not warmed in time: the probe-to-phone test was not done.", "look"
    return found


def _subject(key: str, speech: Speech) -> str:
    return say.small_first(alarm_words.subject(Alarm(key), speech))


def _reading(what: events.Reading | events.ReadingUndone, speech: Speech, when: str) -> tuple[str, str]:
    spot, value = say.spot(what.place, what.quantity, what.tray), what.value
    if isinstance(what, events.ReadingUndone):
        return f"Taken back: {say.small_first(spot)} {speech.value(what.quantity, value)}, read by hand{when}.", "plain"
    text = f"Read by hand{when}: {say.small_first(spot)} {speech.value(what.quantity, value)}."
    if what.beyond is not None:
        return f"{text} {still_so(what, speech)}", "wrong"
    if what.back:
        return f"{text} Saved for the curve; it raises no alarm.", "plain"
    if what.probe_value is None:
        return text, "plain"
    far = speech.difference(what.quantity, abs(what.probe_value - value))
    other = f"{speech.value(what.quantity, what.probe_value)}, {far} {'more' if what.probe_value > value else 'less'}"
    return f"{text} Probe {what.probe} shows {other}: check where its tip is.", "look"


def still_so(what: events.Reading, speech: Speech) -> str:
    """That a reading which raises no alarm is beyond a limit, and what to do; "" where it is within, or was judged."""
    if what.beyond is None:
        return ""
    side = "over" if what.value >= what.beyond else "under"
    value, limit = (speech.brief(what.quantity, one) for one in (what.value, what.beyond))
    again = "Entered for an earlier time, it raises no alarm. If it is still so, enter it again for now, without --ago."
    return f"{value} is {side} the limit ({limit}). {again}"


def _forgotten(what: events.BatchForgotten, until: str) -> str:
    """`until`: the hour it probably ended, "" where the koji still seems to lie there."""
    name = what.name
    if what.ended_ms is None:
        return f"Batch {name}: the harvest is overdue, and the probe is still warm. {OVERDUE}"
    when = f", probably {until}" if until else ""
    return f"Batch {name} was never ended. Taken out{when}? Close it on the page, or: kojimon batch harvest --at TIME"


def _of_batch(
    what: events.Cooled | events.BatchForgotten | events.BatchReopened, speech: Speech, until: str
) -> tuple[str, str]:
    if isinstance(what, events.Cooled):
        where = f" at probe {what.probe}, if that is still in it" if what.probe else ""
        return f"The koji of batch {what.name} is cool: {speech.value('temperature', what.value_c)}{where}.", "good"
    return _reopened(what) if isinstance(what, events.BatchReopened) else _forgotten(what, until), "look"


def _reopened(what: events.BatchReopened) -> str:
    end = "harvest" if what.was == "batch-harvest" else "end"
    gap = say.span(what.gap_ms / 1000)
    unseen = f"For {gap} no limit was checked; " if gap != "now" else ""
    went = "the readings were saved" if unseen else "The readings were saved"
    return f"The {end} of batch {what.name} is taken back: kojimon goes on watching. {unseen}{went}."


def _moved(probe: str, what: events.ProbeMoved) -> str:
    before, tray = say.tray_name(what.before), say.tray_name(what.tray)
    if what.ended:
        return f"Probe {probe} counts for {tray} again, as in the settings."
    return f"Probe {probe} was moved from {before} to {tray}."
