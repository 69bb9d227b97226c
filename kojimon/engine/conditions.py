"""Conditions of the schedule: true or not at each good reading, and for how long."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.engine.course import Course
from kojimon.engine.moments import Known, known_of, targets_ms
from kojimon.engine.setup import ProbeSetup
from kojimon.engine.state import BatchState, ConditionState
from kojimon.engine.turn import Turn
from kojimon.model import BoxKind, Cover, Quality
from kojimon.schedule.spec import Condition

RUNS_KEPT = 64
TOO_COLD = float("-inf")
DRIES_K = 3.0
"""Koji so far under the air gives off water like a wet cloth (wet surface in moving air, derived: 10 K and more)."""
BESIDE_HEATER_K = 3.0
"""Koji so much above the air before it grew lies by its heater: another depth is another temperature (judgement)."""
UNSEEN_PART = 1 / 3
"""A rise counts for so much where what may have made the rest is not measured: the room, or a heater beside the koji,
whose thermostat, or rice that dries on it, lifts it by a K or so (simulated mats: dead 0.8-1.2, living 1.2-1.4 K)."""
LITTLE_K = 0.7
"""What a steady heater leaves steady rises by less (judgement)."""
BOX_ROSE_K = 4.0
"""A box that is warmer by so much has become another box (judgement)."""
QUICK, MOVED_K, STEADY_PART = 4, 3.0, 0.2
"""Courses up to 2 h; air that moved less shows nothing, nor does koji that went with less of it (judgement)."""
WATCHED_FROM_MS = 21_600_000
"""Where nobody watched before hour 6 it is not known from where the koji rose (judgement)."""
HEATS_KOJI = (BoxKind.HEAT_MAT, BoxKind.OVEN_LIGHT)
"""Boxes that may make koji as warm as growth does: there a height that is read by hand proves nothing."""
HOT_AIR_C, HOT_AIR_K = 36.0, 2.0
"""Air hotter than a box is to be while the koji settles in: koji no further above it was heated by it (judgement)."""
SAYS_C = 30.0
"""A height that says something of growth; below it any room does (judgement)."""
GONE = (int(Quality.LOST), int(Quality.SIGNED_OFF))
"""Verdicts that are silence at once: a probe's own device, or its broker, says that no more will come."""


def fresh(turn: Turn, numbers: tuple[int, ...]) -> list[int]:
    """Those that spoke, but for probes that are perhaps not in the koji (engine.doubts)."""
    seen = spoke(turn, numbers)
    return [no for no in seen if no not in turn.doubts] if turn.doubts else seen


def spoke(turn: Turn, numbers: tuple[int, ...]) -> list[int]:
    """The probes among these whose last good reading is not stale now, and whose device is not said to be gone."""
    probes, last_t, bad, t_ms = turn.compiled.probes, turn.last_t, turn.bad, turn.t_ms
    return [
        no for no in numbers
        if no in last_t and t_ms - last_t[no] <= probes[no].stale_ms and not (no in bad and bad[no][2] in GONE)
    ]  # fmt: skip


def reading_at(turn: Turn, incubator: str, place: str, quantity: str, hottest: bool = True) -> tuple[int, float] | None:
    """The hottest (coldest) fresh probe of a place and its value; None where none is fresh."""
    seen = fresh(turn, turn.compiled.probes_at(incubator, place, quantity))
    if not seen:
        return None
    no = (max if hottest else min)(seen, key=lambda n: turn.last_v[n])
    return no, turn.last_v[no]


