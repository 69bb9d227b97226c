"""Events, one line each, as a cook would tell them. What is bookkeeping only has no line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import events as stated
from kojimon.contract import keys
from kojimon.contract.state import Alarm, alarm_of
from kojimon.model import Event
from kojimon.units import show_duration, show_weight
from kojimon.words import alarms as alarm_words
from kojimon.words import boxes, deeds, endings, gates, outlook, summary
from kojimon.words import speech as say
from kojimon.words.alarms import Work
from kojimon.words.speech import Speech

EARLY_MS = 1_800_000
"""A step so long before its window is asked about."""
SOON_S = 3600
"""So soon after a mixing another is a surprise, and is said to be."""


class Line(Struct, frozen=True):
    """One line for a person; tone is `good`, `look`, `wrong` or `plain`."""

    text: str
    tone: str = "plain"


def line(event: Event, speech: Speech, work: Work | None = None) -> Line | None:
    """The event in words, or None when it says nothing to a person.

    Args:
        event: with its `utc` where wall time is known.
        speech: how the person is spoken to; unknown names are said as they are.
        work: what was done to the koji, for the action of an alarm.
    """
    if isinstance(event.what, _UNTOLD):
        return None
    if isinstance(event.what, deeds.KINDS):
        return _deed(event, speech)
    say_it = _KINDS.get(type(event.what))
    if say_it is None:
        return Line(f"{event.kind.replace('-', ' ')}: {event.key}")
    known = work or Work()
    return say_it(event, event.what, speech, replace(known, kind=speech.kinds.get(event.incubator, known.kind)))


class Teller:
    """Tells a run of events one by one, keeping in mind what was done to the koji of each box.

    Args:
        work_of: what was done to the koji of an event, where it is known better than from the events that are told.
    """

    def __init__(self, speech: Speech, work_of: Callable[[Event], Work] | None = None) -> None:
        self.speech, self._work_of = speech, work_of
        self._seen: dict[str, _Seen] = {}

    def tell(self, event: Event) -> Line | None:
        """The event's line; its place in the batch is remembered for the ones to come."""
        key, what = event.key, event.what
        if isinstance(what, stated.StepDone | stated.Window) and what.label and key not in self.speech.steps:
            self.speech = replace(self.speech, steps={**self.speech.steps, key: what.label})
        seen = self._seen.setdefault(event.incubator, _Seen())
        seen.take(event, self.speech.works)
        alarm = what if isinstance(what, stated.AlarmChange) else None
        if alarm and (seen.held_for_nothing(key, alarm) or (key == "test" and alarm.to == "NORM")):
            return None
        if alarm:
            event = replace(event, what=seen.shown_end(key, alarm))
        return line(event, self.speech, self._work_of(event) if self._work_of else seen.work(event.t_ms))


class _Seen:
    """The steps and windows of one box's batch, from its events. Times are engine ms."""

    def __init__(self) -> None:
        self.marks: dict[int, tuple[str, int]] = {}
        self.open: dict[str, str] = {}
        self.held: set[str] = set()
        self.heat_off = False
        self.ended: dict[str, stated.AlarmChange] = {}

    def held_for_nothing(self, key: str, what: stated.AlarmChange) -> bool:
        """Whether an alarm was held back, or comes out of that, without anybody having been told of it."""
        if what.to == "DSUPR" and what.was in ("UNACK", "ACKED"):
            self.held.add(key)
        told = key in self.held
        if what.was == "DSUPR" and what.to != "DSUPR":
            self.held.discard(key)
            return what.to == "NORM" and not told
        return what.to == "DSUPR" and not told

    def shown_end(self, key: str, what: stated.AlarmChange) -> stated.AlarmChange:
        """The change of an alarm, which ended while it was hidden where it comes out of that as normal: as it ended."""
        if what.event == "off" and what.to == what.was:
            self.ended[key] = what
        elif what.event == "on":
            self.ended.pop(key, None)
        hidden = self.ended.pop(key, None) if what.to == "NORM" and what.event != "off" else None
        return replace(hidden, was=what.was, to=what.to) if hidden and hidden.ended else what

    def take(self, event: Event, works: Mapping[str, str]) -> None:
        key, what = event.key, event.what
        match what:
            case stated.BatchStart():
                self.marks, self.open, self.heat_off = {}, {}, False
            case stated.Setpoint():
                self.heat_off = what.off
            case stated.StepOpen() | stated.StepDue():
                self.open[key] = works.get(key, "")
            case stated.StepDone():
                self.open.pop(key, None)
                work = works.get(key, "") if what.work == "none" else what.work
                self.marks[what.mark] = ("inoculate" if key == "inoculate" else work, what.at_ms or 0)
            case stated.StepUndone():
                self.marks.pop(what.mark, None)
            case stated.StepCorrected() if what.mark in self.marks:
                self.marks[what.mark] = (self.marks[what.mark][0], what.at_ms or 0)

    def work(self, t_ms: int) -> Work:
        zero = [at_ms for work, at_ms in self.marks.values() if work == "inoculate"]
        mixed = [at_ms for work, at_ms in self.marks.values() if work in alarm_words.MIX_WORKS]
        return Work(
            hour=(t_ms - min(zero)) / 3_600_000 if zero else None,
            mixed_ago_s=(t_ms - max(mixed)) / 1000 if mixed else None,
            mixes=len(mixed),
            mix_open=any(work in alarm_words.MIX_WORKS for work in self.open.values()),
            harvest_open="harvest" in self.open.values(),
            heat_off=self.heat_off,
        )


