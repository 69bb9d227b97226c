"""Whether the koji warms itself: a rise that its box does not explain, never a height alone.

Rice without growth follows what is around it, slowly: a thin tray within half an hour, a deep or wrapped one within
hours (time constants of layers, derived for 1 to 5 cm: 0.5-3.8 h). How slowly is not known, so that course is worked
out for each of `TAUS_H`, and the koji's own rise is what all of them leave: the least of how far its distance from the
course has risen, hour's mean on hour's mean, above the lowest of the last hours. A mat, a warm spot or a wet surface
makes a distance, but a steady one; a box that is set, switched or opened moves one of the courses as it moves the rice.
What a heater holds that is not measured stays behind its room by any part of the way: from none, as if nothing but the
heater held it, to all.
"""

from __future__ import annotations

from itertools import pairwise
from math import exp, inf

from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.events import ProbeBack, Warmth
from kojimon.engine.conditions import (
    UNSEEN_PART,
    air_heats,
    by_heater,
    dries,
    fresh,
    holds_now,
    may_dry,
    reach,
    reading_at,
    take,
)
from kojimon.engine.course import FALL_FROM, Course, CourseBlock
from kojimon.engine.doubts import doubt
from kojimon.engine.moments import Known
from kojimon.engine.plan import overdue, reconsider
from kojimon.engine.quiet import refresh
from kojimon.engine.state import ConditionState, elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import BoxKind, Priority
from kojimon.schedule.spec import Condition

TAUS_H = (0.1, 0.5, 1.0, 2.0, 4.0, 8.0, inf)
"""The first is hardly slower than the air: koji that air as fast, or faster, leaves behind did not rise by itself. The
last follows nothing, as on a mat whose thermostat holds it."""
BLOWN_H = 2.0
"""In a fan's air hardly a tray is slower (derived: 3 cm of rice 1.1-1.8 h): what began cold is waited for no longer
once it is beyond the air; what is still below that may be a slower one that the air warms."""
WARM_C, BELOW_K = 33.0, 0.6
"""Of koji alone, with nothing around it measured, a box makes anything up to that: a rise counts as less than any
schedule that comes with kojimon wants, 0.7 K, and whether it grows cannot be known."""
SLOWER = 2
"""Courses from 1 h on: what is quicker has come back from work within the hour by itself."""
BLOCK_MS = 1_800_000
"""Half an hour; the last two are the hour that is looked at."""
LEAST_TICKS = 8
"""So many values of fifteen, or the half hour says nothing."""
BLOCKS, BLOCKS_WRAPPED = 16, 28
"""The lowest of the last eight hours is what a rise counts from (judgement); in a fan's air, which takes most of the
heat of a wrapped tray, of the last fourteen: there koji gains a K in ten hours, and rice does not dry (simulated)."""
FROM_MS = 25_200_000
"""No hour before the seventh counts as the lowest: wrapped rice still takes on the warmth of its box (simulated: dead
rice rose by up to 0.9 K from hour 5 on, by 0.5 K from hour 7 on)."""
WORK_MS = 21_600_000
"""So long after work the koji may still be on its way back from it: no such hour counts as the lowest (judgement)."""
MOVED_MS = 10_800_000
"""So long after its probe came to lie elsewhere nothing is judged (judgement)."""
ELSEWHERE_K = 4.0
"""Places of a box differ by so much at most, or by twice what its trays were seen apart: a rise since before a tray was
moved, or since before koji beside a heater that is not measured was mixed, counts for what is beyond that. Over a mat
its depths differ by more."""
FALL_OF_K = 2.0
"""Koji that never stood further than that above its lowest has no peak that its heat could be gone from (judgement)."""
NO_KOJI_K, NO_KOJI_MS = 1.25, 43_200_000
"""So much within half an hour no koji gains before hour 12: in its hot hours it gains 1-2 K an hour (judgement)."""
AT_ONCE_K = 2.0
"""Koji whose growth ends loses less in an hour (the steepest simulated: 1.5 K): it was mixed, or the probe left it."""
COOLS_K, STILL_COOLS_K = 3.0, 0.3
"""Koji that is so much colder than it was, and colder by so much every half hour, is in a box that is off, or done: no
work explains it, and its growth ends later (judgement)."""
ANSWERED_MS = 21_600_000
"""So long after somebody turned the box down koji may get colder by that (judgement)."""
LEFT_K = 3.0
"""Koji so far above the air had its own heat: where all of that is gone at once the probe may be out (judgement)."""
NEAR_AIR_K, NEAR_K = 2.0, 0.7
APART_K = 0.5
"""Two good probes differ by so much (judgement; such thermometers are sold as good to 0.5 K each way): rice that came
up to the air as it dried may stand as far beyond it."""
FAST_MS = 14_400_000
"""From so little under the air what dries takes longer than four hours for a K (judgement)."""


