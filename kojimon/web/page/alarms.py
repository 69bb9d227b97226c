"""An alarm as the page shows it, with what can be done about it. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from urllib.parse import urlencode

from msgspec import Struct

from kojimon.contract import state as doc
from kojimon.web.page.asked import press
from kojimon.words import alarms as alarm_words
from kojimon.words import meaning
from kojimon.words import status as words
from kojimon.words.speech import Speech

PAUSES_MIN: Final = (10, 30, 60)


class Button(Struct, frozen=True):
    """A button that does an act: its words, its act, the act's fields as text."""

    label: str
    kind: str
    fields: dict[str, str]
    first: bool = False

    @property
    def pause(self) -> bool:
        """Whether it pauses an alarm."""
        return self.kind == "alarm.shelve"

    @property
    def key(self) -> str:
        """Makes a press of this button one act, however often it is sent."""
        return press(self.kind, self.fields.get("for_s", ""), self.fields["idempotency"])

    @property
    def form(self) -> dict[str, str]:
        """The fields of its form."""
        return {"kind": self.kind, **self.fields, "idempotency": self.key}


class Alarm(Struct, frozen=True):
    """An alarm with what can be done about it."""

    id: str
    text: str
    tone: str
    state: str
    since: str
    wakes: bool
    calls: bool
    steps: tuple[str, ...]
    consequence: str
    buttons: tuple[Button, ...]
    silences: tuple[Button, ...] = ()
    """For how long its noise may stop while nobody has seen to it; none where it makes none."""
    repair: str = ""
    """Where it can be switched off for repair; "" where it is, or cannot be."""


def alarm_of(alarm: doc.Alarm, box: doc.Box | None, document: doc.Document, speech: Speech) -> Alarm:
    """An alarm of the state document; `box` is its box, None for one of the site."""
    now = document.now.utc
    tone = {"wake": "wrong", "tell": "look"}.get(alarm.priority, "plain")
    active = alarm.holds
    work = words.work_of(box, document.t_ms) if box else alarm_words.Work()
    meant = meaning.meaning_of(alarm.key)
    since = alarm.since_utc
    return Alarm(
        id=f"{box.name if box else ''}/{alarm.key}",
        text=words.alarm_line(alarm, box, speech, document.t_ms),
        tone=tone if active else "plain",
        state=alarm_words.alarm_state(alarm, speech, now),
        since=speech.moment(since, now) if since else "",
        wakes=alarm.priority == "wake",
        calls=alarm.calls_now,
        steps=tuple(meaning.ladder(alarm, work)) if active else (),
        consequence=meant.consequence if meant and active else "",
        buttons=tuple(_buttons(alarm)),
        silences=tuple(_silences(alarm)) if alarm.calls_now else (),
        repair=_repair(alarm, box.name if box else ""),
    )


def _repair(alarm: doc.Alarm, box: str) -> str:
    if alarm.state == "OOSRV" or alarm.key == "test":
        return ""
    return "/repair?" + urlencode({"box": box, "key": alarm.key})


def _own(alarm: doc.Alarm) -> dict[str, str]:
    # The same press twice is one act; after a further call, or another state, it is a new one.
    again = f"{alarm.key}#{alarm.occurrence}.{alarm.calls}.{alarm.state}"
    return {"key": alarm.key, "occurrence": str(alarm.occurrence), "idempotency": again}


def _silences(alarm: doc.Alarm) -> Iterator[Button]:
    for minutes in PAUSES_MIN:
        yield Button(f"{minutes} min", "alarm.silence", {**_own(alarm), "for_s": str(minutes * 60)})


def _buttons(alarm: doc.Alarm) -> Iterator[Button]:
    """What can be done about an alarm where it stands (`alarms.states`)."""
    state, own = alarm.state, _own(alarm)
    again = own["idempotency"]
    if state in ("UNACK", "RTNUN", "LATCH-UNACK"):
        yield Button("Acknowledge", "alarm.acknowledge", own, first=state == "UNACK")
    if state in ("UNACK", "ACKED"):
        yield Button("Done: I have fixed it", "alarm.confirm", own, first=state == "ACKED")
        for minutes in PAUSES_MIN:
            yield Button(f"{minutes} min", "alarm.shelve", {**own, "for_s": str(minutes * 60)})
    if state == "LATCH-ACK":
        yield Button("Reset", "alarm.reset", own, first=True)
    if state == "SHLVD":
        yield Button("End pause", "alarm.unshelve", {"key": own["key"], "idempotency": again}, first=True)
    if state == "OOSRV":
        yield Button("Put back in service", "alarm.in_service", {"key": own["key"], "idempotency": again}, first=True)