def _batch_start(event: Event, what: stated.BatchStart, speech: Speech, work: Work) -> Line:
    name, rice = what.name or event.key or event.batch, what.rice_kg
    return Line(f"Batch {name} begins{f' with {speech.mass(rice)} of rice' if rice else ''}.", "good")


def _batch_harvest(event: Event, what: stated.BatchHarvest, speech: Speech, work: Work) -> Line:
    got = what.yield_kg
    much = f": {speech.mass(got)} of koji" if got else ""
    unknown = "" if what.hours is not None else " Its hours are not known: nobody said when the spores went on."
    taste = " Look and smell before any taste; a good smell does not prove it safe."
    return Line(f"Harvested{much}.{unknown}{taste}", "good")


def _batch_discard(event: Event, what: stated.BatchDiscard, speech: Speech, work: Work) -> Line:
    return Line(f"Thrown away{f': {what.reason}' if what.reason else ''}.", "look")


def _note(event: Event, what: stated.Note, speech: Speech, work: Work) -> Line:
    return Line(f"Note: {what.text}")


def _weighed(event: Event, what: stated.Weighed, speech: Speech, work: Work) -> Line:
    empty = f", {show_weight(what.tare_kg, speech.pounds)} of its vessel taken off" if what.tare_kg else ""
    return Line(f"Weighed, {event.key}: {show_weight(what.kg, speech.pounds)}{empty}.")


def _unweighed(event: Event, what: stated.Unweighed, speech: Speech, work: Work) -> Line:
    return Line(f"The last weight as {event.key} is taken back.")


def _verdict(event: Event, what: stated.Verdict, speech: Speech, work: Work) -> Line:
    words, scores = what.words, what.scores
    senses = [
        f"{sense} {scores[sense]} of 5" if sense in scores else sense
        for sense in ("look", "smell", "taste")
        if sense in words or sense in scores
    ]
    said = "; ".join(filter(None, [*words.values(), what.text]))
    return Line(f"Your verdict: {', '.join(senses) or 'in words'}{f' ({said})' if said else ''}.")


def _stage(event: Event, what: stated.Stage, speech: Speech, work: Work) -> Line:
    label = what.label or speech.stage(event.key)
    return Line(f"Stage: {say.small_first(label) if label else 'none until the spores are on'}.")


def _window_open(event: Event, what: stated.StepOpen, speech: Speech, work: Work) -> Line:
    return Line(f"You can now{_window(event, what, speech, work)}")


def _window_due(event: Event, what: stated.StepDue, speech: Speech, work: Work) -> Line:
    return Line(f"Due now{_window(event, what, speech, work)}", "look")


def _window(event: Event, what: stated.Window, speech: Speech, work: Work) -> str:
    """The step, with its doubt; of a mixing right after another, for koji that stays hot, that it comes so."""
    ago_s, ago, after = work.mixed_ago_s, "", _doubt(what, speech)
    if ago_s is not None and ago_s <= SOON_S and speech.works.get(event.key) in alarm_words.MIX_WORKS:
        ago, after = f", {show_duration(ago_s)} after the last mixing", after or " See first whether it is still hot."
    return f"{ago}: {speech.step(event.key)}.{after}"


def _window_closed(event: Event, what: stated.StepMissed, speech: Speech, work: Work) -> Line | None:
    if what.optional or event.key in speech.optional:
        return None
    late = f" {deeds.OVERDUE}" if event.key == "harvest" else ""
    return Line(f"Missed: {speech.step(event.key)}{_until(event, what, speech)}.{late}{_doubt(what, speech)}", "look")


def _until(event: Event, what: stated.Window, speech: Speech) -> str:
    """` (until 01:57)`: the end of its window, which may be long past where its hours were entered late."""
    clock = _clock(event, event.t_ms if what.closes_ms is None else what.closes_ms, speech)
    return f" (until {clock})" if clock else ""