def follow(turn: Turn, incubator: str, known: Known) -> None:
    """One round: the courses go on, and a rise further than before is noted in the batch."""
    zero_ms, batch = known.hour0_ms(), turn.batches[incubator]
    if zero_ms is None:
        return
    around_c, best_k = _around(turn, incubator), batch.own_rise_k
    worked_ms, moved_ms = _worked(turn, incubator, known)
    numbers = fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature"))
    begun = any(no not in turn.courses or turn.courses[no].zero_ms != zero_ms for no in numbers)
    blown = turn.compiled.kind_of(incubator) == BoxKind.FAN and not may_dry(turn, incubator)
    kept, slowest_h = (BLOCKS_WRAPPED, BLOWN_H) if blown else (BLOCKS, TAUS_H[-2])
    for no in numbers:
        course = _went_on(turn, no, zero_ms, around_c, worked_ms, kept)
        course = _cools(turn, incubator, known, _out_of_it(turn, incubator, no, course), worked_ms)
        turn.courses[no] = course
        if air_heats(turn, incubator):
            continue
        best_k = max(best_k, _rise_k(turn, incubator, course, worked_ms, moved_ms, slowest_h))
    after_work = worked_ms >= 0 and elapsed_ms(turn.anchors, worked_ms, turn.t_ms) < MOVED_MS
    falls = [0.0 if after_work else _fall(turn.courses[no]) for no in numbers]
    turn.put_batch(incubator, replace(turn.batches[incubator], own_rise_k=best_k, own_fall=min(falls, default=0.0)))
    if begun or any(_is_otherwise(turn, incubator, *one) for one in known.schedule.conditions.items()):
        _judged_anew(turn, incubator)
    elif overdue(turn, incubator, known):
        reconsider(turn, incubator)


def _is_otherwise(turn: Turn, incubator: str, name: str, condition: Condition) -> bool:
    """Whether a condition that hangs on a rise has become true, or false, without a reading of its own."""
    if condition.own_rise is None:
        return False
    holds = turn.batches[incubator].conditions.get(name, ConditionState()).since_ms >= 0
    return holds != holds_now(condition, reach(turn, incubator, condition))


def _judged_anew(turn: Turn, incubator: str) -> None:
    """Conditions that hang on a rise are judged by what was last read."""
    numbers = fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature"))
    done = [take(turn, turn.compiled.probes[no], turn.last_t[no]) for no in numbers]
    if any(done):
        reconsider(turn, incubator)
    refresh(turn, incubator)


def _around(turn: Turn, incubator: str) -> float | None:
    """The air of the box, else the room; None where neither is read."""
    for place in ("air", "room"):
        seen = fresh(turn, turn.compiled.probes_at(incubator, place, "temperature"))
        if seen:
            return sum(turn.last_v[no] for no in seen) / len(seen)
    return None


def _worked(turn: Turn, incubator: str, known: Known) -> tuple[int, int]:
    """When the koji was last mixed or the like, by a mark or by its fall, and when its tray was moved; -1: never."""
    works = {step.name: step.work for step in known.schedule.steps}
    marks = [mark for mark in known.batch.marks if not mark.undone and works.get(mark.step, "") in COOLING_WORK]
    swapped = [mark.at_ms for mark in marks if works[mark.step] == "swap"]
    worked = [mark.at_ms for mark in marks]
    return max([turn.of_late(incubator).guessed_ms, *worked]), max(swapped, default=-1)


