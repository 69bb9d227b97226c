"""What the page shows of the state document, in a cook's words. Pure; the templates only lay it out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from urllib.parse import urlencode

from msgspec import Struct

from kojimon.contract import state as doc
from kojimon.units import show_duration
from kojimon.web.page.asked import Question, press, question_of
from kojimon.words import alarms as alarm_words
from kojimon.words import derived, gates, meaning, outlook
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.measured import measured, unmeasured
from kojimon.words.speech import Speech

OLD_S: Final = 60.0
"""From here on the age of a value is shown; a value without one is fresh."""
TONE_WORDS: Final = {"wrong": "Danger", "look": "Caution", "good": "Within limits", "plain": ""}
"""The word that stands beside each colour (ISO 22324: red danger, yellow caution, green safe)."""
UNDO_MS: Final = 3_600_000
"""So long a step just done can be taken back beside its button; later by *correct* in the list."""
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
        alarms=tuple(_alarm(alarm, None, document, speech) for alarm in document.alarms),
        now=speech.moment(now, now),
        now_utc=now,
        clock="" if document.now.trusted else "The clock of this machine is not set: times of day may be wrong.",
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
        alarms=tuple(_alarm(alarm, box, document, speech) for alarm in box.alarms),
        koji=tuple(value for place, value in values if place == "bed"),
        around=(*(value for place, value in values if place != "bed"), *_derived(box, speech)),
        unmeasured=say.listing(unmeasured(box)),
        steps=tuple(_step(step, speech, now_ms, now) for step in box.steps),
        before_spores=batch is not None and batch.hour is None,
        rest=" ".join(filter(None, [rest.text if rest else "", outlook.ready(box, speech, now)])),
        question=question_of(box, speech, now),
        movable=tuple(_movable(box)),
        trays=tuple((tray, say.tray_name(tray)) for tray in box.trays),
        undo=_undo(box, speech, now_ms, now),
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


def _undo(box: doc.Box, speech: Speech, now_ms: int, now: str) -> Undo | None:
    batch = box.batch
    if batch is not None and batch.forgotten_t_ms is not None:
        when = speech.moment(batch.forgotten_utc, now) if batch.forgotten_utc else "then"
        ago_min = str(round((now_ms - batch.forgotten_t_ms) / 60_000))
        key = press(box.batch_id, "batch.harvest", str(batch.forgotten_t_ms))
        fields = {"kind": "batch.harvest", "incubator": box.name, "ago_min": ago_min, "idempotency": key}
        return Undo(f"Batch {batch.name} was never ended; taken out, probably {when}?", fields, f"Close it at {when}")
    ended = box.ended
    if ended is not None:
        what = "harvested" if ended.outcome == "harvest" else "thrown away"
        when = f" {speech.moment(ended.at_utc, now)}" if ended.at_utc else ""
        key = press(ended.id, "batch.reopen", str(ended.at_t_ms))
        fields = {"kind": "batch.reopen", "incubator": box.name, "batch": ended.id, "idempotency": key}
        return Undo(f"Batch {ended.name} was {what}{when}.", fields)
    marks = [(mark, step) for step in box.steps for mark in step.standing if now_ms - mark.at_t_ms <= UNDO_MS]
    mark, step = max(marks, key=lambda pair: pair[0].mark, default=(None, None))
    reads = [one for one in box.by_hand if one.reading and now_ms - one.at_t_ms <= UNDO_MS]
    read = max(reads, key=lambda one: one.reading, default=None)
    if read is not None and (mark is None or read.at_t_ms > mark.at_t_ms):
        key = press(box.batch_id, "reading.undo", str(read.reading))
        fields = {"kind": "reading.undo", "incubator": box.name, "reading": str(read.reading), "idempotency": key}
        spot = say.small_first(say.spot(read.place, read.quantity, read.tray))
        when = f", {speech.moment(read.at_utc, now)}" if read.at_utc else ""
        return Undo(f"Read by hand: {spot} {speech.value(read.quantity, read.value)}{when}.", fields)
    if mark is None or step is None:
        return None
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


def _values(box: doc.Box, speech: Speech) -> Iterator[tuple[str, Value]]:
    """(place, value) of what is measured: the extremes of a place with several probes."""
    for line in measured(box):
        name = f"{say.big_first(line.end)}: {say.small_first(line.spot)}" if line.end else line.spot
        yield line.place, _value(name, line.quantity, line.read, speech)


def _value(name: str, quantity: str, read: doc.Extreme | None, speech: Speech) -> Value:
    if read is None:
        return Value(name, "no fresh reading", "", "")
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


# Alarms.


def _alarm(alarm: doc.Alarm, box: doc.Box | None, document: doc.Document, speech: Speech) -> Alarm:
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
        yield Button("It is dealt with", "alarm.confirm", own, first=state == "ACKED")
        for minutes in PAUSES_MIN:
            yield Button(f"{minutes} min", "alarm.shelve", {**own, "for_s": str(minutes * 60)})
    if state == "LATCH-ACK":
        yield Button("Reset", "alarm.reset", own, first=True)
    if state == "SHLVD":
        yield Button("End the pause", "alarm.unshelve", {"key": own["key"], "idempotency": again}, first=True)
    if state == "OOSRV":
        yield Button("It is mended", "alarm.in_service", {"key": own["key"], "idempotency": again}, first=True)
