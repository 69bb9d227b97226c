"""What the page shows of the state document, in a cook's words. Pure; the templates only lay it out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from urllib.parse import quote

from msgspec import Struct

from kojimon.contract import keys
from kojimon.contract import state as doc
from kojimon.units import show_duration
from kojimon.web.page.alarms import Alarm, alarm_of
from kojimon.web.page.asked import Question, press, question_of
from kojimon.words import derived, gates, outlook
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.measured import measured, unmeasured
from kojimon.words.speech import Speech

OLD_S: Final = 120.0
"""From here on the age of a value is shown; a value without one is fresh. A probe that speaks once a minute is."""
NOT_OF_NOW_S: Final = 1800.0
"""What was read by hand so long ago does not stand beside what the probes say now (it counts for half an hour)."""
COOLS: Final = frozenset(("mix", "spread", "furrow", "swap"))
"""Works that cool the koji: what a message about hot koji asks for as well."""
HOT: Final = (str(keys.HOT_KOJI), str(keys.SOON_HOT))
TONE_WORDS: Final = {"wrong": "Act now", "look": "Look", "good": "Within limits", "plain": ""}
"""The word that stands beside each colour (ISO 22324: red danger, yellow caution, green safe)."""
UNDO_MS: Final = 3_600_000
"""So long a step just done can be taken back beside its button; later by *correct* in the list."""


class Value(Struct, frozen=True):
    """One measured value: where, how much, where it is going, how old."""

    name: str
    value: str
    moving: str
    old: str


class NextStep(Struct, frozen=True):
    """The next thing a hand must do."""

    name: str
    title: str
    window: str
    late: bool
    now: bool
    harvest: bool
    gate: str
    key: str
    advice: tuple[str, ...]
    cautions: tuple[str, ...]
    doubt: str = ""
    """Why its koji may not have grown: then it has no main button either."""
    shut: bool = False
    """Whether its gate would not let it pass now: then it has no main button, and what is measured is asked first."""


class Mark(Struct, frozen=True):
    """A time a step was done."""

    mark: int
    when: str


class Undo(Struct, frozen=True):
    """The one tap that takes the last mark, or the end of the last batch, back, or closes a batch that was forgotten:
    its words, its act and fields, its button."""

    text: str
    fields: dict[str, str]
    label: str = "Take it back"
    review: str = ""
    """Where the batch that ended is looked at."""


class Step(Struct, frozen=True):
    """A step of the schedule."""

    name: str
    label: str
    trade: str
    window: str
    status: str
    done: tuple[Mark, ...]
    can: bool
    harvest: bool
    looks: bool = False
    """Whether it is something seen, and no work."""


class Box(Struct, frozen=True):
    """One incubator. `hour` is "" before the spores and without a batch."""

    name: str
    label: str
    batch: str
    batch_id: str
    schedule: str
    hour: str
    stage: str
    text: str
    tone: str
    next: NextStep | None
    alarms: tuple[Alarm, ...]
    koji: tuple[Value, ...]
    around: tuple[Value, ...]
    unmeasured: str
    steps: tuple[Step, ...]
    before_spores: bool
    rest: str = ""
    """By the forecast: until when no hand is needed; "" where it does not know."""
    question: Question | None = None
    movable: tuple[tuple[str, str], ...] = ()
    """Probes that may be moved to another tray, by name and by what is read of them; () where there is one tray."""
    trays: tuple[tuple[str, str], ...] = ()
    """Its trays, by name and as they are called."""
    undo: Undo | None = None
    """What was done last, where that can be taken back."""
    same_act: tuple[str, ...] = ()
    """Ids of the alarms that ask for what the next step is: they stand in its card."""
    by_hand: bool = False
    """Whether a batch is open that no probe measures: what is read by hand is then what there is."""


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
    now = document.now.utc
    return View(
        boxes=tuple(_box(box, document, speech) for box in document.incubators),
        alarms=tuple(alarm_of(alarm, None, document, speech) for alarm in document.alarms),
        now=speech.moment(now, now),
        now_utc=now,
        clock="" if document.now.trusted else "The clock of kojimon's computer is not set: times of day may be wrong.",
        zone=speech.zone,
    )


def _box(box: doc.Box, document: doc.Document, speech: Speech) -> Box:
    batch, now_ms, now = box.batch, document.t_ms, document.now.utc
    said = words.sentence(box, speech, now_ms)
    values = list(_values(box, speech))
    rest = outlook.brief(box, speech, now_ms, now)
    return Box(
        name=box.name,
        label=box.label,
        batch=batch.name if batch else "",
        batch_id=box.batch_id,
        schedule=batch.label if batch else box.schedule,
        hour=f"{batch.hour:.1f}" if batch and batch.hour is not None else "",
        stage=say.small_first(box.stage.label) if box.stage else "",
        text=said.text,
        tone=said.tone,
        next=_next(box, speech, now_ms, now),
        alarms=tuple(alarm_of(alarm, box, document, speech) for alarm in box.alarms),
        koji=tuple(value for place, value, now in values if place == "bed" and now),
        around=(*(value for place, value, now in values if place != "bed" or not now), *_derived(box, speech)),
        unmeasured=say.listing(unmeasured(box)),
        steps=tuple(_step(step, speech, now_ms, now) for step in box.steps),
        before_spores=batch is not None and batch.hour is None,
        rest=" ".join(filter(None, [rest.text if rest else "", outlook.ready(box, speech, now)])),
        question=question_of(box, speech, now),
        movable=tuple(_movable(box)),
        trays=tuple((tray, say.tray_name(tray)) for tray in box.trays),
        undo=_undo(box, speech, now_ms, now),
        same_act=tuple(_same_act(box)),
        by_hand=batch is not None and not any(probe.place == "bed" for probe in box.probes),
    )


def _movable(box: doc.Box) -> Iterator[tuple[str, str]]:
    if box.batch and len(box.trays) > 1:
        for probe in box.probes:
            if probe.place == "bed":
                yield probe.name, f"{probe.name}, in {say.tray_name(probe.tray)}"


def _next(box: doc.Box, speech: Speech, now_ms: int, now: str) -> NextStep | None:
    found = words.next_step(box, speech, now_ms, now)
    step = box.step(box.next.step) if box.next else None
    if found is None or step is None:
        return None
    gate = gates.asked(step.gate.at_least, step.gate.at_most, speech) if step.gate else ""
    return NextStep(
        step.name, found.title, found.window, found.late, step.can, step.work == "harvest", gate, key_of(box, step),
        found.advice, found.cautions, found.doubt, step.gate is not None and not step.gate.passed,
    )  # fmt: skip


def _same_act(box: doc.Box) -> Iterator[str]:
    """Alarms that the next step answers: that it is late, or that the koji is hot where it cools the koji."""
    step = box.step(box.next.step) if box.next else None
    if step is None or not step.can:
        return
    wanted = {str(keys.Step(step.name)), *(HOT if step.work in COOLS else ())}
    yield from (f"{box.name}/{alarm.key}" for alarm in box.alarms if alarm.holds and alarm.key in wanted)


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
    if entry is None or now_ms - entry.at_t_ms > UNDO_MS:
        return None
    if isinstance(entry, doc.ByHand):
        read = entry
        key = press(box.batch_id, "reading.undo", str(read.reading))
        fields = {"kind": "reading.undo", "incubator": box.name, "reading": str(read.reading), "idempotency": key}
        spot = say.small_first(say.spot(read.place, read.quantity, read.tray))
        when = f", {speech.moment(read.at_utc, now)}" if read.at_utc else ""
        return Undo(f"Read by hand: {spot} {speech.value(read.quantity, read.value)}{when}.", fields)
    mark, step = entry, next(step for step in box.steps if entry in step.standing)
    when = f", {speech.moment(mark.at_utc, now)}" if mark.at_utc else ""
    key = press(box.batch_id, "step.undo", str(mark.mark))
    fields = {"kind": "step.undo", "incubator": box.name, "mark": str(mark.mark), "idempotency": key}
    return Undo(f"{'Seen' if step.work == 'look' else 'Done'}: {speech.step(step.name)}{when}.", fields)


def key_of(box: doc.Box, step: doc.Step) -> str:
    """Makes marking a step one act, however often it is sent: until it is marked or taken back again."""
    return press(box.batch_id, step.name, str(len(step.marks)))


def _step(step: doc.Step, speech: Speech, now_ms: int, now: str) -> Step:
    done = tuple(
        Mark(mark.mark, speech.moment(mark.at_utc, now) if mark.at_utc else "done")
        for mark in step.standing
    )
    status = step.status
    window = words.window_of(step, speech, now_ms, now)
    if status == "missed" and step.optional:
        status, window = "passed", "not marked" if not done else ""
    return Step(
        step.name, step.label, step.trade, window, status,
        done, status != "done", step.work == "harvest", step.work == "look",
    )  # fmt: skip


# Values.


def _values(box: doc.Box, speech: Speech) -> Iterator[tuple[str, Value, bool]]:
    """(place, value, whether it is of now) of what is measured: the extremes of a place with several probes."""
    probed = any(probe.place == "bed" for probe in box.probes)
    for line in measured(box):
        name = f"{say.big_first(line.end)}: {say.small_first(line.spot)}" if line.end else line.spot
        old = probed and line.end == "by hand" and (line.read is None or (line.read.age_s or 0) >= NOT_OF_NOW_S)
        last = _last(box, line.place, line.quantity, speech) if line.read is None else ""
        yield line.place, _value(name, line.quantity, line.read, speech, last), not old


def _last(box: doc.Box, place: str, quantity: str, speech: Speech) -> str:
    """The last good reading of a place that has none now, with its age; "" before the first."""
    spoke = [one for one in box.probes if (one.place, one.quantity) == (place, quantity) and one.age_s is not None]
    last = min(spoke, key=lambda one: one.age_s or 0.0, default=None)
    if last is None or last.value is None or last.age_s is None:
        return ""
    return f"last {speech.value(quantity, last.value)}, {show_duration(last.age_s // 60 * 60)} ago"


def _value(name: str, quantity: str, read: doc.Extreme | None, speech: Speech, last: str) -> Value:
    if read is None:
        return Value(name, "no reading", "", last)
    moving = say.trend(quantity, read.rate_per_h)
    if moving in ("rising", "falling") and read.rate_per_h is not None:
        moving = f"{moving}, {speech.slope(quantity, read.rate_per_h)}"
    return Value(name, speech.value(quantity, read.value), moving, _old(read.age_s))


def _old(age_s: float | None) -> str:
    return f"{show_duration(age_s // 60 * 60)} ago" if age_s is not None and age_s >= OLD_S else ""


def _derived(box: doc.Box, speech: Speech) -> Iterator[Value]:
    """What a koji maker looks at beside the probes' own values."""
    for one in derived.brief(box, speech):
        yield Value(one.name, one.value, "", _old(one.age_s))