def _went_on(
    turn: Turn, no: int, zero_ms: int, around_c: float | None, worked_ms: int, kept: int
) -> Course:  # fmt: skip
    """The probe's courses two minutes further, its distance from them added to the half hour that runs; so many are
    `kept`."""
    value, course = turn.last_v[no], turn.courses.get(no)
    strange = course is None or course.zero_ms != zero_ms or len(course.levels) != len(TAUS_H)
    if course is None or strange or course.seen < (around_c is not None):
        course = Course(zero_ms, turn.t_ms, turn.t_ms, (value,) * len(TAUS_H), around_c is not None, turn.t_ms)
    levels = course.levels
    if around_c is not None:
        past_h = elapsed_ms(turn.anchors, course.at_ms, turn.t_ms) / 3_600_000
        levels = tuple(
            level + (around_c - level) * (1 - exp(-past_h / tau_h)) for level, tau_h in zip(levels, TAUS_H, strict=True)
        )
        levels = _mixed(turn, course, levels, value, worked_ms)
    beyond = tuple(value - (level if course.seen else 0.0) for level in levels)
    totals = tuple(a + b for a, b in zip(course.totals or (0.0,) * len(TAUS_H), beyond, strict=True))
    course = replace(course, at_ms=turn.t_ms, levels=levels, totals=totals, count=course.count + 1)
    if elapsed_ms(turn.anchors, course.block_ms, turn.t_ms) < BLOCK_MS:
        return course
    if course.count >= LEAST_TICKS:
        early = elapsed_ms(turn.anchors, zero_ms, turn.t_ms) < FROM_MS
        after_work = worked_ms >= 0 and elapsed_ms(turn.anchors, worked_ms, turn.t_ms) < WORK_MS
        means = tuple(total / course.count for total in totals)
        block = CourseBlock(turn.t_ms, not (early or after_work), means)
        dried = course.dried or (course.seen and not early and dries(means))
        course = replace(course, blocks=(*_kept(course, kept - 1), block), dried=dried)
        if not early:
            just_worked = worked_ms >= 0 and elapsed_ms(turn.anchors, worked_ms, turn.t_ms) < 2 * BLOCK_MS
            lows = course.lows if after_work else tuple(map(min, means, course.lows or means))
            course = _highest(turn, replace(course, lows=lows), means[FALL_FROM], just_worked)
    return replace(course, totals=(), count=0, block_ms=turn.t_ms)


def _mixed(
    turn: Turn, course: Course, levels: tuple[float, ...], value: float, worked_ms: int
) -> tuple[float, ...]:  # fmt: skip
    """The slower courses in the half hour after work: it cools them as it cools the koji, and both come back alike. The
    one that follows nothing shows the fall."""
    before = _before(course, worked_ms)
    if worked_ms < 0 or before is None or elapsed_ms(turn.anchors, worked_ms, turn.t_ms) >= BLOCK_MS:
        return levels
    cooled = [min(level, value - mean) for level, mean in zip(levels, before.means, strict=True)]
    return (*levels[:SLOWER], *cooled[SLOWER:-1], levels[-1])


def _kept(course: Course, most: int) -> tuple[CourseBlock, ...]:
    """The last half hours; before them the last that may be the lowest, where work after work left none of them so."""
    last = course.blocks[-most:]
    before = [block for block in course.blocks[:-most] if block.base]
    return last if any(block.base for block in last) else (*before[-1:], *last)


def _highest(turn: Turn, course: Course, beyond_k: float, just_worked: bool) -> Course:
    """The course with its highest half hour since the koji last fell at once: only what is lost slowly after that is
    growth that ends. A fall of all that it had is noted until it is back."""
    before_k = max((block.means[FALL_FROM] for block in course.blocks[-3:-1]), default=beyond_k)
    at_once = before_k - beyond_k >= AT_ONCE_K
    most_k = beyond_k if course.most_k is None or at_once or just_worked else max(beyond_k, course.most_k)
    left_k, left_ms = course.left_k, course.left_ms
    itself_k = max((one.means[-1] for one in course.blocks[-3:-1]), default=0.0) - course.blocks[-1].means[-1]
    if at_once and itself_k >= AT_ONCE_K and before_k >= LEFT_K and left_ms < 0:
        left_k, left_ms = before_k, turn.t_ms
    elif left_ms >= 0 and beyond_k >= left_k / 2:
        left_ms = -1
    return replace(course, most_k=most_k, left_k=left_k, left_ms=left_ms)


