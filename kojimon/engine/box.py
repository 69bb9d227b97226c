"""The box itself, by its own air: off, or running away (`engine.box_hot`).

What is usual for it is learnt once its air has come to rest, and learnt again when it comes to rest higher. A box is
off when its air has fallen far below its own level; before that is known, far below the highest it has held.

What the air says hangs on the kind of box (`off_untold`): over a heat mat it follows the room, and counts only beside
that. Of a box that may have no thermostat air that was never well above its room, or fell with it, says nothing either.

Once the koji makes heat such a fall alone is no sign: a vent, a mixing and the end of that heat take as much. Then a
box is off when its air has lost half of its way above the room as well, and the koji is no longer hot: hot koji is in
no danger of the cold, and holds up the air of a box that is off. Where somebody answered hot koji at the box, or set it
and did not say to what, only air near the room's counts while the koji is warm. Koji that cools all the same is called
by its own low limits, and shortly before the harvest opens, when heat is hardly wanted any more, a box that is off is
told and wakes nobody. So is one that may have no thermostat, where a vent may take as much, while its koji is warm; of
its air what cool koji holds up is taken off first.
"""

from __future__ import annotations

from typing import Any

from kojimon.alarms.states import Signal
from kojimon.contract import keys
from kojimon.engine.air_watch import AirWatch
from kojimon.engine.box_hot import BACK_K, CLIMBS_PER_H, highest, judge_hot
from kojimon.engine.box_level import COLD_ROOM_C, NEAR_ROOM_K, ROOM_C, forget, learn
from kojimon.engine.conditions import fresh, reading_at
from kojimon.engine.moments import Known
from kojimon.engine.state import elapsed_ms
from kojimon.engine.trend import slope_of
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import BoxKind, Priority
from kojimon.schedule.spec import BoxWatch

START_MS = 3_600_000
"""So long after a batch begins nothing is learnt or judged: what was usual before is another batch's (judgement)."""
LOADED_MS = 7_200_000
SET_MS = 10_800_000
"""So long after koji came into it, or it was set to nobody knows what, a box is not called off, unless its air has come
near its room: lid, trays, rice and a new setting move the air. A setting ends when the air rests (judgement)."""
SETTLE_PER_K_MS = 1_080_000
SETTLE_MOST_MS = 7_200_000
"""After the box was set to another temperature deviation waits 18 min for each K still to go, 2 h at most (ASHRAE
Guideline 36, 5.1.20, as coded in an open library)."""
VENTED_K = 2.0
"""The same for a box that may stand wide open: a mat under thin walls still held 3 K then (simulated, one batch)."""
LOST_PART = 0.5
"""Of the way above the room, lost when a box with koji that makes heat is called off. Without a thermostat and with the
vent a crack open two thirds and more were left; of boxes that went off less than 0.45, 20 min before it was due to be
told (simulated, seeds 1000-1004; what is due: tests/scenario/starts.py)."""
WARM_BOX_C = 28.0
"""Warmer than a room: a box of unknown kind that holds its air so is heated, and more than its room is (judgement)."""
LATE_MS = 14_400_000
"""So long before the harvest opens a box that is off wakes nobody any more, unless the koji falls (judgement)."""
COOL_KOJI_C = 28.0
"""Koji that falls a K an hour below this gets somebody up for a box that is off late, unless it was just mixed or the
like, or its box may have no thermostat: done, in a vented box, it falls as well (judgement)."""
HOT_KOJI_C = 34.0
"""Koji that warms itself, as the shipped schedules have it (judgement)."""
UNHELD = (BoxKind.UNKNOWN, BoxKind.OVEN_LIGHT, BoxKind.HEAT_MAT)
"""Boxes that may have no thermostat for their air."""
LIFT_PART, COOLS_PER_H, SINKS_PART = 0.6, -0.3, 1 / 3
"""Koji lifts the air by so much of its distance above that, at the least (5.5 W/(m2 K) of a tray of 20 kg/m2, beside
the loss of a box that a batch warms, derived: 0.6-0.9). Counted where the koji cools by so much an hour, and the air
above its room by that part of it: the air of a box that stands open comes to rest."""
KEPT_PART = 0.7
"""Of the way above the room: a box that holds more of it than this, before the koji makes heat, is not off, but stands
in a room that got colder (judgement)."""


