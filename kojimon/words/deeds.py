"""What a person has done about an alarm, the box or a probe, in words, where it is more than a change of its state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from kojimon.contract.state import alarm_of
from kojimon.words import alarms as alarm_words
from kojimon.words import question
from kojimon.words import speech as say
from kojimon.words.speech import Speech

KINDS: Final = (
    "silenced", "confirmed", "working", "setpoint", "probe-test-begin", "probe-test-missed", "probe-moved",
    "probe-back", "mix-guess", "reading", "batch-reopened", "batch-forgotten",
)  # fmt: skip


def told(event: Mapping[str, Any], speech: Speech, until: str, when: str = "") -> tuple[str, str]:
    """The words of an event of one of these kinds, and their tone.

    Args:
        until: time of day at which it ends, "" where it has no end or none is known.
        when: what stands behind something that was said later than it was: `, at 14:20`; else "".

    Returns "" for one that says nothing to a person.
    """
    kind, key, data = event["kind"], event["key"], event["data"]
    ends = f" until {until}" if until else ""
    if kind in ("silenced", "confirmed"):
        subject = say.small_first(alarm_words.subject(alarm_of(key, data), speech))
        note = f" ({data['text']})" if data.get("text") else ""
        quiet = f"No noise{ends or ' for a while'}, not acknowledged: {subject}."
        return (quiet, "look") if kind == "silenced" else (f"Dealt with: {subject}{note}.", "good")
    if kind in ("batch-reopened", "batch-forgotten", "reading"):
        return _of_batch(str(kind), data, speech, until, when)
    if kind == "working":
        return f"Hands are in the koji{ends}: its limits wait, but for the outermost.", "plain"
    if kind == "setpoint":
        to_c = data.get("to_c")
        return f"The box is set {'anew' if to_c is None else 'to ' + speech.value('temperature', to_c)}.", "plain"
    if kind in ("probe-back", "probe-moved"):
        return question.told(str(key), data, speech) if kind == "probe-back" else (_moved(str(key), data), "plain")
    return {
        "mix-guess": ("The koji cooled suddenly. If you mixed it, enter that step.", "look"),
        "probe-test-begin": (f"Waiting for probe {key} to be warmed.", "plain"),
        "probe-test-missed": (f"Probe {key} was not warmed in time: its way to the phone is not tested.", "look"),
    }[str(kind)]


def _reading(data: Mapping[str, Any], speech: Speech, when: str) -> tuple[str, str]:
    quantity, value = str(data.get("quantity", "temperature")), data.get("value")
    spot = say.spot(str(data.get("place", "bed")), quantity, str(data.get("tray", "")))
    text = f"Read by hand{when}: {say.small_first(spot)} {speech.value(quantity, value)}."
    if data.get("back"):
        return f"{text} Kept for the curve; it raises no alarm.", "plain"
    if data.get("probe") is None or value is None:
        return text, "plain"
    shown, far = data["probe_value"], speech.difference(quantity, abs(data["probe_value"] - value))
    other = f"{speech.value(quantity, shown)}, {far} {'more' if shown > value else 'less'}"
    return f"{text} Probe {data['probe']} shows {other}: look whether its tip is where it should be.", "look"


def _of_batch(kind: str, data: Mapping[str, Any], speech: Speech, until: str, when: str) -> tuple[str, str]:
    if kind == "reading":
        return _reading(data, speech, when)
    return (_reopened(data) if kind == "batch-reopened" else _forgotten(data, until)), "look"


def _forgotten(data: Mapping[str, Any], until: str) -> str:
    """`until`: the hour it probably ended, "" where the koji still seems to lie there."""
    name = data.get("name", "")
    if data.get("ended_ms") is None:
        return f"Batch {name}: its latest harvest is long past, and the probe is still warm. Look, take the koji out."
    when = f", probably {until}" if until else ""
    return f"Batch {name} was never ended. Taken out{when}? Close it: on the page, or kojimon batch harvest --at TIME."


def _reopened(data: Mapping[str, Any]) -> str:
    end = "harvest" if data.get("was") == "batch-harvest" else "end"
    gap = say.span((data.get("gap_ms") or 0) / 1000)
    unseen = f"For {gap} no limit was judged; " if gap != "now" else ""
    went = "what was measured is kept" if unseen else "What was measured is kept"
    return f"The {end} of batch {data.get('name', '')} is taken back: the watch goes on. {unseen}{went}."


def _moved(probe: str, data: Mapping[str, Any]) -> str:
    if data.get("ended"):
        return f"Probe {probe} is counted for {say.tray_name(str(data.get('tray', '')))} again, as in the settings."
    before, tray = (say.tray_name(str(data.get(name, ""))) for name in ("before", "tray"))
    return f"Probe {probe} was moved from {before} to {tray}."
