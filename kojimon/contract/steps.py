"""The open batch, its steps, and what is asked after work. Part of the state document."""

from __future__ import annotations

from typing import Final

from msgspec import Struct

TOO_HOT_C: Final = 45.0
"""Koji: growth is braked from 42 °C (Miso maker's page, as in the schedules); beyond, it is harmed (judgement)."""


class TooHot(Struct, frozen=True):
    """How koji was too hot: over `limit_c` for so long in all, by what was measured, and `peak_c` at its hottest."""

    limit_c: float
    peak_c: float
    for_s: float


class Weighing(Struct, frozen=True):
    """A weight that stands: its stage, what it weighed without its vessel, when, and the event that states it.
    `tare_was_kg`: what was taken off for its vessel until this brought another tare; None where it brought none."""

    stage: str
    kg: float
    at_t_ms: int
    event: int
    at_utc: str | None = None
    tare_was_kg: float | None = None


class OpenBatch(Struct, frozen=True):
    """The open batch of a box.

    Attributes:
        label: its schedule, in words.
        hour: since the spores, None before. hour0_t_ms: when they went on, None before.
        forgotten_t_ms: a day past its latest harvest: when it probably ended; else None.
        weighed: the last weight that stands; None for none.
    """

    id: str
    name: str
    schedule: str
    label: str
    hour: float | None
    started_t_ms: int
    hour0_t_ms: int | None
    started_utc: str | None = None
    hour0_utc: str | None = None
    forgotten_t_ms: int | None = None
    forgotten_utc: str | None = None
    weighed: Weighing | None = None


class EndedBatch(Struct, frozen=True):
    """The last batch of a box, as long as its end can be taken back.

    Attributes:
        outcome: `harvest` or `discard`.
        at_t_ms: when it ended. until_t_ms: until when that can be taken back. after: the last event before.
        weighed: its last weight that stands, if any.
        cool_at_c: harvested koji is watched until it is as cool; None where it was seen cool, or nothing is watched.
    """

    id: str
    name: str
    outcome: str
    at_t_ms: int
    until_t_ms: int
    at_utc: str | None = None
    until_utc: str | None = None
    after: int = 0
    weighed: Weighing | None = None
    cool_at_c: float | None = None


class Stage(Struct, frozen=True):
    """The stage of the schedule that the batch is in, and since when."""

    name: str
    label: str
    since_t_ms: int | None = None
    since_utc: str | None = None


class Mark(Struct, frozen=True):
    """A time a step was done. `undone`: taken back since. `event`: number of the event that states it."""

    mark: int
    at_t_ms: int
    at_utc: str | None = None
    undone: bool = False
    event: int = 0


class Gate(Struct, frozen=True):
    """What must be measured before a step counts as done, °C; at least one of the two limits is there.

    passed: whether it would pass now; None where nobody can know.
    """

    place: str
    at_least: float | None = None
    at_most: float | None = None
    passed: bool | None = None


class Step(Struct, frozen=True):
    """A step of the batch's schedule.

    Attributes:
        trade: the trade's word, "" for none. work: what it does (`mix`, `spread`, `harvest`, ...), "" for none.
        status: `waiting`, `open`, `due`, `missed` (its time has passed undone; it can still be done) or `done`.
        round: which time it is to be done next, from 1; None when it is done for good.
        opens, due, closes: when it may, should and must be done; None where that hangs on what the koji does.
        doubt: why its koji may not have grown although the clock opens it: `not-warmed`, or that it cannot be known, as
            in `Box.warmth_untold`; `probe-out`: it is not known whether a probe is in it; of a
            harvest also `hot`: it was too hot for long (`too_hot`), or `cold`: it is, or its box is off; "" for none.
    """

    name: str
    label: str
    status: str
    trade: str = ""
    work: str = ""
    round: int | None = None
    repeats: bool = False
    optional: bool = False
    opens_t_ms: int | None = None
    opens_utc: str | None = None
    due_t_ms: int | None = None
    due_utc: str | None = None
    closes_t_ms: int | None = None
    closes_utc: str | None = None
    marks: tuple[Mark, ...] = ()
    gate: Gate | None = None
    doubt: str = ""
    too_hot: TooHot | None = None
    advice: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def standing(self) -> tuple[Mark, ...]:
        """Its marks that were not taken back."""
        return tuple(mark for mark in self.marks if not mark.undone)

    @property
    def can(self) -> bool:
        """Whether it may be done now."""
        return self.status in ("open", "due", "missed")


class Next(Struct, frozen=True):
    """The one next step: its name and status, when it opens or was due, when it closes."""

    step: str
    status: str
    at_t_ms: int | None = None
    at_utc: str | None = None
    closes_t_ms: int | None = None
    closes_utc: str | None = None


class Question(Struct, frozen=True):
    """What is asked: after work on the koji whether the probe is back in it, after a sudden fall whether it was mixed.

    Attributes:
        key: `probe-back` or `mix-guess`. step, mark: the work; its mark is 0 where it is only guessed.
        at_t_ms: when. until_t_ms: until when it is asked; None for until it is answered.
        probes: how many are in the koji by the settings.
    """

    key: str
    step: str
    mark: int
    at_t_ms: int
    until_t_ms: int | None
    probes: int
    at_utc: str | None = None
    until_utc: str | None = None