def judge_box(turn: Turn, incubator: str, known: Known) -> None:
    """One round for an open batch. Unseen air proves nothing: the alarms stay as they are."""
    box = known.schedule.box
    found = reading_at(turn, incubator, "air", "temperature")
    if box is None or found is None:
        return
    no, value = found
    room = reading_at(turn, incubator, "room", "temperature")
    own_heat = known.batch.stage not in ("", known.schedule.stages[0].name)
    if not own_heat and turn.of_late(incubator).visited_ms >= 0:
        turn.happened(incubator, visited_ms=-1)  # rice that was hot from the steamer; what is usual is learnt till then
    allowed_c, _ = highest(turn, incubator, known)
    begun = elapsed_ms(turn.anchors, known.batch.started_ms, turn.t_ms) < START_MS
    room_c = _room_c(turn, incubator, own_heat)
    set_ms = turn.of_late(incubator).set_ms
    set_anew = set_ms >= 0 and elapsed_ms(turn.anchors, set_ms, turn.t_ms) < SET_MS
    for one in fresh(turn, turn.compiled.probes_at(incubator, "air", "temperature")):
        if begun:
            forget(turn, one)
        elif learn(turn, one, box, own_heat, allowed_c, room, set_anew):
            turn.happened(incubator, set_ms=-1)
    facts: dict[str, Any] = {"value": value, "probe": turn.compiled.probes[no].name, "room": room[1] if room else None}
    active = turn.active(incubator, keys.BOX_OFF)
    kind, level_c = turn.compiled.kind_of(incubator), turn.airs[no].level
    now_c = max(value, level_c)  # the level lags: a lid just closed
    from_c = None
    if not off_untold(turn, incubator):
        lift_k = _lift_k(turn, incubator, known, no, room) if own_heat else 0.0
        fallen_c = (level_c if active else now_c) - lift_k
        from_c = _fallen(turn, incubator, no, box, fallen_c, BACK_K * active, own_heat)
    off = from_c is not None
    waits = off and (begun or _waits(turn, incubator, known, no, own_heat, room_c, set_anew))
    off = off and (active or not waits)
    wakes = off and _off_wakes(turn, incubator, known, kind, room is not None)
    if wakes and own_heat and kind in UNHELD:  # told alone: what koji may hold up, and a vent may take from warm koji
        sure = _fallen(turn, incubator, no, box, now_c, 0.0, own_heat) is not None
        wakes = sure and not waits and not _koji_is_warm(turn, incubator)
    facts["limit"] = None if from_c is None else round(from_c, 2)
    priority = Priority.WAKE if wakes else Priority.TELL
    turn.held(incubator, keys.BOX_OFF, off, box.off_after_s, priority, **facts)
    if wakes and turn.alarm(incubator, keys.BOX_OFF).priority is Priority.TELL:
        turn.signal(incubator, keys.BOX_OFF, Signal.UP, priority=Priority.WAKE, **facts)
    judge_hot(turn, incubator, known, box, no, own_heat, facts)


def _off_wakes(turn: Turn, incubator: str, known: Known, kind: str, room_seen: bool) -> bool:
    """Whether a box that is off gets somebody up. A lamp's room may have cooled, a mat's air follows its room and
    whoever comes by: koji that does calls itself."""
    if kind == BoxKind.HEAT_MAT or (kind == BoxKind.OVEN_LIGHT and not room_seen):
        return False
    if not _late(turn, known):
        return True
    return kind not in UNHELD and _koji_falls(turn, incubator) and not _loaded_lately(turn, known)