def reach(turn: Turn, incubator: str, condition: Condition) -> float | None:
    """The value a condition is judged by: the hottest (coldest) of its place, less the hottest of the other place.

    TOO_COLD where the place itself has not come to `itself_at_least`, or has not risen by itself as far as wanted;
    None where nothing fresh is known.
    """
    own = fresh(turn, turn.compiled.known_at(incubator, condition.place, condition.quantity))
    if not own:
        return None
    if waits_to_rise(turn, incubator, condition) or waits_for_fall(turn.batches.get(incubator), condition):
        return TOO_COLD
    values = [turn.last_v[no] for no in own]
    value = max(values) if condition.at_least is not None else min(values)
    if not condition.above:
        return TOO_COLD if shows_growth(condition) and _air_is_hotter(turn, incubator, value) else value
    if condition.itself_at_least is not None and value < condition.itself_at_least:
        return TOO_COLD
    other = fresh(turn, turn.compiled.known_at(incubator, condition.above, condition.quantity))
    return value - max(turn.last_v[no] for no in other) if other else None


def shows_growth(condition: Condition) -> bool:
    """Whether a condition stands for the koji's own heat: warm koji that does not count from hour 0 on. Koji that is
    colder than the box's air was warmed by that, even where it had risen a little by itself before. Of a height that
    says nothing a wanted rise of its own says it all."""
    warm = condition.place == "bed" and condition.quantity == "temperature" and condition.at_least is not None
    says = condition.own_rise is None or (condition.at_least is not None and condition.at_least >= SAYS_C)
    return warm and not condition.above and condition.own_fall is None and condition.from_s > 0 and says


def waits_to_rise(turn: Turn, incubator: str, condition: Condition) -> bool:
    """Whether the koji has not yet risen by its own heat as far as the condition wants (engine.own_heat).

    Where no rise can be counted - it is read by hand alone, or nobody watched before - a height that says something
    must do.
    """
    batch = turn.batches.get(incubator)
    if condition.own_rise is not None and condition.own_fall is None and air_heats(turn, incubator):
        return True
    if condition.own_rise is None or (batch is not None and batch.own_rise_k >= condition.own_rise):
        return False
    says = bool(condition.above) or (condition.at_least is not None and condition.at_least >= SAYS_C)
    return not (says and _no_rise_counts(turn, incubator))


def air_heats(turn: Turn, incubator: str) -> bool:
    """Whether the box's air is so hot, and the koji so near it, that the air heats the koji; by its smoothed course
    (engine.box_level), for a thermostat's peak heats nothing."""
    air, bed = (reading_at(turn, incubator, place, "temperature") for place in ("air", "bed"))
    if air is None or bed is None:
        return False
    air_c = min(air[1], turn.airs[air[0]].level) if air[0] in turn.airs else air[1]
    return air_c >= HOT_AIR_C and bed[1] - air_c < HOT_AIR_K


def waits_for_fall(batch: BatchState | None, condition: Condition) -> bool:
    """Whether not yet so much of the koji's own heat is gone as the condition wants (engine.own_heat)."""
    return condition.own_fall is not None and (batch is None or batch.own_fall < condition.own_fall)


def _no_rise_counts(turn: Turn, incubator: str) -> bool:
    numbers = turn.compiled.probes_at(incubator, "bed", "temperature")
    courses = [turn.courses[no] for no in numbers if no in turn.courses]
    kind = turn.compiled.kind_of(incubator)
    if not numbers or not courses:
        return not numbers and kind not in HEATS_KOJI
    return kind != BoxKind.HEAT_MAT and all(one.begun_ms - one.zero_ms > WATCHED_FROM_MS for one in courses)


def may_dry(turn: Turn, incubator: str) -> bool:
    """Whether the rice may give off water to the air: what dries gets warmer, up to the air and no further."""
    return turn.compiled.cover_of(incubator) != Cover.CLOTH_AND_PLASTIC


