"""What a person does, as values: one record a kind, its fields as a door takes them and as the journal keeps them.

Envelope and record are apart on the wire: `{"kind": "step.done", "incubator": ..., "data": {"step": ...}}`. A moment in
the past may be given as `X_t_ms` (engine time), `X_ago_s` (seconds ago) or `X_utc` (ISO 8601 with a zone); the doors
make `X_t_ms` of all three (`core.acts`), and the engine knows no other. An alarm's `occurrence`, where given, must be
the present one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Final, TypeVar

import msgspec
from msgspec import Meta, Struct

from kojimon.contract.kinds import of_kind

Shape = TypeVar("Shape")

TEXT_MOST: Final = 2_000
"""Letters of a text that a person writes: a note, a reason, a verdict."""
NAME_MOST: Final = 200
POINTS_MOST: Final = 20
NUMBER_MOST: Final = 1e9
WHOLE_MOST: Final = 2**53
"""Exact in every JSON reader (RFC 8259, 6)."""

Text = Annotated[str, Meta(max_length=TEXT_MOST)]
Name = Annotated[str, Meta(max_length=NAME_MOST)]
Number = Annotated[float, Meta(ge=-NUMBER_MOST, le=NUMBER_MOST)]
Whole = Annotated[int, Meta(ge=-WHOLE_MOST, le=WHOLE_MOST)]
Points = Annotated[tuple[tuple[Number, Number], ...], Meta(max_length=POINTS_MOST)]


class Deed(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What is done, without who and where. What is absent stands at its default."""

    kind: ClassVar[str] = ""


class Dated(Deed, frozen=True, kw_only=True):
    """What may have been done before now."""

    at_t_ms: Whole | None = None
    at_ago_s: Number | None = None
    at_utc: Name | None = None


class OfAlarm(Deed, frozen=True, kw_only=True):
    """What is done about an alarm: its key, and which time of it is meant."""

    key: Name = ""
    occurrence: Whole | None = None


class BatchStart(Deed, frozen=True, kw_only=True):
    """Opens a batch; with hour 0 given, in the middle of it. `schedule`: another than the box's own."""

    kind = "batch.start"
    id: Name = ""
    name: Name = ""
    schedule: Name = ""
    rice_kg: Number | None = None
    note: Text = ""
    hour0_t_ms: Whole | None = None
    hour0_ago_s: Number | None = None
    hour0_utc: Name | None = None


class BatchHarvest(Dated, frozen=True, kw_only=True):
    """Takes the koji out: the batch is over."""

    kind = "batch.harvest"
    yield_kg: Number | None = None
    note: Text = ""


class BatchReopen(Deed, frozen=True, kw_only=True):
    """Takes the end of the last batch of a box back, for a day: the watch goes on. `batch`: only if it is this one."""

    kind = "batch.reopen"
    batch: Name = ""


class BatchDiscard(Deed, frozen=True, kw_only=True):
    """Throws the batch away."""

    kind = "batch.discard"
    reason: Text = ""


class BatchNote(Dated, frozen=True, kw_only=True):
    """Notes what was seen. `photo`: file name in the photo folder."""

    kind = "batch.note"
    text: Text = ""
    photo: Name = ""


class BatchWeigh(Dated, frozen=True, kw_only=True):
    """What was on the scale: `kg` with the vessel, `tare_kg` of the vessel alone: kept, and taken off what is weighed
    in it (soaked and steamed; seeded, work and harvest) until it is given anew, 0 for none. `stage`: `dry`, `soaked`,
    `steamed`, `seeded`, `work` or `harvest`."""

    kind = "batch.weigh"
    stage: Name = ""
    kg: Number | None = None
    tare_kg: Number | None = None


class BatchUnweigh(Deed, frozen=True, kw_only=True):
    """Takes the last weight of a stage back."""

    kind = "batch.unweigh"
    stage: Name = ""