def _out_of_it(turn: Turn, incubator: str, no: int, course: Course) -> Course:
    """Says once that a probe may be out: koji that had its own heat lost it at once, without work by anybody's word,
    and hours later its probe is hardly warmer than the air."""
    if course.left_ms < 0 or elapsed_ms(turn.anchors, course.left_ms, turn.t_ms) < MOVED_MS:
        return course
    air, value = reading_at(turn, incubator, "air", "temperature"), turn.last_v[no]
    marked = any(
        not mark.undone and abs(mark.at_ms - course.left_ms) <= 2 * BLOCK_MS for mark in turn.batches[incubator].marks
    )
    if not marked and air is not None and value - air[1] <= NEAR_AIR_K:
        told = ProbeBack(probe=turn.compiled.probes[no].name, probes=1, value=value, air_c=air[1])
        turn.emit(told, incubator, "follows", Priority.TELL)
        doubt(turn, incubator, no, air[1] + course.left_k)
    return replace(course, left_ms=-1)


def _cools(turn: Turn, incubator: str, known: Known, course: Course, worked_ms: int) -> Course:
    """Says once, of koji beside which nothing is measured, that it has cooled for hours without work by anybody's word,
    before it may be taken out: no box tells that it is off."""
    halves, most_k = [one.means[FALL_FROM] for one in course.blocks[-3:]], course.most_k
    if course.seen or most_k is None or len(halves) < 3:
        return course
    if most_k - halves[-1] < COOLS_K / 2:
        return replace(course, cools=False)
    opens_ms, lately = known.harvest_ms()[0], turn.of_late(incubator)
    explained = (opens_ms is not None and opens_ms <= turn.t_ms) or any(
        at_ms >= 0 and elapsed_ms(turn.anchors, at_ms, turn.t_ms) < wait_ms
        for at_ms, wait_ms in ((worked_ms, MOVED_MS), (lately.set_ms, ANSWERED_MS), (lately.visited_ms, ANSWERED_MS))
    )
    falls = all(before - after >= STILL_COOLS_K for before, after in pairwise(halves))
    if course.cools or explained or not falls or most_k - halves[-1] < COOLS_K:
        return course
    beside = (turn.courses.get(no) for no in turn.compiled.probes_at(incubator, "bed", "temperature"))
    if not any(one is not None and one.cools for one in beside):
        turn.emit(Warmth(doubt="cools"), incubator, "cools", Priority.TELL)
    return replace(course, cools=True)


def _fall(course: Course) -> float:
    """The part of the koji's height above the air that is gone in the last hour; 0 where there was no such height."""
    hour, low_k, most_k = course.blocks[-2:], course.low_k, course.most_k
    if len(hour) < 2 or low_k is None or most_k is None or not course.seen or by_heater(course):
        return 0.0
    now_k = (hour[0].means[FALL_FROM] + hour[1].means[FALL_FROM]) / 2
    return round((most_k - now_k) / (most_k - low_k), 3) if most_k - low_k >= FALL_OF_K else 0.0