def warmth_untold(turn: Turn, incubator: str) -> str:
    """Why it cannot be known here whether the koji warms itself, "" where it can.

    `no-probe`: none sits in the koji; `by-hand`: it is read by hand alone, and a height says nothing in such a box;
    `no-reading`: none has been read for half an hour; `drying`: the koji has stood far under the air, as wet rice
    in moving air does, grown or not; `box-warmer`: its box rose far in the last hours, and it with it; `heater`: what
    heats it is not measured, and it rose a little, or lies on a mat: its thermostat turns down by as much as living
    koji warms (simulated: both rise by a K).
    """
    numbers = turn.compiled.probes_at(incubator, "bed", "temperature")
    if not numbers and fresh(turn, turn.compiled.known_at(incubator, "bed", "temperature")):
        return "" if turn.compiled.kind_of(incubator) == BoxKind.STILL else "by-hand"
    if not numbers:
        return "no-probe"
    courses = [turn.courses[no] for no in fresh(turn, numbers) if no in turn.courses and turn.courses[no].blocks]
    if not courses:
        return "no-reading"
    dry = [one for one in courses if one.dried or (one.seen and dries(one.blocks[-1].means))]
    over_mat = turn.compiled.kind_of(incubator) == BoxKind.HEAT_MAT
    hidden = not over_mat and any(one.seen and rose_under_air(one) for one in courses)
    if may_dry(turn, incubator) and (hidden or len(dry) == len(courses)):
        return "drying"
    if all(one.seen and rose_with_box(one) for one in courses):
        return "box-warmer"
    unseen = over_mat or all(not one.seen or by_heater(one) for one in courses)
    rose = turn.batches[incubator].own_rise_k >= UNSEEN_PART * LITTLE_K
    return "heater" if unseen and (rose or (over_mat and not all(heated_steadily(one) for one in courses))) else ""


def dries(means: tuple[float, ...]) -> bool:
    """Whether koji is so far from the quick courses as rice that gives off water: the slow ones begin at its cold."""
    return max(means[:QUICK]) < -DRIES_K


def rose_under_air(course: Course) -> bool:
    """Whether koji has risen by every course since it was lowest: by its own heat, or as rice that dries does."""
    hour = course.blocks[-2:]
    rises = [sum(one.means[i] for one in hour) / len(hour) - low for i, low in enumerate(course.lows[:-1])]
    return min(rises, default=0.0) >= LITTLE_K


def by_heater(course: Course) -> bool:
    """Whether the koji was so far above the air all along that it lies by its heater, which is not measured."""
    return course.seen and course.low_k is not None and course.low_k > BESIDE_HEATER_K


def rose_with_box(course: Course) -> bool:
    """Whether the air has risen so far in the hours that are kept that the koji's rise may be the air's, or its own."""
    means = [block.means for block in course.blocks if block.t_ms - course.zero_ms > WATCHED_FROM_MS]
    if not means:
        return False
    air, koji = [one[-1] - one[0] for one in means], [one[-1] for one in means]
    return air[-1] - min(air) >= BOX_ROSE_K and koji[-1] - min(koji) >= LITTLE_K


def heated_steadily(course: Course) -> bool:
    """Whether the air moved and the koji went with it, by one of the quick courses: no thermostat holds it."""
    means = [block.means for block in course.blocks]
    moved_k = _spread([one[-2] - one[0] for one in means])
    apart_k = min(_spread([one[i] for one in means]) for i in range(QUICK))
    return moved_k >= MOVED_K and apart_k <= STEADY_PART * moved_k


def _spread(values: list[float]) -> float:
    return max(values) - min(values)


def _air_is_hotter(turn: Turn, incubator: str, value: float) -> bool:
    air = reading_at(turn, incubator, "air", "temperature")
    return air is not None and air[1] > value


def holds_now(condition: Condition, value: float | None) -> bool:
    """Whether the condition is true at that value."""
    if value is None:
        return False
    if condition.at_least is not None:
        return value >= condition.at_least
    return condition.at_most is not None and value <= condition.at_most