def _doubt(what: stated.Window, speech: Speech) -> str:
    return f" {said}" if (said := boxes.doubted(what.doubt, speech, what.too_hot)) else ""


def _step_done(event: Event, what: stated.StepDone, speech: Speech, work: Work) -> Line:
    asked, early = gates.answered(what.gate, speech), _early(what)
    if what.work == "look":
        return Line(f"Seen: {say.small_first(speech.step(event.key))}{_when(event, what.at_ms, speech)}.")
    return Line(f"Done: {speech.step(event.key)}{_when(event, what.at_ms, speech)}.{asked}{early}", "good")


def _early(what: stated.StepDone) -> str:
    """A step marked well before its window opens: perhaps the wrong button."""
    opens_ms, at_ms = what.opens_ms, what.at_ms
    if opens_ms is None or at_ms is None or opens_ms - at_ms < EARLY_MS:
        return ""
    return f" That is {show_duration((opens_ms - at_ms) / 1000)} early. By mistake? Take it back (kojimon undo)."


def _step_undone(event: Event, what: stated.StepUndone, speech: Speech, work: Work) -> Line:
    ago_s = 0 if what.at_ms is None else (event.t_ms - what.at_ms) // 60_000 * 60
    how = f" To put it back: kojimon batch done {event.key} --ago {show_duration(ago_s)}" if ago_s >= 3600 else ""
    return Line(f"Taken back: {speech.step(event.key)}.{how}")


def _step_corrected(event: Event, what: stated.StepCorrected, speech: Speech, work: Work) -> Line:
    return Line(f"Corrected: {speech.step(event.key)}{_when(event, what.at_ms, speech)}.")


def _when(event: Event, at_ms: int | None, speech: Speech) -> str:
    """The moment of a mark that was set later: `, at 14:20`, or `, 40 min before` where no wall time is known."""
    if at_ms is None or event.t_ms - at_ms < 60_000:
        return ""
    clock = _clock(event, at_ms, speech)
    return f", at {clock}" if clock else f", {show_duration((event.t_ms - at_ms) / 1000)} before"


def _clock(event: Event, t_ms: int, speech: Speech) -> str:
    """Wall time of an engine time near the event's, "" where the event carries none."""
    if not event.utc:
        return ""
    moment = say.moment_utc(event.utc) + timedelta(milliseconds=t_ms - event.t_ms)
    return speech.moment(moment.isoformat(), event.utc)


def _refused(event: Event, what: stated.Refused, speech: Speech, work: Work) -> Line:
    why = gates.refusal(what, speech) if what.at_gate else speech.refusal(what.reason or "no reason given")
    lead = "Not saved" if event.key == "reading" else "Not done"
    return Line(f"{lead}: {why if what.at_gate else say.small_first(why)}", "look")


def _unchanged(event: Event, what: stated.Unchanged, speech: Speech, work: Work) -> Line:
    return Line(f"Nothing to change: {what.reason or 'it is so already'}.")


def _alarm(event: Event, what: stated.AlarmChange, speech: Speech, work: Work) -> Line | None:
    tray = what.tray or speech.probes.get(what.probe, ("", ""))[1]
    alarm, signal = replace(alarm_of(event.key, what), tray=tray), what.event
    if what.to == what.was in ("SHLVD", "DSUPR", "OOSRV") and signal in ("on", "off", "up", "down"):
        return None  # it comes and goes while it is hidden
    if what.to == "UNACK" and signal not in ("off", "down"):
        return _called(alarm, signal, speech, work)
    if signal == "down":
        still = alarm_words.fact(alarm, speech)
        lead = "Within the critical limit again" if what.limit_now is None else "The schedule has come to another limit"
        return Line(f"{lead}, but still: {say.small_first(still)}.", "look")
    lead = {"ack": "Acknowledged", "reset": "Reset"}.get(signal) or _AFTER.get(what.to, "")
    if not lead or what.ended == "limit":
        return None
    until = _clock(event, what.until_ms, speech) if what.until_ms else ""
    lead = f"{lead} until {until}" if until and what.to == "SHLVD" else lead
    lead = f"{lead} ({what.reason})" if what.to == "OOSRV" and what.reason else lead
    about, span = say.small_first(alarm_words.subject(alarm, speech)), "for"
    if lead.startswith("Back to normal"):
        normal, about = endings.returned(alarm, speech)
        lead, span = lead.replace("Back to normal", normal), "for" if normal == "Back to normal" else "after"
    lasted = f", {span} {show_duration(what.lasted_ms / 1000)}" if what.lasted_ms else ""
    other = endings.not_normal(alarm, what, speech) if signal == "off" else ""
    text = f"{other or f'{lead}: {about}{lasted}'}."
    return Line(text, "good" if what.to in ("NORM", "RTNUN") and not other else "plain")