class BatchVerdict(Deed, frozen=True, kw_only=True):
    """Says how the koji was; `batch` may be over, the open one where none is named. Scores are 1 to 5."""

    kind = "batch.verdict"
    batch: Name = ""
    look: Text = ""
    smell: Text = ""
    taste: Text = ""
    text: Text = ""
    look_score: Whole | None = None
    smell_score: Whole | None = None
    taste_score: Whole | None = None


class Reading(Dated, frozen=True, kw_only=True):
    """What was read by hand: °C or %, of the `place` (`bed` where a temperature has none, `air` where a humidity has)
    and `tray`. Dated back by a minute and more it is kept, and judged by nothing."""

    kind = "reading"
    value_c: Number | None = None
    value_pct: Number | None = None
    place: Name = ""
    tray: Name = ""


class ReadingUndo(Deed, frozen=True, kw_only=True):
    """Takes a reading by hand back, the last one of a place: `reading`, number of its event."""

    kind = "reading.undo"
    reading: Whole | None = None


class StepDone(Dated, frozen=True, kw_only=True):
    """Marks a step as done.

    `value_c`: what a kitchen thermometer shows. `override`: why it is done although its gate is shut. Where the step is
    the harvest, `yield_kg` and `note` are as there.
    """

    kind = "step.done"
    step: Name = ""
    value_c: Number | None = None
    override: Text = ""
    yield_kg: Number | None = None
    note: Text = ""


class StepUndo(Deed, frozen=True, kw_only=True):
    """Takes the mark of a step back."""

    kind = "step.undo"
    mark: Whole | None = None


class StepCorrect(Dated, frozen=True, kw_only=True):
    """Says when a step was really done."""

    kind = "step.correct"
    mark: Whole | None = None


class ForecastReset(Deed, frozen=True, kw_only=True):
    """The next batch's forecasts start from what is published; "": of every schedule."""

    kind = "forecast.reset"
    schedule: Name = ""


class Acknowledge(OfAlarm, frozen=True, kw_only=True):
    """Takes note of an alarm."""

    kind = "alarm.acknowledge"


class Confirm(OfAlarm, frozen=True, kw_only=True):
    """Says that it is dealt with."""

    kind = "alarm.confirm"
    text: Text = ""


class Reset(OfAlarm, frozen=True, kw_only=True):
    """Frees an alarm that is kept after its condition has ended."""

    kind = "alarm.reset"


class Shelve(OfAlarm, frozen=True, kw_only=True):
    """Sets an alarm aside for `for_s` seconds, an hour at most; `one_shot`: or until its condition ends."""

    kind = "alarm.shelve"
    for_s: Number | None = None
    one_shot: bool = False


class Unshelve(OfAlarm, frozen=True, kw_only=True):
    """Ends that."""

    kind = "alarm.unshelve"


class OutOfService(OfAlarm, frozen=True, kw_only=True):
    """Switches an alarm off for repair; the reason is kept and shown until it is back."""

    kind = "alarm.out_of_service"
    reason: Text = ""


class InService(OfAlarm, frozen=True, kw_only=True):
    """Switches it on again."""

    kind = "alarm.in_service"


class Silence(OfAlarm, frozen=True, kw_only=True):
    """No noise for `for_s` seconds (10 min; an hour at most), still not acknowledged."""

    kind = "alarm.silence"
    for_s: Number | None = None


class AlarmTest(Deed, frozen=True, kw_only=True):
    """Raises an alarm that means nothing; ends when acknowledged, or after 5 min. `wake`: the way of what wakes."""

    kind = "alarm.test"
    text: Text = ""
    wake: bool = False


class ProbeTest(Deed, frozen=True, kw_only=True):
    """A probe is about to be warmed; when it has risen by `rise_k` a test alarm says so."""

    kind = "alarm.probe_test"
    probe: Name = ""
    rise_k: Number | None = None


class WorkBegin(Deed, frozen=True, kw_only=True):
    """Hands are in the koji from now on, for `for_s` seconds at most."""

    kind = "work.begin"
    for_s: Number | None = None


