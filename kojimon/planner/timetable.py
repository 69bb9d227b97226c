"""Timetables of a batch by its own schedule, the work kept out of the hours of sleep where that can be. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from zoneinfo import ZoneInfo

from msgspec import Struct

from kojimon.planner.likely import HOUR_ZERO, Span, Times, before, decided, likely, references, soak_min
from kojimon.schedule.spec import Condition, Schedule, Step

START_MIN, GRID_MIN, CELL_MIN = 30, 15, 5
"""Beginnings are tried each half hour, steps each quarter, sleep is known to five minutes."""
APART_MIN = 120
AHEAD_D = 10
"""How far a night is looked up: longer than from washing to the harvest of any schedule."""
ASLEEP, MAY_WAKE, OPTIONAL, HOUR_OFF, SOAK_HOUR_OFF = 100.0, 20.0, 1.0, 0.5, 0.2
"""Weights of the search (judgement): a step in the night, one that the koji may ask for in the night, an optional one,
an hour beside the hour at which a step is due, an hour beside the usual soaking."""
MOST_REPEATS = 4
HANDS_S = 1800.0


class PlannedStep(Struct, frozen=True):
    """One step of a timetable, in local time.

    Attributes:
        step: its name in the schedule.
        at, until: when to do it.
        opens, closes: between which times it can be done, if the koji keeps the usual hours.
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


class Sleep(Struct, frozen=True):
    """Hours of sleep as minutes of the local day, which may cross midnight."""

    from_min: int
    to_min: int

    def holds(self, minute: int) -> bool:
        """Whether a minute of the day lies in them."""
        if self.from_min <= self.to_min:
            return self.from_min <= minute < self.to_min
        return minute >= self.from_min or minute < self.to_min


