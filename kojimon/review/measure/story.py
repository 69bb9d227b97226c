"""What happened in a batch, from its events alone: works, windows, stages, alarms, notes, the verdict. Pure.

Times stay engine ms here; `hours.Hours` turns them into hours.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import events as said
from kojimon.contract.events import (
    Checked,
    OfMark,
    Stage,
    StepCorrected,
    StepDone,
    StepDue,
    StepMissed,
    StepOpen,
    StepUndone,
    Window,
)  # fmt: skip
from kojimon.model import Event, standing_readings

HOUR_ZERO = "inoculate"


class Work(Struct, frozen=True):
    """A step done, as the marks that stand say.

    Attributes:
        at_ms: when it was done; said_ms when that was said.
        gate: what was asked and answered.
        opens_ms, due_ms: its window where it was done before that opened, and so never announced.
    """

    mark: int
    step: str
    label: str
    work: str
    at_ms: int
    said_ms: int
    who: str = ""
    gate: Checked = Checked()
    round: int = 1
    opens_ms: int | None = None
    due_ms: int | None = None


class Opening(Struct, frozen=True):
    """A step's window in one round, as it was announced; None where it was not."""

    step: str
    label: str
    round: int
    opens_ms: int | None = None
    due_ms: int | None = None
    closes_ms: int | None = None
    optional: bool = False


class Span(Struct, frozen=True):
    """A stage: from when to when (None: to the end)."""

    name: str
    label: str
    from_ms: int
    to_ms: int | None


class Note(Struct, frozen=True):
    """Something a person wrote down, with a photo's file name where there is one."""

    at_ms: int
    text: str
    who: str = ""
    photo: str = ""


class Read(Struct, frozen=True):
    """What somebody read by hand; °C or %."""

    at_ms: int
    place: str
    quantity: str
    tray: str
    value: float


class Verdict(Struct, frozen=True):
    """How the koji was, by a person: words and scores of 1 to 5; None where nothing was said."""

    said_ms: int
    who: str
    words: dict[str, str]
    scores: dict[str, int]
    text: str = ""


class Story(Struct, frozen=True):
    """A whole batch, told."""

    works: tuple[Work, ...]
    windows: tuple[Opening, ...]
    stages: tuple[Span, ...]
    notes: tuple[Note, ...]
    verdict: Verdict | None
    hour0_ms: int | None
    ended_ms: int | None
    reads: tuple[Read, ...] = ()

    def rounds(self, step: str) -> list[Opening]:
        """The windows of a step, by round."""
        return sorted((one for one in self.windows if one.step == step), key=lambda one: one.round)


def story_of(events: Sequence[Event]) -> Story:
    """The story that a batch's events tell.

    Args:
        events: all of the batch's, in order.
    """
    works = _works(events)
    ends = (said.BatchHarvest, said.BatchDiscard, said.BatchReopened)
    last = next((event for event in reversed(events) if isinstance(event.what, ends)), None)
    ended = None if last is None or isinstance(last.what, said.BatchReopened) else last.t_ms
    if last is not None and isinstance(last.what, said.BatchHarvest) and last.what.at_ms is not None:
        ended = last.what.at_ms
    hour0 = min((work.at_ms for work in works if work.step == HOUR_ZERO), default=None)
    return Story(
        works=tuple(works),
        windows=tuple(_windows(events)),
        stages=tuple(_stages(events, ended)),
        notes=tuple(_notes(events)),
        verdict=_verdict(events),
        hour0_ms=hour0,
        ended_ms=ended,
        reads=tuple(_reads(events, works)),
    )


def _works(events: Iterable[Event]) -> list[Work]:
    """Marks that stand: what was taken back is gone, what was corrected has its new time."""
    found: dict[int, Work] = {}
    for event in events:
        what = event.what
        at_ms = event.t_ms if not isinstance(what, OfMark) or what.at_ms is None else what.at_ms
        if isinstance(what, StepDone):
            found[what.mark] = Work(
                what.mark, event.key, what.label or event.key, what.work or "none", at_ms, event.t_ms, what.who,
                what.gate, opens_ms=what.opens_ms, due_ms=what.due_ms,
            )  # fmt: skip
        elif isinstance(what, StepUndone):
            found.pop(what.mark, None)
        elif isinstance(what, StepCorrected) and what.mark in found:
            found[what.mark] = replace(found[what.mark], at_ms=at_ms, said_ms=event.t_ms)
    counted: dict[str, int] = {}
    works = []
    for one in sorted(found.values(), key=lambda work: (work.at_ms, work.mark)):
        number = counted[one.step] = counted.get(one.step, 0) + 1
        works.append(replace(one, round=number))
    return works


_EDGES = {StepOpen: "opens_ms", StepDue: "due_ms", StepMissed: "closes_ms"}


def _windows(events: Iterable[Event]) -> list[Opening]:
    """Windows as last announced; one announced again after a correction counts anew."""
    found: dict[tuple[str, int], Opening] = {}
    for event in events:
        what = event.what
        if not isinstance(what, Window):
            continue
        name = (event.key, what.round)
        before = found.get(name) or Opening(event.key, what.label or event.key, what.round)
        times = {_EDGES[type(what)]: event.t_ms} | ({} if what.closes_ms is None else {"closes_ms": what.closes_ms})
        found[name] = replace(before, optional=what.optional, **times)
    return list(found.values())


def _stages(events: Sequence[Event], ended: int | None) -> list[Span]:
    changes = [(event, what) for event in events if isinstance(what := event.what, Stage)]
    ends = [*(event.t_ms for event, _ in changes[1:]), ended]
    return [
        Span(event.key, what.label or event.key, event.t_ms, end)
        for (event, what), end in zip(changes, ends, strict=False)
        if event.key and (end is None or end > event.t_ms)
    ]


def _notes(events: Iterable[Event]) -> list[Note]:
    found = [
        Note(event.t_ms if what.at_ms is None else what.at_ms, what.text, what.who, what.photo)
        for event in events
        if isinstance(what := event.what, said.Note)
    ]
    return sorted(found, key=lambda note: note.at_ms)


def _reads(events: Iterable[Event], works: Iterable[Work]) -> list[Read]:
    """By the order of time, but for what was taken back. What was said at a step's gate is one as well: all of them ask
    for the koji."""
    found = [
        Read(what.at_ms, what.place, what.quantity, what.tray, what.value) for what in standing_readings(events)
    ]
    for work in works:
        value = work.gate.value if work.gate.by == "thermometer" else None
        if value is not None and not any(read.value == value for read in found):
            found.append(Read(work.at_ms, "bed", "temperature", "", value))
    return sorted(found, key=lambda read: read.at_ms)


def _verdict(events: Sequence[Event]) -> Verdict | None:
    """The last one said; each replaces the one before."""
    found = ((event.t_ms, what) for event in reversed(events) if isinstance(what := event.what, said.Verdict))
    return next((Verdict(t_ms, what.who, what.words, what.scores, what.text) for t_ms, what in found), None)