def off_untold(turn: Turn, incubator: str) -> str:
    """Why the box's air cannot tell that it went off, "" where it can.

    `mat`: it follows the room, and is not known to rest well above it; `no-air`: it is not read; `room`: the box never
    held it well above the room.
    """
    kind = turn.compiled.kind_of(incubator)
    numbers = fresh(turn, turn.compiled.probes_at(incubator, "air", "temperature"))
    if kind == BoxKind.HEAT_MAT:
        room = reading_at(turn, incubator, "room", "temperature")
        rested = [no for no in numbers if room is not None and no in turn.own and turn.airs[no].room is not None]
        return "" if any(_warmer_than_rooms(turn, no, True) for no in rested) else "mat"
    if not numbers:
        return "no-air"
    unknown = kind == BoxKind.UNKNOWN
    return "" if any(_warmer_than_rooms(turn, no, unknown) for no in numbers) else "room"


def _warmer_than_rooms(turn: Turn, no: int, unknown: bool) -> bool:
    """Whether the box holds its air so far above the room that the air of one that is off would be another."""
    air = turn.airs.get(no, AirWatch())
    level_c = turn.own.get(no, air.level if air.top is None else air.top)
    if air.room is not None:
        return level_c >= air.room + NEAR_ROOM_K
    return not unknown or level_c >= WARM_BOX_C


def _room_c(turn: Turn, incubator: str, own_heat: bool) -> float:
    room = reading_at(turn, incubator, "room", "temperature")
    return room[1] if room else COLD_ROOM_C if own_heat else ROOM_C


def _held_by_room(turn: Turn, incubator: str, no: int, level_c: float, own_c: float, own_heat: bool) -> bool:
    """Whether the air of a box that may have no thermostat fell with its room, or may have."""
    if turn.compiled.kind_of(incubator) not in UNHELD:
        return False
    room, air = reading_at(turn, incubator, "room", "temperature"), turn.airs[no]
    if room is None or air.room is None:
        return level_c - ROOM_C > LOST_PART * (own_c - ROOM_C)
    return level_c - room[1] > (LOST_PART if own_heat else KEPT_PART) * (own_c - air.room)


def _lift_k(turn: Turn, incubator: str, known: Known, no: int, room: tuple[int, float] | None) -> float:
    """How much of the air's level the koji holds up, in a box that may have no thermostat: there what the koji gives
    comes on top of the heater's. 0 where it always lay so far above the air, where it and the air do not cool together,
    and where that is no harm: still warm it is cooled so by a vent, and done as well."""
    koji = reading_at(turn, incubator, "bed", "temperature", hottest=False)
    course = turn.courses.get(koji[0]) if koji else None
    if koji is None or course is None or course.low_k is None or turn.compiled.kind_of(incubator) not in UNHELD:
        return 0.0
    above_k = koji[1] - turn.airs[no].level - max(0.0, course.low_k)
    slope, sinks = slope_of(turn.trace.get(koji[0], ())), slope_of(turn.trace.get(no, ()))
    if koji[1] >= COOL_KOJI_C or above_k <= 0 or slope is None or sinks is None or _late(turn, known, 0):
        return 0.0
    around = slope_of(turn.trace.get(room[0], ())) if room else None
    sinks_per_h = sinks.per_h - (around.per_h if around else 0.0)
    cools = slope.per_h <= COOLS_PER_H - 3 * slope.error_per_h and sinks_per_h <= SINKS_PART * slope.per_h
    return LIFT_PART * above_k if cools else 0.0


def _late(turn: Turn, known: Known, before_ms: int = LATE_MS) -> bool:
    """Whether the koji may be taken out by now, or soon: most of its heat is made, and more is hardly wanted."""
    opens_ms = known.harvest_ms()[0]
    return opens_ms is not None and opens_ms - before_ms <= turn.t_ms


def _koji_is_warm(turn: Turn, incubator: str) -> bool:
    """Whether the coldest koji is still far from harm."""
    koji = reading_at(turn, incubator, "bed", "temperature", hottest=False)
    return koji is not None and koji[1] >= COOL_KOJI_C


