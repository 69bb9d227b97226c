"""The steps of a batch after hour 0 and their windows, which hang on the times of earlier steps alone. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Final

from msgspec import Struct

from kojimon.planner.likely import HOUR_ZERO, Span, Times, decided, likely, references
from kojimon.schedule.spec import Condition, Schedule, Step

GRID_MIN: Final = 15
"""Steps are tried each quarter of an hour."""
MOST_REPEATS: Final = 4


class Known(Struct, frozen=True):
    """What is known besides the schedule, in minutes.

    Attributes:
        own: when a moment came in batches of one's own, by step and `opens` or `due`: after hour 0, or after the
            latest of the steps that it counts from.
        done: the marks of each step of a batch that goes on, after hour 0. now: nothing is placed before.
        windows: what the engine says of the next turn of a step: opens, due, closes, after hour 0; None: not known.
        gone: steps whose time has passed, that nobody will do any more.
    """

    own: Mapping[tuple[str, str], Span] = {}
    done: Mapping[str, Sequence[float]] = {}
    now: float = -math.inf
    windows: Mapping[str, tuple[float | None, float | None, float | None]] = {}
    gone: Collection[str] = ()


NOTHING: Final = Known()


class Window(Struct, frozen=True):
    """When a step can be done, minutes after hour 0, whatever the time of day.

    Attributes:
        span: from when to when.
        call: between which times it becomes due.
        wanted: the best time for it.
        grid: the times that are tried.
    """

    span: Span
    call: Span
    wanted: float
    grid: tuple[float, ...]
    koji_decides: bool


Key = tuple[int, tuple[tuple[str, float], ...]]


class Course:
    """The steps after hour 0 and their windows, which hang on the times of earlier steps alone."""

    def __init__(self, schedule: Schedule, known: Known = NOTHING) -> None:
        self._conditions: Mapping[str, Condition] = schedule.conditions
        self._known = known
        self.steps = sorted(_left(schedule, known), key=lambda step: step.work == "harvest")
        self._counts_from = [self._named(number) for number in range(len(self.steps))]
        self.needed = [set().union(*self._counts_from[number:]) for number in range(len(self.steps) + 1)]
        self._windows: dict[Key, Window | None] = {}
        opens = likely(self.steps[-1].window.opens, {HOUR_ZERO: 0.0}, self._conditions) if self.steps else None
        self._harvest = opens[0] if opens else 0.0

    def _named(self, number: int) -> set[str]:
        """The steps one counts from; that which repeats counts, once done, from when it was done last."""
        step = self.steps[number]
        if (number and self.steps[number - 1] is step) or step.name in self._known.done:
            return {step.name, HOUR_ZERO}
        return counted_from(step)

    def window(self, number: int, times: Times) -> Window | None:
        """The window of a step, given when earlier ones are done; None where it has none, or the harvest is first."""
        known = tuple(sorted((name, at) for name, at in times.items() if name in self._counts_from[number]))
        if (number, known) not in self._windows:
            step = self.steps[number]
            said = self._known.windows.get(step.name) if self.steps.index(step) == number else None
            self._windows[number, known] = self._made(step, dict(known), said or (None, None, None))
        return self._windows[number, known]

    def _made(self, step: Step, times: Times, said: tuple[float | None, float | None, float | None]) -> Window | None:
        now, (opens, due, closes) = self._known.now, self._spans(step, times, said)
        first = opens or due
        if first is None or (step.repeats and first[1] >= self._harvest):
            return None
        first = max(first[0], now), max(first[1], now)
        asks = said[1] if step.window.due else said[0]
        koji = decided(step.window.due or step.window.opens) and (asks is None or asks > now)
        call = due or (first if closes is None or koji else (first[0], closes[0]))
        guessed = koji and call[0] == call[1]
        call = max(call[0], now), max(call[1], now)
        if guessed:  # no usual hours: somewhere between may and must
            call = min(first[1], call[1]), call[1]
        ends = max(first[1], closes[0] if closes else call[1] + max(0.0, call[1] - first[1]))
        last = max(first[1], ends - step.lasts_s / 60)
        wanted = min(max((call[0] + call[1]) / 2, first[1]), last)
        if guessed:  # it may come as late as the window lasts
            call = call[0], max(call[1], ends)
        grid = {first[1] + GRID_MIN * count for count in range(int((last - first[1]) // GRID_MIN) + 1)}
        return Window((first[1], ends), call, wanted, tuple(sorted({*grid, wanted})), koji)


    def _spans(
        self, step: Step, times: Times, said: tuple[float | None, float | None, float | None]
    ) -> Iterator[Span | None]:
        """When it opens, is due and closes: as the engine says, as batches of one's own had it, else as usual."""
        moments = step.window.opens, step.window.due, step.window.closes
        for which, moment, at in zip(("opens", "due", "closes"), moments, said, strict=True):
            own = self._known.own.get((step.name, which)) if moment is not None and decided(moment) else None
            base = max((times[name] for name in references(moment) if name in times), default=None)
            if at is not None and (at <= self._known.now or not decided(moment)):  # else the koji may be sooner
                yield at, at
            elif own is not None and base is not None:
                yield base + own[0], base + own[1]
            else:
                yield likely(moment, times, self._conditions)


def counted_from(step: Step) -> set[str]:
    """The steps that its window counts from."""
    window = step.window
    return references(window.opens) | references(window.due) | references(window.closes)


def _left(schedule: Schedule, known: Known) -> list[Step]:
    """The steps after hour 0 that are still to be done; what was passed over before one that was done is let go.
    What may only be seen has no time of its own."""
    names = [step.name for step in schedule.steps]
    after = [step for step in schedule.steps[names.index(HOUR_ZERO) + 1 :]
             if step.work != "look" and step.name not in known.gone]  # fmt: skip
    last = max((number for number, step in enumerate(after) if step.name in known.done), default=-1)
    found: list[Step] = []
    for number, step in enumerate(after):
        turns = MOST_REPEATS - len(known.done.get(step.name, ())) if step.repeats else 1
        if step.repeats or number > last:
            found += [step] * max(1, turns)
    return found
