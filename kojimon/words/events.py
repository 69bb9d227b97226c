"""Events, one line each, as a cook would tell them. What is bookkeeping only has no line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.state import Alarm, alarm_of
from kojimon.units import show_duration
from kojimon.words import alarms as alarm_words
from kojimon.words import deeds, gates, outlook
from kojimon.words import speech as say
from kojimon.words.alarms import Work
from kojimon.words.speech import Speech

EARLY_MS = 1_800_000
"""A step so long before its window is asked about."""


class Line(Struct, frozen=True):
    """One line for a person; tone is `good`, `look`, `wrong` or `plain`."""

    text: str
    tone: str = "plain"


def line(event: Mapping[str, Any], speech: Speech, work: Work | None = None) -> Line | None:
    """The event in words, or None when it says nothing to a person.

    Args:
        event: a `model.Event` as plain data.
        speech: how the person is spoken to; unknown names are said as they are.
        work: what was done to the koji, for the action of an alarm.
    """
    say_it = _KINDS.get(str(event["kind"]))
    if say_it is None:
        return Line(f"{str(event['kind']).replace('-', ' ')}: {event['key']}")
    return say_it(event, speech, work or Work())


class Teller:
    """Tells a run of events one by one, keeping in mind what was done to the koji of each box."""

    def __init__(self, speech: Speech) -> None:
        self.speech = speech
        self._seen: dict[str, _Seen] = {}

    def tell(self, event: Mapping[str, Any]) -> Line | None:
        """The event's line; its place in the batch is remembered for the ones to come."""
        kind, key, label = str(event["kind"]), str(event["key"]), event["data"].get("label")
        if label and kind in _OF_STEPS and key not in self.speech.steps:
            self.speech = replace(self.speech, steps={**self.speech.steps, key: str(label)})
        seen = self._seen.setdefault(str(event["incubator"]), _Seen())
        seen.take(event, self.speech.works)
        if kind == "alarm" and (seen.held_for_nothing(event) or (key == "test" and event["data"]["to"] == "NORM")):
            return None
        return line(event, self.speech, seen.work(event["t_ms"]))


class _Seen:
    """The steps and windows of one box's batch, from its events. Times are engine ms."""

    def __init__(self) -> None:
        self.marks: dict[int, tuple[str, int]] = {}
        self.open: dict[str, str] = {}
        self.held: set[str] = set()

    def held_for_nothing(self, event: Mapping[str, Any]) -> bool:
        """Whether an alarm was held back, or comes out of that, without anybody having been told of it."""
        key, data = str(event["key"]), event["data"]
        if data["to"] == "DSUPR" and data["from"] in ("UNACK", "ACKED"):
            self.held.add(key)
        told = key in self.held
        if data["from"] == "DSUPR" and data["to"] != "DSUPR":
            self.held.discard(key)
            return data["to"] == "NORM" and not told
        return data["to"] == "DSUPR" and not told

    def take(self, event: Mapping[str, Any], works: Mapping[str, str]) -> None:
        kind, key, data = str(event["kind"]), str(event["key"]), event["data"]
        work = str(data.get("work") or works.get(key, ""))
        if kind == "batch-start":
            self.marks, self.open = {}, {}
        elif kind in ("step-open", "step-due"):
            self.open[key] = work
        elif kind == "step-done":
            self.open.pop(key, None)
            self.marks[data.get("mark", 0)] = ("inoculate" if key == "inoculate" else work, data.get("at_ms", 0))
        elif kind == "step-undone":
            self.marks.pop(data.get("mark", 0), None)
        elif kind == "step-corrected" and data.get("mark") in self.marks:
            self.marks[data["mark"]] = (self.marks[data["mark"]][0], data.get("at_ms", 0))

    def work(self, t_ms: int) -> Work:
        zero = [at_ms for work, at_ms in self.marks.values() if work == "inoculate"]
        mixed = [at_ms for work, at_ms in self.marks.values() if work in alarm_words.MIX_WORKS]
        return Work(
            hour=(t_ms - min(zero)) / 3_600_000 if zero else None,
            mixed_ago_s=(t_ms - max(mixed)) / 1000 if mixed else None,
            mixes=len(mixed),
            mix_open=any(work in alarm_words.MIX_WORKS for work in self.open.values()),
            harvest_open="harvest" in self.open.values(),
        )