def _koji_falls(turn: Turn, incubator: str) -> bool:
    found = reading_at(turn, incubator, "bed", "temperature", hottest=False)
    slope = slope_of(turn.trace.get(found[0], ())) if found else None
    return found is not None and found[1] < COOL_KOJI_C and slope is not None and slope.per_h <= -CLIMBS_PER_H


def _waits(turn: Turn, incubator: str, known: Known, no: int, own_heat: bool, room_c: float, anew: bool) -> bool:
    """Whether a fall of the air may have another cause than a box that is off."""
    if turn.working(incubator):
        return True
    koji = reading_at(turn, incubator, "bed", "temperature") if own_heat else None
    if koji is not None and koji[1] >= HOT_KOJI_C:
        return True
    over_room_k = turn.airs[no].level - room_c
    set_k = LOST_PART * (turn.own.get(no, turn.airs[no].level) - room_c)
    near_k = min(NEAR_ROOM_K, set_k)  # it may be set that near the room
    cool = koji is not None and koji[1] < COOL_KOJI_C  # nobody leaves it open for that
    vented = own_heat and turn.of_late(incubator).visited_ms >= 0 and over_room_k > VENTED_K and not cool
    settles = turn.t_ms < turn.of_late(incubator).settling_until_ms
    return vented or ((anew or settles or _loaded_lately(turn, known)) and over_room_k > near_k)


def _loaded_lately(turn: Turn, known: Known) -> bool:
    """Whether koji came into the box within two hours, seeded, mixed or the like: it cools the air it comes into."""
    works = {step.name for step in known.schedule.steps if step.work in COOLING_WORK}
    came = [known.hour0_ms(), *(mark.at_ms for mark in known.batch.marks if not mark.undone and mark.step in works)]
    return any(at_ms is not None and elapsed_ms(turn.anchors, at_ms, turn.t_ms) < LOADED_MS for at_ms in came)


def _fallen(
    turn: Turn, incubator: str, no: int, box: BoxWatch, level_c: float, back_k: float, own_heat: bool
) -> float | None:  # fmt: skip
    """The level that air of this level has fallen far from, None where it has not, or fell with its room.

    An open lid makes it fall for some minutes only. On a first way up that has not ended the fall counts from the
    highest half hour, and must undo half of the way: a box overshoots.
    """
    air, own = turn.airs.get(no, AirWatch()), turn.own.get(no)
    from_c = air.top if own is None else own
    if from_c is None:
        return None
    part_k = 0.0
    if own_heat:
        part_k = LOST_PART * (from_c - _room_c(turn, incubator, own_heat))
    elif own is None and air.start is not None:
        part_k = LOST_PART * (from_c - air.start)
    far = from_c - level_c >= max(box.falls_k, part_k) - back_k
    return from_c if far and not _held_by_room(turn, incubator, no, level_c, from_c, own_heat) else None


def visit(turn: Turn, incubator: str) -> None:
    """Somebody answered hot koji, most likely at the box: what it holds by itself is not known any more."""
    turn.happened(incubator, visited_ms=turn.t_ms)


def settle(turn: Turn, incubator: str, to_c: object) -> None:
    """The box was set to another temperature. Said to what: it holds no more by itself, however its air rests lower,
    and how far that strays is judged once it has had the time to get there; unsaid, its level is learnt anew."""
    found = reading_at(turn, incubator, "air", "temperature")
    if not isinstance(to_c, (int, float)) or found is None:
        turn.happened(incubator, set_ms=turn.t_ms)
        visit(turn, incubator)
        return
    for no in turn.compiled.probes_at(incubator, "air", "temperature"):
        if no in turn.own:
            turn.own[no] = min(turn.own[no], float(to_c))
            turn.usual[no] = min(turn.usual[no], float(to_c))
            turn.airs[no] = AirWatch(turn.airs[no].ticks, turn.airs[no].level, room=turn.airs[no].room)
    wait_ms = min(SETTLE_MOST_MS, round(abs(float(to_c) - found[1]) * SETTLE_PER_K_MS))
    turn.happened(incubator, set_ms=-1, settling_until_ms=turn.t_ms + wait_ms)
