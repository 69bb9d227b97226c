"""A message in words: a first line of 60 characters, then what a woken person asks next. Pure.

In order: since when and how often; what goes with it; where it is going; what happens if nothing is done; how sure that
is; what was done; what to do; what the daemon does next.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final
from urllib.parse import urlsplit

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.events import AlarmChange, MixGuess
from kojimon.contract.state import Alarm, Box, Document, Probe, alarm_of
from kojimon.model import Event
from kojimon.notify.records import Send
from kojimon.units import show_duration
from kojimon.words import alarms as alarm_words
from kojimon.words import endings, question, status
from kojimon.words import events as event_words
from kojimon.words import speech as say
from kojimon.words.alarms import HEADLINE_MAX, Work
from kojimon.words.listed import detail
from kojimon.words.meaning import FIRE, ladder, meaning_of
from kojimon.words.speech import Speech

DISAGREE_K: Final = 2.0
"""Probes in the koji further apart than this do not agree (trays differ by some, judgement)."""
LISTED: Final = 30
"""Lines a digest lists; the rest is counted."""



class Text(Struct, frozen=True):
    """What a person reads."""

    title: str
    body: str


class Desk(Struct, frozen=True):
    """What the words hang on besides the message.

    Attributes:
        document: the state document with its wall times, as the page shows it.
        utc_of: engine ms to (UTC ms, trusted).
        now_ms: engine time now.
        attempts: how often each channel got a message of this call out, by name; `failing` those that do not.
        unrecorded: it could not be written down yet.
        page: address of the page, "" where there is none.
    """

    document: Document
    utc_of: Callable[[int], tuple[int, bool]]
    now_ms: int
    attempts: Mapping[str, int] = {}
    failing: Sequence[str] = ()
    unrecorded: bool = False
    page: str = ""


def compose(send: Send, events: Sequence[Event], desk: Desk) -> Text:
    """The words of a message.

    Args:
        send: what is sent. events: those it is about, the one to speak of first in front.
    """
    speech = status.speech_of(desk.document)
    if send.kind in ("digest", "flood"):
        return _folded(send, events, desk, speech)
    if send.kind == "over":
        return _over(events, desk, speech)
    first = events[0]
    if first.kind != "alarm":
        line = event_words.line(_dated(first, desk), speech, _work(first, desk))
        text = f"{_of_box(first, desk)}{line.text if line else first.kind}"
        return Text(_short(text), "\n".join(filter(None, [text, *_advice(first, desk), _unset(desk)])))
    return _call(send, events, desk, speech)


# -- a call ------------------------------------------------------------------------------------------------------


def _call(send: Send, events: Sequence[Event], desk: Desk, speech: Speech) -> Text:
    first = events[0]
    box, alarm = _box(first.incubator, desk), _alarm(first, desk)
    if first.key == "test":
        return _test(send, first, desk, speech)
    work = status.work_of(box, desk.now_ms) if box is not None else Work()
    lines = [
        f"{FIRE}." if alarm_words.fierce(alarm) or any(event.key == str(keys.BOX_HOT) for event in events) else "",
        f"Box: {box.label}." if box is not None and _of_box(first, desk) else "",
        _worse(send, events),
        _since(first, alarm, desk, speech),
        detail(alarm, speech),
        *_with_it(events, desk, speech),
        _going(alarm, box, desk, speech),
        _consequence(first),
        _sure(alarm, box, speech),
        _done(work),
        _todo(alarm if box is None else status.at_present(alarm, box)[0], work),
        how_to_stop(desk.page),
        _next(send, events, desk),
        _mark(send, desk),
    ]
    title = status.first_line(alarm, box, speech, desk.now_ms)
    return Text(title[:HEADLINE_MAX], "\n".join(filter(None, lines)))


def _test(send: Send, first: Event, desk: Desk, speech: Speech) -> Text:
    text = _facts(first).text or "Test"
    press = "This is only a test. Press Acknowledge on this phone: that passes the night check."
    since = _since(first, _alarm(first, desk), desk, speech)
    lines = [text, since, press, how_to_stop(desk.page), _mark(send, desk)]
    return Text("TEST ONLY. Press Acknowledge to pass the night check", "\n".join(filter(None, lines)))


def _worse(send: Send, events: Sequence[Event]) -> str:
    if send.kind == "worse":
        return "It has got worse since the last message."
    comes = send.kind != "update" and len({(e.incubator, e.key) for e in events}) == 1 and len(events) > 1
    return f"It comes and goes: {len(events)} times so far. This one message stands for all." if comes else ""


def _since(event: Event, alarm: Alarm, desk: Desk, speech: Speech) -> str:
    since_ms = alarm.since_t_ms or event.t_ms
    lasted = say.span((desk.now_ms - since_ms) / 1000)
    number = _facts(event).occurrence or 1
    turn = f", {_ordinal(number)} time" if number > 1 else ""
    utc_ms, trusted = desk.utc_of(since_ms)
    if not trusted:
        return f"Began {lasted} ago{turn} (clock not set)." if lasted != "now" else f"Began now{turn} (clock not set)."
    began = speech.moment(utc_ms, desk.utc_of(desk.now_ms)[0])
    return f"Since {began}{turn}." if lasted == "now" else f"Since {began} ({lasted}){turn}."


def _ordinal(number: int) -> str:
    ends = {1: "st", 2: "nd", 3: "rd"}
    return f"{number}{'th' if number % 100 in (11, 12, 13) else ends.get(number % 10, 'th')}"


def _with_it(events: Sequence[Event], desk: Desk, speech: Speech) -> list[str]:
    """The other alarms of the same cause, the one that came first in front."""
    others = {(event.incubator, event.key): event for event in events[1:]}
    others.pop((events[0].incubator, events[0].key), None)
    if not others:
        return []
    told = sorted([events[0], *others.values()], key=lambda event: event.no)
    names = [f"{n}. {alarm_words.subject(_alarm(event, desk), speech)}" for n, event in enumerate(told, 1)]
    return ["In the order they came:", *names]


def _going(alarm: Alarm, box: Box | None, desk: Desk, speech: Speech) -> str:
    if alarm.in_10 is not None and alarm.early_s is not None and alarm.late_s is not None:
        early, late = say.span(alarm.early_s), say.span(alarm.late_s)
        return f"Forecast: there in {early} to {late} if left alone ({say.chances(alarm.in_10)})."
    key = keys.parse(alarm.key)
    if box is None or not isinstance(key, keys.Limit):
        return ""
    fresh, _ = status.at_present(alarm, box)
    per_hour = fresh.rate_per_h
    word = say.trend(key.quantity, per_hour)
    if not word or per_hour is None:
        return ""
    left_s = status.left_s(fresh, box, per_hour)
    ahead = status.foreseen(fresh, box)
    how = f"forecast, {say.chances(ahead.in_10)}" if ahead and ahead.s == left_s else "if it goes on like this"
    worse = f"; next limit in about {say.span(left_s)} ({how})" if left_s is not None else ""
    rate = "" if word == "steady" else f" {speech.slope(key.quantity, per_hour)}"
    return f"{say.big_first(word)}{rate}{worse}."


def _consequence(event: Event) -> str:
    meaning = meaning_of(event.key)
    if meaning is None:
        return ""
    what = _facts(event)
    causes = "" if what.causes or what.text else f" Likely: {say.either(meaning.causes)}."
    return f"If nothing is done, {meaning.consequence}.{causes}"


def _sure(alarm: Alarm, box: Box | None, speech: Speech) -> str:
    """How far the reading can be trusted: its age, and whether its neighbours agree."""
    alarm, read_s = status.at_present(alarm, box) if box is not None else (alarm, None)
    own = next((p for p in box.probes if p.name == alarm.probe), None) if box is not None else None
    if own is None and read_s is not None:
        return f"How sure: read by hand {say.ago(read_s)}."
    if box is None or own is None or own.value is None:
        return ""
    age = f"How sure: last reading of probe {own.name} {show_duration(own.age_s or 0)} ago"
    same = (own.place, own.quantity)
    others = [
        (p, p.value) for p in box.probes
        if p is not own and (p.place, p.quantity) == same and p.value is not None and not p.silent
    ]  # fmt: skip
    if not others:
        near = [
            f"{_label(p)} {speech.value(p.quantity, p.value)}" for p in box.probes
            if (p.quantity, p.place in ("bed", "air")) == (own.quantity, True) and p.value is not None
            and p is not own and not p.silent
        ]  # fmt: skip
        beside = f"elsewhere in the box: {say.listing(near)}" if near else "no other probe to compare with"
        return f"{age}; {beside}."
    shown = say.listing([f"{_label(p)} {speech.value(p.quantity, value)}" for p, value in others])
    apart = max(abs(value - own.value) for _, value in others)
    doubt = own.quantity == "temperature" and apart > DISAGREE_K
    return f"{age}; {shown}.{' They disagree: check with a kitchen thermometer.' if doubt else ''}"


def _label(probe: Probe) -> str:
    return say.where(probe.place, probe.tray) if probe.place == "bed" and probe.tray else probe.name


def _done(work: Work) -> str:
    if work.mixed_ago_s is None:
        return ""
    return f"Last mixed {say.span(work.mixed_ago_s)} ago, {work.mixes} time{'s' if work.mixes != 1 else ''} so far."


def _todo(alarm: Alarm, work: Work) -> str:
    steps = ladder(alarm, work)
    if alarm_words.fierce(alarm):
        return f"Do: {say.ended(steps[-1])}"
    if len(steps) == 1:
        return f"Do: {say.ended(steps[0])}"
    if not steps or steps[0] == FIRE:
        return f"Do: {say.ended(alarm_words.action(alarm, work))}"
    return "Do: " + ". If it still rises after 20 min: ".join([steps[0], ", then ".join(map(_small, steps[1:]))]) + "."


def _small(text: str) -> str:
    return say.small_first(text)


def _next(send: Send, events: Sequence[Event], desk: Desk) -> str:
    if not send.urgent:
        return "It stays on the list until it is acknowledged."
    tried = say.listing([f"{name} ({count})" for name, count in desk.attempts.items()])
    so_far = f" Sent so far: {tried}." if tried else ""
    failing = f" Not sent, failing: {say.listing([*desk.failing])}." if desk.failing else ""
    slow = all(event.key == str(keys.COLD_KOJI) for event in events)
    how = "every 2 min for half an hour, then every 20 min" if slow else "every 2 min, louder"
    plan = f"It repeats {how}, until acknowledged; 20 min after that again if it still holds."
    return f"{plan}{so_far}{failing}"


def how_to_stop(page: str) -> str:
    """Where an alarm is answered, and what the button is called.

    Args:
        page: its address. One that only this computer can open is said to be so; "" leaves the command.
    """
    if not page:
        return "To stop this: on kojimon's computer run: kojimon alarms ack"
    host = urlsplit(page).hostname or ""
    if host in ("localhost", "::1") or host.startswith("127."):
        return f"To stop this: on kojimon's computer open the kojimon page, press Acknowledge: {page}"
    return f"To stop this: open the kojimon page, press Acknowledge: {page}"


def _mark(send: Send, desk: Desk) -> str:
    """What a person recognises a repeat by."""
    turn = f"This is message {send.round + 1}." if send.urgent and send.round else ""
    return " ".join(filter(None, [turn, "Not saved yet." if desk.unrecorded else ""]))


# -- other messages ------------------------------------------------------------------------------------------------


def _over(events: Sequence[Event], desk: Desk, speech: Speech) -> Text:
    lines = [_over_line(event, desk, speech) for event in events]
    normal = not any(endings.not_normal(_alarm(event, desk), _facts(event), speech) for event in events)
    title = f"{len(lines)} alarms {'back to normal' if normal else 'not watched any more, or back to normal'}"
    if len(lines) == 1:
        again, about = endings.returned(_alarm(events[0], desk), speech)
        again = "Back within limits" if isinstance(keys.parse(events[0].key), keys.Limit) else again
        other = endings.not_normal(_alarm(events[0], desk), _facts(events[0]), speech)
        title = other or f"{again} after {_lasted(events[0])}: {about}"
    return Text(_short(title), "\n".join([*lines, _unset(desk)]).strip())


def _over_line(event: Event, desk: Desk, speech: Speech) -> str:
    what, alarm = _facts(event), _alarm(event, desk)
    since_ms = what.since_ms or event.t_ms
    text = _of_box(event, desk) + (endings.not_normal(alarm, what, speech) or alarm_words.subject(alarm, speech))
    now_utc_ms = desk.utc_of(desk.now_ms)[0]
    began, ended = (speech.moment(desk.utc_of(t_ms)[0], now_utc_ms) for t_ms in (since_ms, event.t_ms))
    when = f", {began} to {ended}" if desk.utc_of(event.t_ms)[1] else ""
    press = "Reset" if what.to == "LATCH-ACK" else "Acknowledge, then Reset"
    kept = f". Look at the koji, then press {press}." if _kept(event) else ""
    return f"{text} for {_lasted(event)}{when}{kept}"


def _kept(event: Event) -> bool:
    """Whether the alarm stays listed until somebody resets it."""
    return _facts(event).to.startswith("LATCH")


def _lasted(event: Event) -> str:
    return show_duration(max(0, event.t_ms - (_facts(event).since_ms or event.t_ms)) / 1000)


def _folded(send: Send, events: Sequence[Event], desk: Desk, speech: Speech) -> Text:
    teller, lines = event_words.Teller(speech, lambda event: _work(event, desk)), []
    events = sorted(events, key=lambda event: event.kind != "summary")
    ended = {_occurrence(event) for event in events if _is_over(event)}
    for event in events:
        if isinstance(event.what, AlarmChange) and not _is_over(event) and _occurrence(event) in ended:
            continue
        utc_ms, trusted = desk.utc_of(event.t_ms)
        clock = speech.moment(utc_ms, desk.utc_of(desk.now_ms)[0]) if trusted else ""
        line = teller.tell(_dated(event, desk))
        said = f"{_of_box(event, desk)}{line.text if line else event.kind}"
        text = _over_line(event, desk, speech) if _is_over(event) else said
        lines.append(f"{clock} {text}".strip())
    more = [f"and {len(lines) - LISTED} more; see: kojimon alarms"] if len(lines) > LISTED else []
    count = len(lines)
    title = f"{count} alarms at once" if send.kind == "flood" else f"{count} thing{'s' if count != 1 else ''} to know"
    summary = event_words.line(_dated(events[0], desk), speech) if events[0].kind == "summary" else None
    return Text(_short(summary.text) if summary else title, "\n".join([*lines[:LISTED], *more, _unset(desk)]).strip())


def _facts(event: Event) -> AlarmChange:
    """What an event of an alarm says; of another, nothing."""
    return event.what if isinstance(event.what, AlarmChange) else AlarmChange()


def _occurrence(event: Event) -> tuple[str, str, int]:
    return event.incubator, event.key, _facts(event).occurrence


def _is_over(event: Event) -> bool:
    return _facts(event).event == "off"


# -- parts -----------------------------------------------------------------------------------------------------------


def _advice(event: Event, desk: Desk) -> list[str]:
    """Advice and cautions of the step a window is about, before anybody does it; how a question is answered."""
    box = _box(event.incubator, desk)
    if isinstance(event.what, MixGuess):
        link = f"Answer here: {desk.page.rstrip('/')}/mixed/{event.incubator}" if desk.page else ""
        return [*filter(None, [link]), question.MIX_COMMAND]
    step = box.step(event.key) if box is not None else None
    if step is None or event.kind not in ("step-due", "step-missed"):
        return []
    care = ["Take care:", *(f"- {caution}" for caution in step.cautions)] if step.cautions else []
    return [*care, *step.advice]


def _box(incubator: str, desk: Desk) -> Box | None:
    return desk.document.box(incubator)


def _of_box(event: Event, desk: Desk) -> str:
    """`Attic: `, the box it is about, where there are several."""
    box = _box(event.incubator, desk)
    return f"{box.label}: " if box is not None and len(desk.document.incubators) > 1 else ""


def _work(event: Event, desk: Desk) -> Work:
    return status.work_at(desk.document, event.incubator, desk.now_ms)


def _alarm(event: Event, desk: Desk) -> Alarm:
    """The alarm of an event as the list has it, so that a message says what the page does; else as the event says."""
    what = _facts(event)
    box = _box(event.incubator, desk)
    rows = box.alarms if box is not None else desk.document.alarms
    now = next((row for row in rows if row.key == event.key and row.occurrence == what.occurrence), None)
    probes = box.probes if box is not None else ()
    tray = next((probe.tray for probe in probes if probe.name == what.probe), "")
    facts = replace(what, since_ms=what.since_ms or event.t_ms, tray=what.tray or tray)
    return now or alarm_of(event.key, facts)


def _dated(event: Event, desk: Desk) -> Event:
    utc_ms, trusted = desk.utc_of(event.t_ms)
    return replace(event, utc=say.moment_utc(utc_ms).isoformat()) if trusted else event


def _unset(desk: Desk) -> str:
    return "" if desk.utc_of(desk.now_ms)[1] else "(clock not set)"


def _short(text: str) -> str:
    return text if len(text) <= HEADLINE_MAX else f"{text[: HEADLINE_MAX - 1].rstrip()}…"