def _called(alarm: Alarm, signal: str, speech: Speech, work: Work) -> Line:
    head = alarm_words.headline(alarm, speech, work, alarm.rate_per_h)
    said = alarm.text and keys.of_site(keys.parse(alarm.key))
    detail = f"({alarm.text})" if said else alarm_words.checks(alarm, speech)
    again = {"re": "Again: ", "up": "Worse: "}.get(signal, "")
    return Line(f"{again}{say.ended(head)} {detail}".rstrip(), "wrong" if alarm.priority == "wake" else "look")


_AFTER = {
    "ACKED": "Acknowledged",
    "RTNUN": "Back to normal, not acknowledged",
    "NORM": "Back to normal",
    "SHLVD": "Shelved",
    "DSUPR": "Held while you work",
    "OOSRV": "Out of service",
    "LATCH-UNACK": "Back to normal, not acknowledged",
    "LATCH-ACK": "Back to normal, needs reset",
}


def _deed(event: Event, speech: Speech) -> Line | None:
    until_ms = getattr(event.what, "until_ms", None) or getattr(event.what, "ended_ms", None)
    at_ms = getattr(event.what, "at_ms", None)
    until = _clock(event, until_ms, speech) if until_ms else ""
    text, tone = deeds.told(event, speech, until, _when(event, at_ms, speech))
    return Line(text, tone) if text else None


def _clock_step(event: Event, what: stated.ClockStep, speech: Speech, work: Work) -> Line:
    step_s = what.step_ms / 1000
    way = "forward" if step_s >= 0 else "back"
    return Line(f"The clock was set {way} by {show_duration(abs(step_s))}. Nothing in the schedule moved.")


def _start(event: Event, what: stated.Start, speech: Speech, work: Work) -> Line:
    if what.gap_ms < 60_000:
        return Line("kojimon is watching.")
    return Line(f"kojimon is watching again. No readings for {show_duration(what.gap_ms / 1000)}.", "look")


def _stop(event: Event, what: stated.Stop, speech: Speech, work: Work) -> Line:
    return Line("kojimon has stopped watching.", "look")


def _settings(event: Event, what: stated.Settings, speech: Speech, work: Work) -> Line:
    return Line("New settings are in use.")


def _gap(event: Event, what: stated.Gap, speech: Speech, work: Work) -> Line:
    dropped, source = what.dropped, event.key
    if source == "journal":
        return Line(f"While the card failed, {dropped} readings were not saved; one a minute per probe was.", "look")
    return Line(f"Too much at once from {source}: {dropped} readings were dropped.", "look")


def _forecast(event: Event, what: stated.Forecast, speech: Speech, work: Work) -> Line | None:
    text, tone = outlook.told(event.key, what)
    return Line(text, tone) if text else None


def _calibration(event: Event, what: stated.Calibration, speech: Speech, work: Work) -> Line:
    if not what.points:
        return Line(f"The stored calibration of probe {event.key} is taken back.")
    return Line(f"Probe {event.key} calibrated{f': {what.note}' if what.note else ''}.", "good")


_UNTOLD = (stated.Repeated, stated.Anchor, stated.Ignored)
_KINDS: dict[type[stated.Fact], Callable[[Event, Any, Speech, Work], Line | None]] = {
    stated.BatchStart: _batch_start,
    stated.BatchHarvest: _batch_harvest,
    stated.BatchDiscard: _batch_discard,
    stated.Note: _note,
    stated.Verdict: _verdict,
    stated.Weighed: _weighed,
    stated.Unweighed: _unweighed,
    stated.Stage: _stage,
    stated.Warmth: lambda event, what, speech, work: Line(boxes.own_heat(event.key, what, speech), "look"),
    stated.StepOpen: _window_open,
    stated.StepDue: _window_due,
    stated.StepMissed: _window_closed,
    stated.StepDone: _step_done,
    stated.StepUndone: _step_undone,
    stated.StepCorrected: _step_corrected,
    stated.Refused: _refused,
    stated.Unchanged: _unchanged,
    stated.AlarmChange: _alarm,
    stated.ClockStep: _clock_step,
    stated.Start: _start,
    stated.Stop: _stop,
    stated.Settings: _settings,
    stated.Gap: _gap,
    stated.Summary: lambda event, what, speech, work: Line(*summary.told(what, event.t_ms, speech)),
    stated.Forecast: _forecast,
    stated.Calibration: _calibration,
}