def take(turn: Turn, probe: ProbeSetup, before_ms: int) -> bool:
    """Judges every condition that looks at this probe. Returns whether a hold somebody waits for was completed.

    Args:
        probe: whose good reading, or reading by hand, has just been stored.
        before_ms: time of its reading before.
    """
    batch = turn.batches.get(probe.incubator)
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    if not batch or not schedule:
        return False
    completed, states, changed = False, dict(batch.conditions), []
    for name, condition in schedule.conditions.items():
        beside = "air" if shows_growth(condition) else condition.above
        if probe.quantity != condition.quantity or probe.place not in (condition.place, beside):
            continue
        state = states.get(name, ConditionState())
        after = _judge(turn, probe, condition, state, before_ms)
        completed |= after.since_ms >= 0 and probe.place == condition.place and 0 <= after.watch_ms <= turn.t_ms
        if after is not state:
            states[name] = after
            if (state.since_ms < 0) != (after.since_ms < 0):
                changed.append(name)
    if changed:
        batch = replace(batch, conditions=states)
        turn.put_batch(probe.incubator, rewatched(turn, probe.incubator, batch, changed))
        completed |= _any_complete(turn, probe.incubator, changed)
    return completed


def _judge(
    turn: Turn, probe: ProbeSetup, condition: Condition, state: ConditionState, before_ms: int
) -> ConditionState:
    true = holds_now(condition, reach(turn, probe.incubator, condition))
    if true == (state.since_ms >= 0):
        return state
    if true:
        # A hold is there against probes that tremble. Who reads a thermometer has waited for it already.
        held_ms = round(condition.hold_s * 1000) if probe.by_hand else 0
        return ConditionState(since_ms=turn.t_ms - held_ms, runs=state.runs)
    runs = state.runs
    # A hold that another probe of its place has seen complete (`moments.known_of`) stays complete.
    beside = turn.compiled.known_at(probe.incubator, condition.place, condition.quantity)
    end_ms = max([before_ms, *(turn.last_t.get(no, -1) for no in beside if no != probe.no)])
    if end_ms - state.since_ms >= condition.hold_s * 1000:
        runs = (*runs[-RUNS_KEPT + 1 :], (state.since_ms, end_ms))
    return ConditionState(runs=runs)


def ended_by(turn: Turn, probe: ProbeSetup, read_ms: int) -> None:
    """Runs that hung on a reading by hand alone end with it: nobody has seen more.

    Args:
        probe: its place, whose reading is forgotten already.
        read_ms: when it was read.
    """
    batch = turn.batches[probe.incubator]
    schedule = turn.compiled.schedules.get(batch.schedule)
    states = dict(batch.conditions)
    for name, state in batch.conditions.items():
        condition = schedule.conditions.get(name) if schedule else None
        mine = condition is not None and probe.place in (condition.place, condition.above)
        if condition is None or not mine or state.since_ms < 0 or reach(turn, probe.incubator, condition) is not None:
            continue
        held = read_ms - state.since_ms >= condition.hold_s * 1000
        runs = (*state.runs[-RUNS_KEPT + 1 :], (state.since_ms, read_ms)) if held else state.runs
        states[name] = ConditionState(runs=runs)
    turn.put_batch(probe.incubator, replace(batch, conditions=states))


def _any_complete(turn: Turn, incubator: str, names: list[str]) -> bool:
    states = turn.batches[incubator].conditions
    return any(states[name].since_ms >= 0 and 0 <= states[name].watch_ms <= turn.t_ms for name in names)


def rewatched(turn: Turn, incubator: str, batch: BatchState, names: list[str] | None = None) -> BatchState:
    """The batch with `watch_ms` of these (all) conditions set to the next hold that is not yet known to be complete."""
    known = known_of(turn.compiled, incubator, batch, turn.anchors, turn.last_t)
    if known is None:
        return batch
    states = dict(batch.conditions)
    for name in names if names is not None else list(states):
        if name in known.schedule.conditions:
            states[name] = replace(states[name], watch_ms=_next_target(known, name))
    return replace(batch, conditions=states)


def _next_target(known: Known, name: str) -> int:
    state = known.batch.conditions[name]
    if state.since_ms < 0:
        return -1
    done_ms = known.seen_ms.get(name, state.since_ms)
    fresh_run = done_ms == state.since_ms
    return next((t for t in targets_ms(known, name) if t > done_ms or (fresh_run and t == done_ms)), -1)
