"""An alarm of the list as every surface says it: page, terminal, message and topic say this, and no other. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from kojimon.contract import keys
from kojimon.contract.state import Alarm, Box, Document
from kojimon.words import alarms as alarm_words
from kojimon.words import meaning, status
from kojimon.words import speech as say
from kojimon.words.speech import Speech

ACTS: Final = {
    "UNACK": ("alarm.acknowledge", "alarm.confirm", "alarm.shelve"),
    "ACKED": ("alarm.confirm", "alarm.shelve"),
    "RTNUN": ("alarm.acknowledge",),
    "LATCH-UNACK": ("alarm.acknowledge",),
    "LATCH-ACK": ("alarm.reset",),
    "SHLVD": ("alarm.unshelve",),
    "OOSRV": ("alarm.in_service",),
}
"""What changes an alarm in each of its states, the first to be offered in front."""


class Listed(Struct, frozen=True):
    """One alarm of the list.

    Attributes:
        box: its incubator's name, "" for one of the whole site. key, occurrence: which it is.
        text: its one line: with the value of now while it holds, else what it was about.
        tone: how it is meant now: `wrong`, `look`; `plain` of what asks for nothing, or is over.
        state, since: where it stands and since when, in words. does: what it does (`wakes you`).
        holds: whether it holds and nobody has set it aside. calls: whether it makes a noise now.
        detail: what stands behind the line. steps: what to do, one thing after the other.
        consequence: what happens if nothing is done.
        acts: kinds of the acts it takes now.
        by_step: whether the next step is what it asks for.
    """

    box: str
    key: str
    occurrence: int
    text: str
    tone: str
    state: str
    since: str
    does: str
    holds: bool = False
    calls: bool = False
    detail: str = ""
    steps: tuple[str, ...] = ()
    consequence: str = ""
    acts: tuple[str, ...] = ()
    by_step: bool = False

    @property
    def id(self) -> str:
        """Its name among all of the site."""
        return f"{self.box}/{self.key}"


def listed(alarm: Alarm, box: Box | None, document: Document, speech: Speech) -> Listed:
    """An alarm of the state document.

    Args:
        box: its incubator; None for an alarm of the whole site.
    """
    now, since, holds = document.now.utc, alarm.since_utc, alarm.holds
    work = status.work_of(box, document.t_ms) if box else alarm_words.Work()
    meant, fresh = meaning.meaning_of(alarm.key), status.at_present(alarm, box)[0] if box else alarm
    return Listed(
        box=box.name if box else "",
        key=alarm.key,
        occurrence=alarm.occurrence,
        text=status.alarm_line(alarm, box, speech, document.t_ms),
        tone={"wake": "wrong", "tell": "look"}.get(alarm.priority, "plain") if holds else "plain",
        state=alarm_words.alarm_state(alarm, speech, now),
        since=speech.moment(since, now) if since else "",
        does=alarm_words.PRIORITY_WORDS[alarm.priority],
        holds=holds,
        calls=alarm.calls_now,
        detail=detail(alarm, speech) if holds else "",
        steps=tuple(meaning.ladder(fresh, work)) if holds else (),
        consequence=meant.consequence if meant and holds else "",
        acts=tuple(acts_of(alarm)),
        by_step=box is not None and alarm.key in status.answered(box),
    )


def detail(alarm: Alarm, speech: Speech) -> str:
    """What stands behind its first line: its own text, else what to check, else why nothing can be used of a probe."""
    return say.ended(alarm.text) if alarm.text else alarm_words.checks(alarm, speech)


def acts_of(alarm: Alarm) -> Iterator[str]:
    """Kinds of the acts that an alarm takes where it stands."""
    yield from ACTS.get(alarm.state, ())
    if alarm.calls_now:
        yield "alarm.silence"
    if alarm.state != "OOSRV" and alarm.key != str(keys.TEST):
        yield "alarm.out_of_service"