def _batch_start(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    data = event["data"]
    name = data.get("name") or event["key"] or event["batch"]
    rice = data.get("rice_kg")
    return Line(f"Batch {name} begins{f' with {speech.mass(rice)} of rice' if rice else ''}.", "good")


def _batch_harvest(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    got = event["data"].get("yield_kg")
    much = f": {speech.mass(got)} of koji" if got else ""
    return Line(f"Harvested{much}. Look and smell before any taste; a good smell does not prove it safe.", "good")


def _batch_discard(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    reason = event["data"].get("reason")
    return Line(f"Thrown away{f': {reason}' if reason else ''}.", "look")


def _note(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"Note: {event['data'].get('text', '')}")


def _verdict(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    data = event["data"]
    senses = [
        f"{sense} {data[f'{sense}_score']} of 5" if data.get(f"{sense}_score") else sense
        for sense in ("look", "smell", "taste")
        if data.get(sense) or data.get(f"{sense}_score")
    ]
    words = "; ".join(str(data[name]) for name in ("look", "smell", "taste", "text") if data.get(name))
    return Line(f"Your verdict: {', '.join(senses) or 'in words'}{f' ({words})' if words else ''}.")


def _stage(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"Stage: {say.small_first(event['data'].get('label') or speech.stage(str(event['key'])))}.")


def _step_open(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"May be done from now on: {speech.step(str(event['key']))}.")


def _step_due(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"Wanted now: {speech.step(str(event['key']))}.", "look")


def _step_missed(event: Mapping[str, Any], speech: Speech, work: Work) -> Line | None:
    if event["data"].get("optional") or event["key"] in speech.optional:
        return None
    return Line(f"Its time has passed undone: {speech.step(str(event['key']))}.", "look")


def _step_done(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    asked, early = gates.answered(event["data"].get("gate") or {}, speech), _early(event)
    return Line(f"Done: {speech.step(str(event['key']))}{_when(event, speech)}.{asked}{early}", "good")


def _early(event: Mapping[str, Any]) -> str:
    """A step marked well before its window opens: perhaps the wrong button."""
    opens_ms, at_ms = event["data"].get("opens_ms"), event["data"].get("at_ms")
    if opens_ms is None or at_ms is None or opens_ms - at_ms < EARLY_MS:
        return ""
    return f" That is {show_duration((opens_ms - at_ms) / 1000)} before its time. By mistake? Take it back."


def _step_undone(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"Taken back: {speech.step(str(event['key']))}.")


def _step_corrected(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"Corrected: {speech.step(str(event['key']))}{_when(event, speech)}.")


def _when(event: Mapping[str, Any], speech: Speech) -> str:
    """The moment of a mark that was set later: `, at 14:20`, or `, 40 min before` where no wall time is known."""
    at_ms = event["data"].get("at_ms")
    if at_ms is None or event["t_ms"] - at_ms < 60_000:
        return ""
    clock = _clock(event, at_ms, speech)
    return f", at {clock}" if clock else f", {show_duration((event['t_ms'] - at_ms) / 1000)} before"


def _clock(event: Mapping[str, Any], t_ms: int, speech: Speech) -> str:
    """Wall time of an engine time near the event's, "" where the event carries none."""
    if not event.get("utc"):
        return ""
    moment = say.moment_utc(event["utc"]) + timedelta(milliseconds=t_ms - event["t_ms"])
    return speech.moment(moment.isoformat(), event["utc"])


def _refused(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    data = event["data"]
    if data.get("code") in ("gate", "gate-unknown"):
        return Line(f"Not done: {gates.refusal(data, speech)}", "look")
    return Line(f"Not done: {data.get('reason', 'no reason given')}.", "look")


def _unchanged(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line(f"Nothing to change: {event['data'].get('reason') or 'it is so already'}.")


def _alarm(event: Mapping[str, Any], speech: Speech, work: Work) -> Line | None:
    data = event["data"]
    tray = data.get("tray") or speech.probes.get(str(data.get("probe", "")), ("", ""))[1]
    alarm = alarm_of(event["key"], {**data, "tray": tray})
    signal = str(data.get("event", ""))
    if data["to"] == data["from"] in ("SHLVD", "DSUPR", "OOSRV") and signal in ("on", "off", "up", "down"):
        return None  # it comes and goes while it is hidden
    if data["to"] == "UNACK" and signal not in ("off", "down"):
        return _called(alarm, signal, speech, work)
    if signal == "down":
        return Line(f"Less bad, still {say.small_first(alarm_words.subject(alarm, speech))}.", "look")
    lead = {"ack": "Acknowledged", "reset": "Reset"}.get(signal) or _AFTER.get(str(data["to"]))
    if lead is None or data.get("ended") == "limit":
        return None
    until = _clock(event, data["until_ms"], speech) if data.get("until_ms") else ""
    lead = f"{lead} until {until}" if until and data["to"] == "SHLVD" else lead
    lead = f"{lead} ({data['reason']})" if data["to"] == "OOSRV" and data.get("reason") else lead
    lasted = f", after {show_duration(data['lasted_ms'] / 1000)}" if data.get("lasted_ms") else ""
    other = alarm_words.not_normal(alarm, data, speech) if signal == "off" else ""
    text = f"{other or lead + ': ' + say.small_first(alarm_words.subject(alarm, speech)) + lasted}."
    return Line(text, "good" if data["to"] in ("NORM", "RTNUN") else "plain")


def _called(alarm: Alarm, signal: str, speech: Speech, work: Work) -> Line:
    head = alarm_words.headline(alarm, speech, work, alarm.rate_per_h, None)
    detail = f" Check: {say.listing([*alarm.causes])}." if alarm.causes else alarm_words.why_silent(alarm, " ")
    if alarm.text and keys.of_site(keys.parse(alarm.key)):
        detail = f" ({alarm.text})"
    again = {"re": "Again: ", "up": "Worse: "}.get(signal, "")
    return Line(f"{again}{say.ended(head)}{detail}", "wrong" if alarm.priority == "wake" else "look")


_AFTER = {
    "ACKED": "Acknowledged",
    "RTNUN": "Back to normal, not acknowledged",
    "NORM": "Back to normal",
    "SHLVD": "Paused",
    "DSUPR": "Held back while work goes on",
    "OOSRV": "Switched off for repair",
    "LATCH-UNACK": "Back to normal, not acknowledged",
    "LATCH-ACK": "Back to normal, needs reset",
}


def _deed(event: Mapping[str, Any], speech: Speech, work: Work) -> Line | None:
    until_ms = event["data"].get("until_ms") or event["data"].get("ended_ms")
    until = _clock(event, until_ms, speech) if until_ms else ""
    text, tone = deeds.told(event, speech, until, _when(event, speech))
    return Line(text, tone) if text else None


def _expectation(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    causes = [str(cause) for cause in event["data"].get("causes") or ()]
    label = str(event["data"].get("label") or event["key"]).rstrip(".")
    return Line(f"{label}.{f' Check: {say.listing(causes)}.' if causes else ''}", "look")


def _clock_step(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    step_s = event["data"].get("step_ms", 0) / 1000
    way = "forward" if step_s >= 0 else "back"
    return Line(f"The clock was set {way} by {show_duration(abs(step_s))}. Nothing in the schedule moved.")


def _start(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    gap_ms = event["data"].get("gap_ms") or 0
    if gap_ms < 60_000:
        return Line("Watching.")
    return Line(f"Watching again; nothing was seen for {show_duration(gap_ms / 1000)}.", "look")


def _stop(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line("Stopped watching.", "look")


def _settings(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    return Line("New settings are in force.")


def _gap(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    dropped, source = event["data"].get("dropped"), event["key"]
    if source == "journal":
        return Line(f"While the card failed {dropped} readings were not kept; one a minute and probe was.", "look")
    return Line(f"Too much at once from {source}: {dropped} readings were dropped and counted.", "look")


def _summary(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    """The night in one line: how the koji fared, who was called, what was done and what was not."""
    data = event["data"]
    parts = [_night_koji(data, speech), _night_calls(data, event["t_ms"], speech)]
    for lead, names in (("Done", data.get("done")), ("Its time passed undone", data.get("missed"))):
        if names:
            parts.append(f"{lead}: {say.listing([speech.step(str(name)) for name in names])}.")
    return Line(" ".join(filter(None, parts)), "look" if any(map(data.get, ("woke", "missed", "unheard"))) else "good")


def _night_koji(data: Mapping[str, Any], speech: Speech) -> str:
    low, high = data.get("low_c"), data.get("high_c")
    if low is None or high is None:
        return "The night: the koji was not measured."
    return f"The night: koji {speech.brief('temperature', low, unit=False)} to {speech.brief('temperature', high)}."


def _night_calls(data: Mapping[str, Any], now_ms: int, speech: Speech) -> str:
    called = [_called_for(alarm, now_ms, speech) for alarm in data.get("woke") or ()]
    more = f"{data['told']} thing{'s' if data['told'] != 1 else ''} to know." if data.get("told") else ""
    lost = f"Messages did not get out over {say.listing([*data['unheard']])}." if data.get("unheard") else ""
    calls = f"{'Called for' if lost else 'You were called'}: {say.listing(called)}." if called else ""
    return " ".join(filter(None, [calls or ("" if lost else "Nothing called."), lost, more]))


def _called_for(alarm: Mapping[str, Any], now_ms: int, speech: Speech) -> str:
    over = alarm["lasted_ms"] is not None
    lasted_ms = alarm["lasted_ms"] if over else now_ms - alarm["since_ms"]
    subject = say.small_first(alarm_words.subject(alarm_of(alarm["key"], alarm), speech))
    return f"{subject} for {show_duration(lasted_ms / 1000)}{'' if over else ', still so'}"


def _forecast(event: Mapping[str, Any], speech: Speech, work: Work) -> Line | None:
    text, tone = outlook.told(str(event["key"]), event["data"])
    return Line(text, tone) if text else None


def _calibration(event: Mapping[str, Any], speech: Speech, work: Work) -> Line:
    if not event["data"].get("points"):
        return Line(f"The stored calibration of probe {event['key']} is taken back.")
    note = event["data"].get("note")
    return Line(f"Probe {event['key']} calibrated{f': {note}' if note else ''}.", "good")


_OF_STEPS = ("step-done", "step-open", "step-due", "step-missed")
_KINDS: dict[str, Callable[[Mapping[str, Any], Speech, Work], Line | None]] = {
    "batch-start": _batch_start,
    "batch-harvest": _batch_harvest,
    "batch-discard": _batch_discard,
    "note": _note,
    "verdict": _verdict,
    "stage": _stage,
    "step-open": _step_open,
    "step-due": _step_due,
    "step-missed": _step_missed,
    "step-done": _step_done,
    "step-undone": _step_undone,
    "step-corrected": _step_corrected,
    "refused": _refused,
    "unchanged": _unchanged,
    **dict.fromkeys(("repeated", "anchor", "ignored"), lambda *_: None),
    "alarm": _alarm,
    **dict.fromkeys(deeds.KINDS, _deed),
    "expectation": _expectation,
    "clock-step": _clock_step,
    "start": _start,
    "stop": _stop,
    "settings": _settings,
    "gap": _gap,
    "summary": _summary,
    "forecast": _forecast,
    "calibration": _calibration,
}