class Nights:
    """The hours of sleep of some days, on the clock that never jumps: minutes after `start`."""

    def __init__(self, sleep: Sleep, start: datetime) -> None:
        self.start = start.astimezone(UTC)
        self._zone = start.tzinfo
        cells = (self.local(cell * CELL_MIN) for cell in range(AHEAD_D * 1440 // CELL_MIN))
        asleep = [sleep.holds(at.hour * 60 + at.minute) for at in cells]
        self._sums = list(accumulate(asleep, initial=0))

    def local(self, minute: float) -> datetime:
        """Local time of a minute."""
        return (self.start + timedelta(minutes=minute)).astimezone(self._zone)

    def asleep_min(self, begins: float, ends: float) -> float:
        """How much of a span is slept through, min; a span without length counts as five."""
        first, last = int(begins // CELL_MIN), int(max(ends, begins + 1) // -CELL_MIN * -1)
        return CELL_MIN * (self._sums[min(last, len(self._sums) - 1)] - self._sums[max(0, first)])


class _Window(Struct, frozen=True):
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


class _Placed(Struct, frozen=True):
    step: Step
    at: float
    window: _Window
    asleep: bool


Found = tuple[float, tuple[_Placed, ...]]
Key = tuple[int, tuple[tuple[str, float], ...]]


class _Course:
    """The steps after hour 0 and their windows, which hang on the times of earlier steps alone."""

    def __init__(self, schedule: Schedule) -> None:
        self._conditions: Mapping[str, Condition] = schedule.conditions
        names = [step.name for step in schedule.steps]
        # What may only be seen has no time of its own.
        after = [step for step in schedule.steps[names.index(HOUR_ZERO) + 1 :] if step.work != "look"]
        found = [step for step in after for _ in range(MOST_REPEATS if step.repeats else 1)]
        self.steps = sorted(found, key=lambda step: step.work == "harvest")
        self._counts_from = [self._named(number) for number in range(len(self.steps))]
        self.needed = [set().union(*self._counts_from[number:]) for number in range(len(self.steps) + 1)]
        self._windows: dict[Key, _Window | None] = {}
        opens = likely(self.steps[-1].window.opens, {HOUR_ZERO: 0.0}, self._conditions)
        self._harvest = opens[0] if opens else 0.0

    def _named(self, number: int) -> set[str]:
        """The steps one counts from; that which repeats counts, once done, from when it was done last."""
        step = self.steps[number]
        if number and self.steps[number - 1] is step:
            return {step.name, HOUR_ZERO}
        window = step.window
        return references(window.opens) | references(window.due) | references(window.closes)

    def window(self, number: int, times: Times) -> _Window | None:
        """The window of a step, given when earlier ones are done; None where it has none, or the harvest is first."""
        known = tuple(sorted((name, at) for name, at in times.items() if name in self._counts_from[number]))
        if (number, known) not in self._windows:
            self._windows[number, known] = self._made(self.steps[number], dict(known))
        return self._windows[number, known]

    def _made(self, step: Step, times: Times) -> _Window | None:
        moments = step.window.opens, step.window.due, step.window.closes
        opens, due, closes = (likely(moment, times, self._conditions) for moment in moments)
        first = opens or due
        if first is None or (step.repeats and first[1] >= self._harvest):
            return None
        koji = decided(step.window.due or step.window.opens)
        call = due or (first if closes is None or koji else (first[0], closes[0]))
        guessed = koji and call[0] == call[1]
        if guessed:  # no usual hours: somewhere between may and must
            call = min(first[1], call[1]), call[1]
        ends = max(first[1], closes[0] if closes else call[1] + max(0.0, call[1] - first[1]))
        last = max(first[1], ends - step.lasts_s / 60)
        wanted = min(max((call[0] + call[1]) / 2, first[1]), last)
        if guessed:  # it may come as late as the window lasts
            call = call[0], max(call[1], ends)
        grid = {first[1] + GRID_MIN * count for count in range(int((last - first[1]) // GRID_MIN) + 1)}
        return _Window((first[1], ends), call, wanted, tuple(sorted({*grid, wanted})), koji)


class _Layout:
    """A course for one hour 0: each step where it costs least, later ones counted in."""

    def __init__(self, course: _Course, nights: Nights, zero: float) -> None:
        self._course, self._nights, self._zero = course, nights, zero
        self._known: dict[Key, Found] = {}

    def best(self) -> Found:
        """Its cost, and where the steps stand."""
        return self._rest(0, {HOUR_ZERO: 0.0})

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

    def _places(self, step: Step, window: _Window) -> list[tuple[float, float]]:
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

    def _before(self, window: _Window, at: float) -> float:
        """How much of its likely hours is slept through before you do it at `at`, 0 to 1."""
        first, last = window.call
        if not window.koji_decides or at <= first or last <= first:
            return 0.0
        return self._nights.asleep_min(self._zero + first, self._zero + min(at, last)) / (last - first)


def _share(nights: Nights, zero: float, window: _Window, moved: Span = (0.0, 0.0)) -> float:
    """The share of its likely hours that is slept through, wherever in `moved` (min) the step before it comes."""
    first, last = window.call
    if not window.koji_decides or last <= first:
        return 0.0
    steps = max(1, round((moved[1] - moved[0]) / CELL_MIN))
    ways = [CELL_MIN * round((moved[0] + (moved[1] - moved[0]) * step / steps) / CELL_MIN) for step in range(steps + 1)]
    asleep = sum(nights.asleep_min(zero + first + way, zero + last + way) for way in ways) / len(ways)
    return min(1.0, asleep / (last - first))


def _chances(placed: Sequence[_Placed], nights: Nights, zero: float) -> Iterator[float]:
    """Of each step, that the koji asks for it in the night. A step that counts from another moves with it."""
    moves: dict[str, Span] = {}
    for one in placed:
        window = one.step.window
        named = references(window.opens) | references(window.due) | references(window.closes) | {one.step.name}
        moved = max(
            (moves[name] for name in named if name in moves), key=lambda span: span[1] - span[0], default=(0, 0)
        )
        yield _share(nights, zero, one.window, moved)
        if one.window.koji_decides:
            first, last = one.window.call
            moved = moved[0] + min(0.0, first - one.at), moved[1] + max(0.0, last - one.at)
        moves[one.step.name] = moved


def plans(schedule: Schedule, sleep: Sleep, earliest: datetime, days: float = 1.0, most: int = 3) -> list[Plan]:
    """The best timetables, their hours 0 at least two hours apart, best first.

    Args:
        schedule: whose steps are laid out.
        sleep: when the person sleeps.
        earliest: local time, with its zone, before which nothing can begin.
        days: how far ahead the first step may lie.
        most: how many.
    """
    first = earliest + timedelta(minutes=-earliest.minute % START_MIN, seconds=-earliest.second)
    nights, course = Nights(sleep, first.replace(microsecond=0)), _Course(schedule)
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


def _plan(schedule: Schedule, course: _Course, nights: Nights, chosen: tuple[float, float, int]) -> Plan:
    cost, zero, soak = chosen
    steps = []
    for step, at, asleep in _earlier(schedule, nights, zero, soak):
        begins, ends = nights.local(at), nights.local(at + min(step.lasts_s, HANDS_S) / 60)
        steps.append(PlannedStep(step.name, step.label, begins, ends, begins, begins, asleep))
    placed = _Layout(course, nights, zero).best()[1]
    for one, chance in zip(placed, _chances(placed, nights, zero), strict=True):
        times = (one.at, one.at + one.step.lasts_s / 60, *one.window.span)
        begins, ends, opens, closes = (nights.local(zero + minute) for minute in times)
        steps.append(PlannedStep(one.step.name, one.step.label, begins, ends, opens, closes, one.asleep, chance,
                                 one.window.koji_decides, one.step.optional))  # fmt: skip
    return Plan(nights.local(zero), tuple(sorted(steps, key=lambda step: step.at.timestamp())), cost)


def zoned(local: datetime, zone: str) -> datetime:
    """A local wall time with its zone (IANA name)."""
    return local.replace(tzinfo=ZoneInfo(zone))
