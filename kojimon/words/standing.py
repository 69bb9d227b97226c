"""How the koji stands to its limits, in half a sentence: within, over with a delay that runs, over an alarm set aside.

Said of the state document alone. Nothing here says more than that: koji within limits may be spoiled all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from kojimon.contract import keys
from kojimon.contract.events import AlarmChange, Reading
from kojimon.contract.state import Alarm, Box, Document, Pending
from kojimon.model import Event
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words.speech import Speech

KOJI: Final = (keys.HOT_KOJI, keys.COLD_KOJI)
SIDES: Final = {"high": "over", "low": "under"}
HIDDEN: Final = ("SHLVD", "DSUPR", "OOSRV")
HAND_COUNTS_S: Final = 1800.0
"""What was read by hand counts for half an hour."""


def standing(box: Box, speech: Speech, now_ms: int) -> tuple[str, str]:
    """`within limits`, or what is beyond and when a message goes out, and the tone; "" where no limit is in force.

    Args:
        box: an incubator of the state document whose koji has a fresh reading.
        now_ms: engine time of the document.
    """
    pending = first_pending(box)
    if pending is not None:
        return _running(pending, box, speech, now_ms), "look"
    aside = next((a for a in box.alarms if a.active and keys.parse(a.key) in KOJI), None)
    if aside is not None:
        state = f", alarm {_aside(aside.state)}" if aside.state in HIDDEN else ""
        return f"{_beyond(aside, box, speech)}{state}", "look"
    found = list(_passed(box))
    if found:
        return f"{SIDES[found[0][0]]} {speech.brief('temperature', found[0][1], unit=False)}", "look"
    return ("within limits", "good") if any(_limits(box)) else ("", "plain")


def first_pending(box: Box) -> Pending | None:
    """The limit of the koji that is passed while its delay runs, the one whose message goes out first; else None."""
    rows = [row for row in box.pending if keys.parse(row.key) in KOJI]
    rank = {"wake": 0, "tell": 1, "log": 2}
    return min(rows, key=lambda row: (row.held, rank[row.priority], row.due_t_ms), default=None)


def _running(row: Pending, box: Box, speech: Speech, now_ms: int) -> str:
    lasts_s, left_s = (now_ms - row.since_t_ms) / 1000, (row.due_t_ms - now_ms) / 1000
    lasts = f" for {say.span(lasts_s)}" if lasts_s >= 60 else ""
    return f"{_beyond(row, box, speech)}{lasts}{_message(row, box, left_s)}"


def _message(row: Pending, box: Box, left_s: float) -> str:
    if row.held:
        alarm = next((a for a in box.alarms if a.key == row.key and a.state in HIDDEN), None)
        return f", alarm {_aside(alarm.state if alarm else 'DSUPR')}"
    if row.priority == "log":
        return ""
    if row.priority == "tell":
        return ", message by day"
    if left_s <= 0:
        return ", message at the next reading"
    return f", message in {say.span(left_s) if left_s >= 60 else 'less than a minute'}"


def _aside(state: str) -> str:
    return alarm_words.STATE_WORDS[state]


def _beyond(row: Pending | Alarm, box: Box, speech: Speech) -> str:
    """`over 113`, with its tray where several are measured."""
    key, limit = keys.parse(row.key), row.limit
    probes = [probe for probe in box.probes if probe.place == "bed" and not probe.silent]
    tray = say.tray_name(row.tray) + " " if len(probes) > 1 and row.tray else ""
    edge = "a limit" if limit is None else speech.brief("temperature", limit, unit=False)
    return f"{tray}{SIDES[key.side] if isinstance(key, keys.Limit) else 'beyond'} {edge}"


def _limits(box: Box, place: str = "bed", quantity: str = "temperature") -> Iterator[tuple[str, float]]:
    """Sides and limits of a place in force, the critical ones first."""
    band = box.band(place, quantity)
    for side in SIDES:
        for name in (f"{side}_{side}", side):
            limit = band.limit(name) if band else None
            if limit is not None:
                yield side, limit


def dated_over(box: Box, speech: Speech) -> str:
    """What was read by hand beyond a limit of the koji and raised no alarm, for it was dated back; "" where none was.

    The hottest of several, and before it none that is cold: hot koji cannot wait.
    """
    rows = [one for one in box.by_hand if one.unjudged and (one.place, one.quantity) == ("bed", "temperature")]
    found = [(one, past) for one in rows if (past := next(_beyond_of(box, one.value, one.value), None))]
    if not found:
        return ""
    one, (side, limit) = max(found, key=lambda pair: pair[0].value)
    spot, edge = say.spot(one.place, one.quantity, one.tray), speech.brief("temperature", limit, unit=False)
    read = f"{spot} {speech.value(one.quantity, one.value)} {say.ago(one.age_s)}, read by hand"
    return f"{read}, {SIDES[side]} {edge}. It was entered for an earlier time and raises no alarm: read it again."


def after(events: Sequence[Event], document: Document, speech: Speech) -> Iterator[str]:
    """What is to be said behind the events of an act: of what was read by hand what it means, where no alarm says it.

    Args:
        document: the state after it.
    """
    called = any(isinstance(event.what, AlarmChange) and event.what.to == "UNACK" for event in events)
    for event in () if called else events:
        box = document.box(event.incubator)
        if box is not None and isinstance(event.what, Reading) and _stands(event, box):
            yield read_now(event.what, box, speech, document.now.utc)


def _stands(event: Event, box: Box) -> bool:
    return any(one.fresh and one.reading == event.no for one in box.by_hand)


def read_now(what: Reading, box: Box, speech: Speech, now: str) -> str:
    """What was just read by hand and judged means: within limits, or beyond which, and where its alarm stands; "" for
    one dated back, and where no limit is in force.

    Args:
        box: from the state document after it. now: that document's moment, UTC.
    """
    if what.back:
        return ""
    limits = [*_limits(box, what.place, what.quantity)]
    side, limit = next(((side, at) for side, at in limits if _is_beyond(what.value, side, at)), ("", 0.0))
    if not side:
        return (_elsewhere(what, box, limits, speech) or "Within limits.") if limits else ""
    value, edge = (speech.brief(what.quantity, one) for one in (what.value, limit))
    key = str(keys.Limit(what.place, what.quantity, side))
    alarm = next((one for one in box.alarms if one.active and one.key == key), None)
    text = f"{value} is {SIDES[side]} the limit ({edge})."
    if alarm is None:
        return text
    state = alarm_words.alarm_state(alarm, speech, now)
    state = "not acknowledged yet" if state == alarm_words.STATE_WORDS["UNACK"] else state
    return f"{text} Alarm {state}.{' No message is sent.' if alarm.state in HIDDEN else ''}"


def _elsewhere(what: Reading, box: Box, limits: Sequence[tuple[str, float]], speech: Speech) -> str:
    """Of a reading within limits beside an alarm that stands: which other one the alarm goes by; "" where none does."""
    own = {str(keys.Limit(what.place, what.quantity, side)) for side in SIDES}
    if not any(one.active and one.key in own for one in box.alarms):
        return ""
    rows = [one for one in box.by_hand if one.fresh and (one.place, one.quantity) == (what.place, what.quantity)]
    beyond = [one for one in rows if any(_is_beyond(one.value, side, at) for side, at in limits)]
    if not beyond:
        return "This one is within limits. The alarm still stands."
    one = max(beyond, key=lambda one: one.value)
    of = "no tray named" if what.place == "bed" and not one.tray else say.small_first(
        say.spot(one.place, one.quantity, one.tray))  # fmt: skip
    left = say.span(HAND_COUNTS_S - one.age_s)
    read = f"{speech.brief(one.quantity, one.value)} ({of}), read {say.ago(one.age_s)}"
    return f"This one is within limits. The alarm goes by {read}: that counts for another {left}, or until read again."


def _passed(box: Box) -> Iterator[tuple[str, float]]:
    """Limits that a value is beyond though nothing is pending yet: the limits have just moved, or one reading came."""
    ends = box.ends("bed")
    if ends is not None:
        yield from _beyond_of(box, *(end.value for end in ends))


def _beyond_of(box: Box, hottest: float, coldest: float) -> Iterator[tuple[str, float]]:
    for side, limit in _limits(box):
        if _is_beyond(hottest if side == "high" else coldest, side, limit):
            yield side, limit


def _is_beyond(value: float, side: str, limit: float) -> bool:
    return value >= limit if side == "high" else value <= limit
