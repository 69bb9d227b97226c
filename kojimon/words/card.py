"""The card of a box: what page, `kojimon status`, messages and topics say of it, made once. Pure.

A surface lays it out and adds what only it has (the page's forms, a message's history); it says nothing of its own
about values, steps or alarms, so that no two of them can differ.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import state as doc
from kojimon.units import show_duration
from kojimon.words import boxes, derived, outlook, question, status
from kojimon.words import speech as say
from kojimon.words.listed import Listed, listed
from kojimon.words.question import Asked
from kojimon.words.speech import Speech
from kojimon.words.standing import HAND_COUNTS_S
from kojimon.words.status import NextStep, Sentence

UNSET: Final = "The clock of kojimon's computer is not set: times of day may be wrong."
BACK: Final = {doc.EndedBatch: "batch.reopen", doc.ByHand: "reading.undo", doc.Mark: "step.undo",
               doc.Weighing: "batch.unweigh"}  # fmt: skip
"""How what was entered last is taken back."""


class Value(Struct, frozen=True):
    """One value of a place.

    Attributes:
        name: what of where: `Hottest: top tray`. value: `37.2 °C`, or `no reading`.
        trend, slope: `rising` and `+1.2 °C/h`; "" where it is not known.
        old: its age where that matters, or the last reading where there is none now.
        by_hand: a person read it. now: it counts for how it is now.
    """

    place: str
    name: str
    value: str
    trend: str = ""
    slope: str = ""
    old: str = ""
    by_hand: bool = False
    now: bool = True

    @property
    def moving(self) -> str:
        """`rising, +1.2 °C/h`, `steady`, or ""."""
        return f"{self.trend}, {self.slope}" if self.trend in ("rising", "falling") else self.trend


class StepLine(Struct, frozen=True):
    """A step of the schedule, for a list of them.

    Attributes:
        window: when, in words; "" once it is done. status: as in the state document, or `passed`: let go undone.
        done: (mark, when) of each time it was done. can: whether it may be marked. looks: it is seen, and no work.
    """

    name: str
    label: str
    trade: str
    window: str
    status: str
    done: tuple[tuple[int, str], ...]
    can: bool
    looks: bool = False


class Card(Struct, frozen=True):
    """One incubator.

    Attributes:
        batch, hour, stage: in words; "" where there is none, the hour before the spores too.
        headline: how it stands, in one sentence. rest: may one sleep, where a forecast knows. ready: when the koji is.
        step: the one next step. steps: all of the batch. question: what is asked.
        values: what is measured. beside: what follows from two probes together.
        unmeasured: what no probe measures. untold: what kojimon cannot know in this box, in sentences.
        acts: kinds of the acts it takes now, those of its alarms aside (they stand with each).
    """

    name: str
    label: str
    batch: str
    hour: str
    stage: str
    headline: Sentence
    rest: Sentence | None
    ready: str
    step: NextStep | None
    question: Asked | None
    values: tuple[Value, ...]
    beside: tuple[Value, ...]
    unmeasured: str
    untold: tuple[str, ...]
    alarms: tuple[Listed, ...]
    acts: tuple[str, ...]
    steps: tuple[StepLine, ...] = ()

    def alarm(self, key: str, occurrence: int) -> Listed | None:
        """An alarm of the list; None where it is on it no more."""
        return next((one for one in self.alarms if (one.key, one.occurrence) == (key, occurrence)), None)


class Cards(Struct, frozen=True):
    """All boxes, and the alarms of the whole site. `clock` says what is to be known of the times shown, or nothing."""

    boxes: tuple[Card, ...]
    alarms: tuple[Listed, ...]
    now: str
    clock: str

    @property
    def listed(self) -> list[Listed]:
        """Every alarm, the boxes' before the site's, as in `Document.listed`."""
        return [*(alarm for box in self.boxes for alarm in box.alarms), *self.alarms]


class BoxTopic(Struct, frozen=True):
    """A box on a topic of its own (`kojimon/SITE/BOX/state`): its part of the state document and its card.

    Its forecast has a topic beside it and is not in this one. `alarms` are those of the whole site.
    """

    t_ms: int
    now: doc.Now
    units: doc.Units
    site: str
    incubator: doc.Box
    card: Card
    alarms: tuple[Listed, ...]
    utc: str | None = None


def cards_of(document: doc.Document, speech: Speech) -> Cards:
    """What is said of a state document.

    Args:
        speech: how the person is spoken to: `words.status.speech_of`, with their own unit and zone.
    """
    return Cards(
        tuple(card_of(box, document, speech) for box in document.incubators),
        tuple(listed(alarm, None, document, speech) for alarm in document.alarms),
        speech.moment(document.now.utc, document.now.utc) if document.now.utc else "",
        "" if document.now.trusted else UNSET,
    )


def card_of(box: doc.Box, document: doc.Document, speech: Speech) -> Card:
    """The card of an incubator of the state document."""
    batch, now_ms, now = box.batch, document.t_ms, document.now.utc
    return Card(
        name=box.name,
        label=box.label,
        batch=batch.name if batch else "",
        hour=f"{batch.hour:.1f}" if batch and batch.hour is not None else "",
        stage=say.small_first(box.stage.label) if box.stage else "",
        headline=status.sentence(box, speech, now_ms),
        rest=outlook.brief(box, speech, now_ms, now),
        ready=outlook.ready(box, speech, now),
        step=status.next_step(box, speech, now_ms, now),
        question=question.open_question(box, speech, now),
        values=tuple(_values(box, speech)),
        beside=tuple(Value(one.place, one.name, one.value, old=_old(one.age_s)) for one in derived.brief(box, speech)),
        unmeasured=_unmeasured(box),
        untold=tuple(_untold(box)),
        alarms=tuple(listed(alarm, box, document, speech) for alarm in box.alarms),
        acts=tuple(_acts(box)),
        steps=tuple(_line(step, speech, now_ms, now) for step in box.steps),
    )


def _acts(box: doc.Box) -> Iterator[str]:
    entry = box.last_entry
    if entry is not None:
        yield BACK[type(entry)]
    yield "reading"
    if box.question is not None:
        yield "mix.answer" if box.question.key == "mix-guess" else "probe.back"
    if box.batch or box.ended:
        yield "batch.weigh"
    if box.batch is None:
        yield "batch.start"
        return
    yield from ("batch.note", "batch.harvest", "batch.discard")
    if any(step.status != "done" for step in box.steps):
        yield "step.done"
    if len(box.trays) > 1 and any(probe.place == "bed" for probe in box.probes):
        yield "probe.move"


def _untold(box: doc.Box) -> Iterator[str]:
    if box.ended is not None and box.ended.cool_at_c is not None and box.place("bed") is not None:
        yield "Is a probe out of the koji? Then read the koji by hand."
    step = box.step(box.next.step) if box.next else None
    warmth = "" if step and step.doubt else boxes.WARMTH.get(box.warmth_untold, "")
    off = boxes.untold(box.off_untold, box.place("bed") is not None)
    yield from filter(None, (off, warmth))


def _line(step: doc.Step, speech: Speech, now_ms: int, now: str) -> StepLine:
    done = tuple((one.mark, speech.moment(one.at_utc, now) if one.at_utc else "done") for one in step.standing)
    state, window = step.status, status.window_of(step, speech, now_ms, now)
    if state == "missed" and step.optional:
        state, window = "passed", "" if done else "not marked"
    return StepLine(step.name, step.label, step.trade, window, state, done, state != "done", step.work == "look")


def _values(box: doc.Box, speech: Speech) -> Iterator[Value]:
    """Every place with its value, or with both ends where several probes are there; then what was read by hand, what
    counts now before what is old, and the hottest first."""
    aside = [one for one in box.probes if one.doubted and one.value is not None]
    for probe in aside:
        shown = doc.Extreme(probe.name, probe.tray, probe.value or 0.0, probe.age_s)
        value = _value("", probe.quantity, "", shown, speech)
        yield replace(value, name=f"Probe {probe.name}, perhaps not in the koji")
    for row in box.places:
        if not row.probes or (row.ends is None and row.place in {one.place for one in aside}):
            continue
        if row.ends is None or row.ends[0].by_hand:
            last = _last(box, row.place, row.quantity, speech)
            yield Value(row.place, say.spot(row.place, row.quantity), "no reading", old=last)
            continue
        names = ("Hottest", "Coldest") if row.quantity == "temperature" else ("Dampest", "Driest")
        single = row.ends[0].probe == row.ends[1].probe
        for end, read in [("", row.ends[0])] if single else zip(names, row.ends, strict=True):
            yield _value(row.place, row.quantity, end, read, speech)
    beside = any(probe.place == "bed" for probe in box.probes)
    beside = beside or any(one.fresh and one.place == "bed" for one in box.by_hand)
    for one in sorted(box.by_hand, key=lambda one: (not one.fresh, -one.value if one.fresh else one.age_s)):
        probes = (probe for probe in box.probes if (probe.place, probe.quantity) == (one.place, one.quantity))
        if not one.fresh and any(probe.age_s is not None and probe.age_s <= one.age_s for probe in probes):
            continue
        read = doc.Extreme("", one.tray, one.value, one.age_s, by_hand=True)
        value = _value(one.place, one.quantity, "By hand", read, speech)
        yield replace(value, now=not beside or one.age_s < HAND_COUNTS_S)


def _value(place: str, quantity: str, end: str, read: doc.Extreme, speech: Speech) -> Value:
    spot, rate = say.spot(place, quantity, read.tray), read.rate_per_h
    name = f"{end}: {say.small_first(spot)}" if end else spot
    slope = "" if rate is None else speech.slope(quantity, rate)
    shown, trend = speech.value(quantity, read.value), say.trend(quantity, rate)
    return Value(place, name, shown, trend, slope, _old(read.age_s), read.by_hand)


def _unmeasured(box: doc.Box) -> str:
    """What no probe measures while a batch is open: trays as they are called, the koji where it is one."""
    seen = {probe.tray for probe in box.probes if probe.place == "bed"}
    missing = [say.where("bed", tray) for tray in box.trays if tray not in seen] if box.batch else []
    if missing and not box.probes:
        missing.append(say.where("air"))
    return f"No probe measures {say.listing(missing)}." if missing else ""


def _last(box: doc.Box, place: str, quantity: str, speech: Speech) -> str:
    """The last good reading of a place that has none now, with its age; "" before the first."""
    spoke = [one for one in box.probes if (one.place, one.quantity) == (place, quantity) and one.age_s is not None]
    last = min(spoke, key=lambda one: one.age_s or 0.0, default=None)
    if last is None or last.value is None or last.age_s is None:
        return ""
    return f"last {speech.value(quantity, last.value)}, {show_duration(last.age_s // 60 * 60)} ago"


def _old(age_s: float | None) -> str:
    return f"{show_duration(age_s // 60 * 60)} ago" if age_s is not None and age_s >= status.OLD_S else ""
