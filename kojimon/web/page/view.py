"""The cards of `words.card` with what the page's forms need. Pure; the templates only lay it out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from urllib.parse import quote

from msgspec import Struct

from kojimon.contract import state as doc
from kojimon.units import show_duration, show_weight
from kojimon.web.page.alarms import Alarm, Question, answers_of, press, with_buttons
from kojimon.words import speech as say
from kojimon.words.card import Card, Value, cards_of
from kojimon.words.speech import Speech

TONE_WORDS: Final = {"wrong": "Act now", "look": "Look", "good": "Within limits", "plain": ""}
"""The word that stands beside each colour (ISO 22324: red danger, yellow caution, green safe)."""


class Undo(Struct, frozen=True):
    """The one tap that takes the last mark, or the end of the last batch, back, or closes a batch that was forgotten:
    its words, its act and fields, its button."""

    text: str
    fields: dict[str, str]
    label: str = "Take it back"
    review: str = ""
    """Where the batch that ended is looked at."""


class Box(Card, frozen=True, kw_only=True):
    """The card of one incubator with what its forms need.

    Attributes:
        alarms: its alarms with their buttons. answers: the question that is open, with its answers.
        step_key: makes marking the next step one act.
        undo: what was done last, where that can be taken back.
        movable: probes that may be moved to another tray, by name and by what is read of them; () for none.
        trays: its trays, by name and as they are called.
        by_hand: whether a batch is open that no probe measures: what is read by hand is then what there is.
        tares: what is taken off what is weighed, by stage.
    """

    alarms: tuple[Alarm, ...]
    batch_id: str
    before_spores: bool
    answers: Question | None
    step_key: str
    undo: Undo | None
    movable: tuple[tuple[str, str], ...]
    trays: tuple[tuple[str, str], ...]
    by_hand: bool
    tares: str

    @property
    def koji(self) -> list[Value]:
        """What is read of the koji now."""
        return [value for value in self.values if value.place == "bed" and value.now]

    @property
    def around(self) -> list[Value]:
        """What is read beside it."""
        return [*(value for value in self.values if value.place != "bed" or not value.now), *self.beside]


class View(Struct, frozen=True):
    """The whole page. `clock` says what is to be known of the times shown."""

    boxes: tuple[Box, ...]
    alarms: tuple[Alarm, ...]
    now: str
    now_utc: str
    clock: str
    zone: str


def view_of(document: doc.Document, speech: Speech) -> View:
    """The page's content.

    Args:
        document: the state document.
        speech: how this viewer is spoken to: `words.status.speech_of` with their unit and zone.
    """
    cards = cards_of(document, speech)
    return View(
        boxes=tuple(_box(*pair, document, speech) for pair in zip(document.incubators, cards.boxes, strict=True)),
        alarms=with_buttons(document.alarms, cards.alarms),
        now=cards.now,
        now_utc=document.now.utc,
        clock=cards.clock,
        zone=speech.zone,
    )


def _box(box: doc.Box, card: Card, document: doc.Document, speech: Speech) -> Box:
    batch, now = box.batch, document.now.utc
    step = box.step(card.step.name) if card.step else None
    own = {name: getattr(card, name) for name in Card.__struct_fields__ if name != "alarms"}
    return Box(
        **own,
        alarms=with_buttons(box.alarms, card.alarms),
        batch_id=box.batch_id,
        before_spores=batch is not None and batch.hour is None,
        answers=answers_of(box),
        step_key=key_of(box, step) if step else "",
        undo=_undo(box, speech, document.t_ms, now),
        movable=tuple(_movable(box)) if "probe.move" in card.acts else (),
        trays=tuple((tray, say.tray_name(tray)) for tray in box.trays),
        tares=", ".join(f"{stage} {show_weight(kg, speech.pounds)}" for stage, kg in box.tares.items()),
        by_hand=batch is not None and not any(probe.place == "bed" for probe in box.probes),
    )


def _movable(box: doc.Box) -> Iterator[tuple[str, str]]:
    for probe in box.probes:
        if probe.place == "bed":
            yield probe.name, f"{probe.name}, in {say.tray_name(probe.tray)}"


def _undo(box: doc.Box, speech: Speech, now_ms: int, now: str) -> Undo | None:
    batch = box.batch
    if batch is not None and batch.forgotten_t_ms is not None:
        when = speech.moment(batch.forgotten_utc, now) if batch.forgotten_utc else "then"
        ago_min = str(round((now_ms - batch.forgotten_t_ms) / 60_000))
        key = press(box.batch_id, "batch.harvest", str(batch.forgotten_t_ms))
        fields = {"kind": "batch.harvest", "incubator": box.name, "ago_min": ago_min, "idempotency": key}
        return Undo(f"Batch {batch.name} was never ended; taken out, probably {when}?", fields, f"Close it at {when}")
    entry = box.last_entry
    if isinstance(entry, doc.EndedBatch):
        ended = entry
        what = "harvested" if ended.outcome == "harvest" else "thrown away"
        ago_s = (now_ms - ended.at_t_ms) / 1000
        when = f" {speech.moment(ended.at_utc, now)}" if ended.at_utc else ""
        when = f" {show_duration(ago_s // 60 * 60)} ago" if 60 <= ago_s < 3600 else when
        key = press(ended.id, "batch.reopen", str(ended.at_t_ms))
        fields = {"kind": "batch.reopen", "incubator": box.name, "batch": ended.id, "idempotency": key}
        return Undo(f"Batch {ended.name} was {what}{when}.", fields, review=f"/batch/{quote(ended.id)}")
    if entry is None or now_ms - entry.at_t_ms > doc.UNDO_MS or box.ends_watch(entry, now_ms):
        return None
    if isinstance(entry, doc.ByHand):
        read = entry
        key = press(box.batch_id, "reading.undo", str(read.reading))
        fields = {"kind": "reading.undo", "incubator": box.name, "reading": str(read.reading), "idempotency": key}
        spot = say.small_first(say.spot(read.place, read.quantity, read.tray))
        when = f", {speech.moment(read.at_utc, now)}" if read.at_utc else ""
        return Undo(f"Read by hand: {spot} {speech.value(read.quantity, read.value)}{when}.", fields)
    if isinstance(entry, doc.Weighing):
        key = press(box.batch_id, "batch.unweigh", str(entry.event))
        fields = {"kind": "batch.unweigh", "incubator": box.name, "stage": entry.stage, "idempotency": key}
        when = f", {speech.moment(entry.at_utc, now)}" if entry.at_utc else ""
        return Undo(f"Weighed, {entry.stage}: {show_weight(entry.kg, speech.pounds)}{when}.", fields)
    mark, step = entry, next(step for step in box.steps if entry in step.standing)
    when = f", {speech.moment(mark.at_utc, now)}" if mark.at_utc else ""
    key = press(box.batch_id, "step.undo", str(mark.mark))
    fields = {"kind": "step.undo", "incubator": box.name, "mark": str(mark.mark), "idempotency": key}
    return Undo(f"{'Seen' if step.work == 'look' else 'Done'}: {speech.step(step.name)}{when}.", fields)


def key_of(box: doc.Box, step: doc.Step) -> str:
    """Makes marking a step one act, however often it is sent: until it is marked or taken back again."""
    return press(box.batch_id, step.name, str(len(step.marks)))