class Setpoint(Deed, frozen=True, kw_only=True):
    """The box has been set to another temperature, where known to which; or its heat is `off`."""

    kind = "box.setpoint"
    to_c: Number | None = None
    off: bool = False


class ProbeCalibrate(Deed, frozen=True, kw_only=True):
    """Keeps a calibration: (raw, true) pairs in °C or %, none takes the stored one back; `date`: ISO 8601.

    In force at once and after a restart, where its date is not older than that of the settings.
    """

    kind = "probe.calibrate"
    probe: Name = ""
    points: Points = ()
    date: Name = ""
    note: Text = ""


class ProbeMove(Deed, frozen=True, kw_only=True):
    """A probe is in another tray from now on, until the batch ends or the settings give it another.

    Its trend is not judged for 10 min.
    """

    kind = "probe.move"
    probe: Name = ""
    tray: Name = ""


class ProbeBack(Deed, frozen=True, kw_only=True):
    """The probe is back in the koji after work on it; noted whether or not it was asked."""

    kind = "probe.back"


class MixReply(Dated, frozen=True, kw_only=True):
    """Says of a sudden fall of the koji whether it was a mixing that nobody marked, then or at another moment.

    `guess_ms`: the moment that was asked about; the first open one where none is named.
    """

    kind = "mix.answer"
    mixed: bool = True
    guess_ms: Whole | None = None


class Other(Deed, frozen=True, kw_only=True):
    """What this version does not know, as it was written."""

    name: str
    data: dict[str, Any] = {}


OF_KIND: Final = of_kind(Deed)


class Act(Struct, frozen=True):
    """What a person does, from any door.

    Attributes:
        incubator: name, "" for the site.
        who: the person, as the door knows them.
        channel: cli, api, page, mqtt, setup.
        idempotency: a key; the same key twice is done once.
    """

    deed: Deed
    incubator: str = ""
    who: str = ""
    channel: str = ""
    idempotency: str = ""

    @property
    def kind(self) -> str:
        """Name of what is done: `batch.start`, `step.done`, ..."""
        return self.deed.name if isinstance(self.deed, Other) else self.deed.kind


class PlainAct(Struct, frozen=True):
    """An act as JSON has it, at a door and in the journal."""

    kind: str = ""
    incubator: str = ""
    who: str = ""
    channel: str = ""
    idempotency: str = ""
    data: dict[str, Any] = {}


def plain(act: Act) -> PlainAct:
    """The act as JSON has it."""
    deed = act.deed
    data = deed.data if isinstance(deed, Other) else msgspec.to_builtins(deed)
    return PlainAct(act.kind, act.incubator, act.who, act.channel, act.idempotency, data)


def typed(act: PlainAct) -> Act:
    """The act as values. Raises msgspec.ValidationError where a field of it is not what it should be."""
    return Act(deed_of(act.kind, act.data), act.incubator, act.who, act.channel, act.idempotency)


def deed_of(kind: str, data: Mapping[str, Any]) -> Deed:
    """What is done, from its kind and fields; one that is null counts as absent, one that is not known is passed over.

    Raises msgspec.ValidationError where a field is not what it should be.
    """
    if kind not in OF_KIND:
        return Other(name=kind, data=dict(data))
    return msgspec.convert({name: value for name, value in data.items() if value is not None}, OF_KIND[kind])


def act_body(payload: bytes, shape: type[Shape]) -> Shape:
    """What somebody sends as an act, read strictly.

    Raises ValueError, in words: it is no UTF-8 or no JSON, too deeply nested, not of that shape, or a name stands twice
    in it (RFC 8259, 4, leaves open which of the two counts: one door might check what another does).
    """
    try:
        found = msgspec.json.decode(payload, type=shape)
        json.loads(payload, object_pairs_hook=once)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(str(error)[:200]) from None
    return found


def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """The object that pairs of JSON make (`object_pairs_hook`). Raises ValueError where a name stands twice."""
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(name for name, _ in pairs if sum(name == other for other, _ in pairs) > 1)
        raise ValueError(f"`{twice[:40]}` stands there twice")
    return found