def _rise_k(
    turn: Turn, incubator: str, course: Course, worked_ms: int, moved_ms: int, slowest_h: float
) -> float:  # fmt: skip
    """How far the last hour stands above the lowest, by the course that leaves least, of those that may be."""
    hour = course.blocks[-2:]
    lowest = [block for block in course.blocks if block.base]
    if len(hour) < 2 or elapsed_ms(turn.anchors, hour[0].t_ms, turn.t_ms) > 2 * BLOCK_MS or not lowest:
        return 0.0
    over_mat = turn.compiled.kind_of(incubator) == BoxKind.HEAT_MAT
    beside = by_heater(course) or over_mat
    if beside:
        moved_ms = max(moved_ms, worked_ms)
    if beside or not course.seen:
        lowest = [block for block in lowest if block.t_ms >= _heated_ms(course)]
        if not lowest:
            return 0.0
    elsewhere_k = 0.0
    if moved_ms >= 0:
        since = [block for block in lowest if block.t_ms > moved_ms]
        if beside and (not since if over_mat else elapsed_ms(turn.anchors, moved_ms, turn.t_ms) < MOVED_MS):
            return 0.0
        lowest, elsewhere_k = (since, 0.0) if since else (lowest, _apart_k(turn, incubator, moved_ms, beside))
    may = may_dry(turn, incubator)
    part = 1.0 if course.seen and not beside else UNSEEN_PART
    below = not course.seen and max(block.means[-1] for block in hour) < WARM_C
    drying = "wet" if course.dried else "slow" if course.seen and may else ""
    by_course = [_above_lowest_k(i, hour, lowest, drying if may else "") for i, _ in enumerate(TAUS_H[:-1])]
    rises = [rise for rise, h in zip(by_course, TAUS_H, strict=False) if h <= slowest_h]
    slower = by_course[len(rises) :]
    if slower:
        beyond_air_k = (hour[0].means[0] + hour[1].means[0]) / 2 + APART_K
        rises.append(max(beyond_air_k, min(slower)))
    if beside or turn.active(incubator, keys.BOX_OFF):  # koji cools more slowly than the air of a box that is off
        rises.append(_beyond_any_k(hour, lowest))
    rise_k = part * (min(rises) - elsewhere_k)
    return min(rise_k, BELOW_K) if below else rise_k


def _apart_k(turn: Turn, incubator: str, moved_ms: int, beside: bool) -> float:
    """How far koji may be warmer elsewhere in its box; beside an unseen heater no other tray shows it."""
    courses = ((turn.compiled.probes[no].tray, turn.courses[no]) for no in turn.compiled.probes_at(
               incubator, "bed", "temperature") if no in turn.courses)  # fmt: skip
    before = {tray: one.means[FALL_FROM] for tray, course in courses if (one := _before(course, moved_ms)) is not None}
    if beside or len(before) < 2:
        return ELSEWHERE_K
    return min(ELSEWHERE_K, max(APART_K, 2 * (max(before.values()) - min(before.values()))))


def _before(course: Course, at_ms: int) -> CourseBlock | None:
    """The last half hour that was over by then."""
    return next((one for one in reversed(course.blocks) if one.t_ms <= at_ms), None)


def _heated_ms(course: Course) -> int:
    """Until when what heats the koji, and is not measured, drove it up faster than koji grows so early; -1: never."""
    early = [block for block in course.blocks if block.base and block.t_ms - course.zero_ms <= NO_KOJI_MS]
    driven = [after.t_ms for one, after in pairwise(early) if after.means[-1] - one.means[-1] >= NO_KOJI_K]
    return max(driven, default=-1)


def _beyond_any_k(hour: tuple[CourseBlock, ...], lowest: list[CourseBlock]) -> float:
    """How far the last hour is beyond one and the same earlier half hour by every course, the one that follows nothing
    among them: a room that cools leaves behind what a thermostat holds, and one that warms what follows it by half."""
    now_k = [(one + other) / 2 for one, other in zip(hour[0].means, hour[1].means, strict=True)]
    return max(min(now - then for now, then in zip(now_k, block.means, strict=True)) for block in lowest)


def _above_lowest_k(i: int, hour: tuple[CourseBlock, ...], lowest: list[CourseBlock], drying: str) -> float:
    """How far the last hour stands above the lowest, by one course.

    What dries gets warmer too, up to the air and no further, and slowly where it is hardly below: so a slow rise counts
    once it has come to the air, and one from far below for what it leads beyond the air.
    """
    now_k = (hour[0].means[i] + hour[1].means[i]) / 2
    least_k = min(block.means[i] for block in lowest)
    if not drying:
        return now_k - least_k
    lately_k = min((block.means[i] for block in lowest if hour[1].t_ms - block.t_ms <= FAST_MS), default=now_k)
    slowly, near = drying == "slow", -NEAR_AIR_K
    slow_k = min(now_k - least_k, now_k + (NEAR_K if slowly and least_k >= near else -APART_K))
    return max(slow_k, now_k - lately_k) if slowly and lately_k >= near else slow_k
