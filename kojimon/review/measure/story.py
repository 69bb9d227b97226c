"""What happened in a batch, from its events alone: works, windows, stages, alarms, notes, the verdict. Pure.

Times stay engine ms here; `hours.Hours` turns them into hours.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from kojimon.model import Event

HOUR_ZERO = "inoculate"


class Work(Struct, frozen=True):
    """A step done, as the marks that stand say.

    Attributes:
        at_ms: when it was done; said_ms when that was said.
        gate: what was asked and answered, plain data; empty where there was no gate.
        opens_ms, due_ms: its window where it was done before that opened, and so never announced.
    """

    mark: int
    step: str
    label: str
    work: str
    at_ms: int
    said_ms: int
    who: str = ""
    gate: dict[str, Any] = {}
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
    ends = ("batch-harvest", "batch-discard", "batch-reopened")
    last = next((event for event in reversed(events) if event.kind in ends), None)
    ended = int(last.data.get("at_ms", last.t_ms)) if last is not None and last.kind != "batch-reopened" else None
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
        mark = int(event.data.get("mark", 0))
        if event.kind == "step-done":
            found[mark] = Work(
                mark, event.key, str(event.data.get("label") or event.key), str(event.data.get("work") or "none"),
                int(event.data.get("at_ms", event.t_ms)), event.t_ms, str(event.data.get("who") or ""),
                dict(event.data.get("gate") or {}), opens_ms=event.data.get("opens_ms"),
                due_ms=event.data.get("due_ms"),
            )  # fmt: skip
        elif event.kind == "step-undone":
            found.pop(mark, None)
        elif event.kind == "step-corrected" and mark in found:
            found[mark] = replace(found[mark], at_ms=int(event.data["at_ms"]), said_ms=event.t_ms)
    counted: dict[str, int] = {}
    works = []
    for one in sorted(found.values(), key=lambda work: (work.at_ms, work.mark)):
        number = counted[one.step] = counted.get(one.step, 0) + 1
        works.append(replace(one, round=number))
    return works


_EDGES = {"step-open": "opens_ms", "step-due": "due_ms", "step-missed": "closes_ms"}


def _windows(events: Iterable[Event]) -> list[Opening]:
    """Windows as last announced; one announced again after a correction counts anew."""
    found: dict[tuple[str, int], dict[str, Any]] = {}
    for event in events:
        edge = _EDGES.get(event.kind)
        if edge is None:
            continue
        number = int(event.data.get("round", 1))
        row = found.setdefault((event.key, number), {"label": str(event.data.get("label") or event.key)})
        row["optional"] = bool(event.data.get("optional", row.get("optional", False)))
        row[edge] = event.t_ms
        closes = event.data.get("closes_ms")
        if closes is not None:
            row["closes_ms"] = int(closes)
    return [Opening(step, row.pop("label"), number, **row) for (step, number), row in found.items()]


def _stages(events: Sequence[Event], ended: int | None) -> list[Span]:
    changes = [event for event in events if event.kind == "stage"]
    ends = [*(event.t_ms for event in changes[1:]), ended]
    return [
        Span(event.key, str(event.data.get("label") or event.key), event.t_ms, end)
        for event, end in zip(changes, ends, strict=False)
        if event.key and (end is None or end > event.t_ms)
    ]


def _notes(events: Iterable[Event]) -> list[Note]:
    found = [
        Note(
            int(event.data.get("at_ms", event.t_ms)), str(event.data.get("text", "")),
            str(event.data.get("who") or ""), str(event.data.get("photo") or ""),
        )
        for event in events
        if event.kind == "note"
    ]  # fmt: skip
    return sorted(found, key=lambda note: note.at_ms)


def _reads(events: Iterable[Event], works: Iterable[Work]) -> list[Read]:
    """By the order of time. What was said at a step's gate is one as well: all of them ask for the koji."""
    found = [
        Read(int(one.data["at_ms"]), str(one.data["place"]), str(one.data["quantity"]), str(one.data.get("tray") or ""),
             float(one.data["value"]))
        for one in events if one.kind == "reading"
    ]  # fmt: skip
    for work in works:
        value = work.gate.get("value") if work.gate.get("by") == "thermometer" else None
        if value is not None and not any(read.value == value for read in found):
            found.append(Read(work.at_ms, "bed", "temperature", "", float(value)))
    return sorted(found, key=lambda read: read.at_ms)


def _verdict(events: Sequence[Event]) -> Verdict | None:
    """The last one said; each replaces the one before."""
    last = next((event for event in reversed(events) if event.kind == "verdict"), None)
    if last is None:
        return None
    data = last.data
    words = {name: str(data[name]) for name in ("look", "smell", "taste") if data.get(name)}
    scores = {name: int(data[f"{name}_score"]) for name in ("look", "smell", "taste") if data.get(f"{name}_score")}
    return Verdict(last.t_ms, str(data.get("who") or ""), words, scores, str(data.get("text") or ""))
