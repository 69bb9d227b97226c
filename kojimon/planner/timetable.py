"""Timetables of a batch by its own schedule, the work kept out of the hours of sleep where that can be. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from msgspec import Struct
from msgspec.structs import replace

from kojimon.planner.course import NOTHING, Course, Key, Known, Window, counted_from
from kojimon.planner.likely import HOUR_ZERO, Span, before, soak_min
from kojimon.planner.nights import CELL_MIN, Nights, Sleep
from kojimon.schedule.spec import Schedule, Step

START_MIN = 30
"""Beginnings are tried each half hour."""
APART_MIN = 120
ASLEEP, MAY_WAKE, OPTIONAL, HOUR_OFF, SOAK_HOUR_OFF = 100.0, 20.0, 1.0, 0.5, 0.2
"""Weights of the search (judgement): a step in the night, one that the koji may ask for in the night, an optional one,
an hour beside the hour at which a step is due, an hour beside the usual soaking."""
HANDS_S = 1800.0


class PlannedStep(Struct, frozen=True):
    """One step of a timetable, in local time.

    Attributes:
        step: its name in the schedule.
        at, until: when to do it.
        opens, closes: between which times it can be done, if the koji keeps the usual hours; closed before `at`: its
            time has passed undone.
        asleep: whether it falls into the hours of sleep, whatever is done.
        chance: that the koji asks for it while you sleep, 0 to 1: the share of its likely hours, moved by when the
            step that it counts from may come.
        koji_decides: whether the koji may ask for it at another time.
    """

    step: str
    label: str
    at: datetime
    until: datetime
    opens: datetime
    closes: datetime
    asleep: bool = False
    chance: float = 0.0
    koji_decides: bool = False
    optional: bool = False


class Plan(Struct, frozen=True):
    """A timetable; the lower its cost, the less of it falls into the night."""

    inoculate: datetime
    steps: tuple[PlannedStep, ...]
    cost: float


class _Placed(Struct, frozen=True):
    step: Step
    at: float
    window: Window
    asleep: bool


Found = tuple[float, tuple[_Placed, ...]]


class _Layout:
    """A course for one hour 0: each step where it costs least, later ones counted in."""

    def __init__(self, course: Course, nights: Nights, zero: float, known: Known = NOTHING) -> None:
        self._course, self._nights, self._zero = course, nights, zero
        self._times = {HOUR_ZERO: 0.0, **{name: max(marks) for name, marks in known.done.items()}}
        self._known: dict[Key, Found] = {}

    def best(self) -> Found:
        """Its cost, and where the steps stand."""
        return self._rest(0, self._times)

    def _rest(self, number: int, times: dict[str, float]) -> Found:
        if number == len(self._course.steps):
            return 0.0, ()
        needed = self._course.needed[number]
        key = number, tuple(sorted((name, at) for name, at in times.items() if name in needed))
        if key not in self._known:
            self._known[key] = self._choose(number, dict(key[1]))
        return self._known[key]

    def _choose(self, number: int, times: dict[str, float]) -> Found:
        window, step = self._course.window(number, times), self._course.steps[number]
        if window is None:
            return self._rest(number + 1, times)
        cheapest: tuple[float, float, Found] | None = None
        for cost, at in self._places(step, window):
            if cheapest is None or cost < cheapest[0]:
                later = self._rest(number + 1, {**times, step.name: at})
                if cheapest is None or cost + later[0] < cheapest[0]:
                    cheapest = cost + later[0], at, later
        assert cheapest is not None
        cost, at, later = cheapest
        placed = _Placed(step, at, window, self._asleep(step, at))
        return cost, (placed, *later[1])

    def _places(self, step: Step, window: Window) -> list[tuple[float, float]]:
        """(cost, minute): the places awake, or the one asleep that cannot be helped."""
        awake = [at for at in window.grid if not self._asleep(step, at)]
        if not awake:
            return [(OPTIONAL if step.optional else ASLEEP, window.wanted)]
        if step.optional:
            return [(0.0, awake[0])]
        share = _share(self._nights, self._zero, window)
        return [
            (MAY_WAKE * (share + self._before(window, at)) / 2 + HOUR_OFF * abs(at - window.wanted) / 60, at)
            for at in awake
        ]

    def _asleep(self, step: Step, at: float) -> bool:
        return self._nights.asleep_min(self._zero + at, self._zero + at + step.lasts_s / 60) > 0

    def _before(self, window: Window, at: float) -> float:
        """How much of its likely hours is slept through before you do it at `at`, 0 to 1."""
        first, last = window.call
        if not window.koji_decides or at <= first or last <= first:
            return 0.0
        return self._nights.asleep_min(self._zero + first, self._zero + min(at, last)) / (last - first)


def _share(nights: Nights, zero: float, window: Window, moved: Span = (0.0, 0.0)) -> float:
    """The share of its likely hours that is slept through, wherever in `moved` (min) the step before it comes."""
    first, last = window.call
    if not window.koji_decides or last <= first:
        return 0.0
    steps = max(1, round((moved[1] - moved[0]) / CELL_MIN))
    ways = [CELL_MIN * round((moved[0] + (moved[1] - moved[0]) * step / steps) / CELL_MIN) for step in range(steps + 1)]
    asleep = sum(nights.asleep_min(zero + first + way, zero + last + way) for way in ways) / len(ways)
    return min(1.0, asleep / (last - first))


def _chances(placed: Sequence[_Placed], nights: Nights, zero: float) -> Iterator[tuple[float, Span]]:
    """Of each step, that the koji asks for it in the night, and the window that this counts in, min after hour 0. A
    step that counts from another moves with it."""
    moves: dict[str, Span] = {}
    for one in placed:
        named = counted_from(one.step) | {one.step.name}
        moved = max(
            (moves[name] for name in named if name in moves), key=lambda span: span[1] - span[0], default=(0, 0)
        )
        (first, last), (opens, closes) = one.window.call, one.window.span
        if one.window.koji_decides:
            opens, closes = min(first, opens) + moved[0], max(last, closes) + moved[1]
        yield _share(nights, zero, one.window, moved), (opens, closes)
        if one.window.koji_decides:
            moved = moved[0] + min(0.0, first - one.at), moved[1] + max(0.0, last - one.at)
        moves[one.step.name] = moved


def plans(
    schedule: Schedule, sleep: Sleep, earliest: datetime, days: float = 1.0, most: int = 3, known: Known = NOTHING
) -> list[Plan]:
    """The best timetables, their hours 0 at least two hours apart, best first.

    Args:
        schedule: whose steps are laid out.
        sleep: when the person sleeps.
        earliest: local time, with its zone, before which nothing can begin.
        days: how far ahead the first step may lie.
        most: how many.
        known: the hours of one's own batches.
    """
    first = earliest + timedelta(minutes=-earliest.minute % START_MIN, seconds=-earliest.second)
    nights, course = Nights(sleep, first.replace(microsecond=0)), Course(schedule, known)
    found: list[tuple[float, float, int]] = []
    kept: list[tuple[float, float, int]] = []
    for least, zero, soak in sorted(_starts(schedule, nights, days)):
        if len(kept) == most and kept[-1][0] <= least:  # what is left costs more before its first step in the koji
            break
        found.append((least + _Layout(course, nights, zero).best()[0], zero, soak))
        kept = _apart(sorted(found), most)
    return [_plan(schedule, course, nights, one) for one in kept]


def _apart(found: list[tuple[float, float, int]], most: int) -> list[tuple[float, float, int]]:
    kept: list[tuple[float, float, int]] = []
    for one in found:
        if len(kept) < most and all(abs(one[1] - other[1]) >= APART_MIN for other in kept):
            kept.append(one)
    return kept


def _starts(schedule: Schedule, nights: Nights, days: float) -> list[tuple[float, float, int]]:
    """(cost before hour 0, hour 0, soaking in min) of every start; the soaking that costs least for each hour 0."""
    shortest, usual, longest = soak_min(schedule)
    lead = sum(step.lasts_s for step in before(schedule)) / 60 - usual
    cheapest: dict[float, tuple[float, int]] = {}
    for soak in sorted({*range(shortest, longest + 1, START_MIN), usual}):
        for number in range(round(days * 1440 / START_MIN)):
            zero = lead + soak + number * START_MIN
            asleep = sum(asleep for _, _, asleep in _earlier(schedule, nights, zero, soak))
            cost = ASLEEP * asleep + SOAK_HOUR_OFF * abs(soak - usual) / 60
            if zero not in cheapest or cost < cheapest[zero][0]:
                cheapest[zero] = cost, soak
    return [(cost, zero, soak) for zero, (cost, soak) in cheapest.items()]


def _earlier(schedule: Schedule, nights: Nights, zero: float, soak: int) -> list[tuple[Step, float, bool]]:
    """The steps up to hour 0: when, and whether hands are wanted in the night."""
    found, at = [], zero
    steps: Sequence[Step] = [*before(schedule), next(step for step in schedule.steps if step.name == HOUR_ZERO)]
    for step in reversed(steps):
        at -= 0 if step.name == HOUR_ZERO else soak if step.name == "soak" else step.lasts_s / 60
        hands = min(step.lasts_s, HANDS_S) / 60
        found.append((step, at, nights.asleep_min(at, at + hands) > 0))
    return found[::-1]


def _plan(schedule: Schedule, course: Course, nights: Nights, chosen: tuple[float, float, int]) -> Plan:
    cost, zero, soak = chosen
    steps = []
    for step, at, asleep in _earlier(schedule, nights, zero, soak):
        begins, ends = nights.local(at), nights.local(at + min(step.lasts_s, HANDS_S) / 60)
        steps.append(PlannedStep(step.name, step.label, begins, ends, begins, begins, asleep))
    steps += _shown(_Layout(course, nights, zero).best()[1], nights, zero)
    return Plan(nights.local(zero), tuple(sorted(steps, key=lambda step: step.at.timestamp())), cost)


def _shown(placed: Sequence[_Placed], nights: Nights, zero: float) -> Iterator[PlannedStep]:
    for one, (chance, window) in zip(placed, _chances(placed, nights, zero), strict=True):
        times = (one.at, one.at + one.step.lasts_s / 60, *window)
        begins, ends, opens, closes = (nights.local(zero + minute) for minute in times)
        yield PlannedStep(one.step.name, one.step.label, begins, ends, opens, closes, one.asleep, chance,
                          one.window.koji_decides, one.step.optional)  # fmt: skip


def as_planned(schedule: Schedule, sleep: Sleep, begins: datetime, zero: datetime, known: Known) -> Plan | None:
    """The timetable whose first step and hour 0 are given, with their zone; None where soaking would be too short."""
    begins = begins.replace(second=0, microsecond=0)
    shortest, usual, _ = soak_min(schedule)
    lead = sum(step.lasts_s for step in before(schedule)) / 60 - usual
    at = (zero.astimezone(UTC) - begins.astimezone(UTC)).total_seconds() / 60
    if at - lead < shortest:
        return None
    return _plan(schedule, Course(schedule, known), Nights(sleep, begins), (0.0, at, round(at - lead)))


def going_on(
    schedule: Schedule, sleep: Sleep, now: datetime, marks: Mapping[str, Sequence[datetime]],
    windows: Mapping[str, Sequence[datetime | None]], own: Mapping[tuple[str, str], Span],
    gone: Collection[str] = (),
) -> Plan:  # fmt: skip
    """What is left of a batch, from when its steps were really done; the best timetable from now where none was.

    Args:
        now: local time, with its zone. marks: when each step was done. windows: of steps that are still to be done,
            when they open, are due and close by the engine; None: not known. own: as in `Known`. gone: steps whose
            time has passed undone, and that nobody will do any more.
    """
    now = now.replace(second=0, microsecond=0)
    if not marks:
        return plans(schedule, sleep, now, most=1, known=Known(own))[0]
    nights, steps, at = Nights(sleep, now), list[PlannedStep](), 0.0
    spores = next(step for step in schedule.steps if step.name == HOUR_ZERO)
    if HOUR_ZERO in marks:
        at = (max(marks[HOUR_ZERO]) - now).total_seconds() / 60
    else:
        first = [*before(schedule), spores]
        begun = max((number for number, step in enumerate(first) if step.name in marks), default=-1)
        if begun >= 0:
            at = max(0.0, (max(marks[first[begun].name]) - now).total_seconds() / 60 + first[begun].lasts_s / 60)
        for step in first[begun + 1 :]:
            hands = min(step.lasts_s, HANDS_S) / 60
            begins, ends = nights.local(at), nights.local(at + hands)
            asleep = nights.asleep_min(at, at + hands) > 0
            steps.append(PlannedStep(step.name, step.label, begins, ends, begins, begins, asleep))
            at += 0 if step is spores else step.lasts_s / 60
    zero = at

    def after(moment: datetime | None) -> float | None:
        return None if moment is None else (moment - now).total_seconds() / 60 - zero

    done = {
        name: [minute for mark in found if (minute := after(mark)) is not None]
        for name, found in marks.items() if name != HOUR_ZERO and HOUR_ZERO in marks
    }  # fmt: skip
    said = {name: (after(opens), after(due), after(closes)) for name, (opens, due, closes) in windows.items()}
    known = Known(own, done, max(0.0, -zero), said, gone)
    cost, placed = _Layout(Course(schedule, known), nights, zero, known).best()
    out = min((one.at for one in placed if one.step.work == "harvest"), default=math.inf)
    for one in _shown([one for one in placed if one.at < out or not one.step.optional], nights, zero):
        closed = windows.get(one.step, (None, None, None))[2]
        late = closed is not None and closed <= now and all(other.step != one.step for other in steps)
        steps.append(replace(one, closes=closed.astimezone(now.tzinfo)) if closed and late else one)
    return Plan(nights.local(zero), tuple(sorted(steps, key=lambda step: step.at.timestamp())), cost)
