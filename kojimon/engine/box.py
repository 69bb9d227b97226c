"""The box itself, by its own air: off, or running away.

What is usual for it is learnt once its air has come to rest, and learnt again when it comes to rest higher. So a box
that warms up, or was set higher, is no box that runs away: that is air beyond what the schedule allows in this stage
which is far from usual or still climbs, or air hotter than any schedule wants. A box is off when its air has fallen far
below its own level; before that is known, far below the highest it has held.

Once the koji makes heat such a fall alone is no sign: a vent, a mixing and the end of that heat take as much. Then a
box is off when its air has lost half of its way above the room as well, and the koji is no longer hot: hot koji is in
no danger of the cold, and holds up the air of a box that is off. Where somebody answered hot koji at the box, or set it
and did not say to what, only air near the room's counts. Koji that cools all the same is called by its own low limits.
"""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.engine.conditions import fresh, reading_at
from kojimon.engine.limits import bands_in_force
from kojimon.engine.moments import Known
from kojimon.engine.state import AirWatch, elapsed_ms
from kojimon.engine.trend import TRACE_EVERY_MS, slope_of
from kojimon.engine.turn import Turn
from kojimon.model import Priority
from kojimon.schedule.spec import Band, BoxWatch

SHARE = 0.18
"""Of each new value in the smoothed level, every two minutes: a time constant of 10 min, so that the swing of a
thermostat (3 K up and down every 4-10 min) leaves half a degree of itself at most."""
SURE_TICKS = 3
"""So many values before the level is one to begin from."""
BLOCK_TICKS = 15
"""Half an hour: two such means are compared to tell rest from a way up."""
REST_RISE_K = 1.0
REST_FALL_K = 0.6
"""At rest when a half hour's mean is no further above (below) that of the one before. Less is allowed downwards: rice
that cools in the box takes its air down for hours, and so does a box that is off (judgement)."""
USUAL_TAU_MS = 7_200_000
"""Between two rests the usual level follows slowly, while the air is near it."""
BEYOND_C = 43.0
"""Hotter than the air limit of any schedule that comes with kojimon, 42 °C (tests/schedule/test_shipped.py)."""
CLIMBS_PER_H = 1.0
"""A rise that is one: a K an hour, and surely more than noise."""
BACK_K = 1.5
"""Deadband of the box's own alarms."""
START_MS = 3_600_000
"""So long after a batch begins nothing is learnt or judged: what was usual before is another batch's (judgement)."""
LOADED_MS = 7_200_000
SET_MS = 10_800_000
"""So long after the spores went on or the box was set it is not called off, unless its air has come near its room: lid,
trays, rice and a new setting move the air. It ends when that has come to rest (judgement)."""
SETTLE_PER_K_MS = 1_080_000
SETTLE_MOST_MS = 7_200_000
"""After the box was set to another temperature deviation waits 18 min for each K still to go, 2 h at most (ASHRAE
Guideline 36, 5.1.20, as coded in an open library)."""
NEAR_ROOM_K = 3.0
"""Air as near to the room's as this is no box turned down, but one that is off."""
VENTED_K = 2.0
"""The same for a box that may stand wide open: a mat under thin walls still held 3 K then (simulated, one batch)."""
ROOM_C = 22.0
COLD_ROOM_C = 17.0
"""Taken for the room where it is not measured: before the koji makes heat, and from then on. A room that is warmer than
taken delays the call, one that is colder makes it a false one (judgement; most homes lie between)."""
LOST_PART = 0.5
"""Of the way above the room, lost when a box with koji that makes heat is called off. Without a thermostat and with the
vent a crack open two thirds and more were left; of boxes that went off less than 0.45, 20 min before it was due to be
told (simulated, seeds 1000-1004; what is due: tests/scenario/starts.py)."""
HOT_KOJI_C = 34.0
"""Koji that warms itself, as the shipped schedules have it (judgement)."""
STILL_PART = 0.07
"""Lower than usual after the rice came in the air is at rest only when it fell by a smaller part of its way to the room
in half an hour: what is off falls by more, at a time constant of up to 7 h."""


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
    allowed_c, most_c = _highest(turn, incubator, known)
    begun = elapsed_ms(turn.anchors, known.batch.started_ms, turn.t_ms) < START_MS
    room_c = room[1] if room else COLD_ROOM_C if own_heat else ROOM_C
    moved, settled_ms = _moved(turn, incubator, known), turn.of_late(incubator).settling_until_ms
    for one in fresh(turn, turn.compiled.probes_at(incubator, "air", "temperature")):
        if begun:
            _forget(turn, one)
        elif _learn(turn, one, box, own_heat, allowed_c, room_c, moved) and turn.t_ms >= settled_ms:
            turn.happened(incubator, set_ms=-1)
    facts = {"value": value, "probe": turn.compiled.probes[no].name, "room": room[1] if room else None}
    active = turn.active(incubator, keys.BOX_OFF)
    from_c = _fallen(turn, no, box, room_c if own_heat else None, active)
    off = from_c is not None and (active or not (begun or _waits(turn, incubator, no, own_heat, room_c, moved)))
    limit_c = None if from_c is None else round(from_c, 2)
    turn.held(incubator, keys.BOX_OFF, off, box.off_after_s, Priority.WAKE, limit=limit_c, **facts)
    hot = turn.active(incubator, keys.BOX_HOT)
    over_c = _running_away(turn, no, box, allowed_c, most_c, hot)
    limit_c = None if hot else over_c  # the limit it was raised by stays with it, whatever stage comes
    turn.held(incubator, keys.BOX_HOT, over_c is not None, box.hot_after_s, Priority.WAKE, limit=limit_c, **facts)


def _highest(turn: Turn, incubator: str, known: Known) -> tuple[float, float]:
    """The highest air the stage allows (before the first: any stage), and the highest that can be meant at all."""
    stages = [limit for stage in known.schedule.stages for limit in _highs(stage.bands)]
    most_c = max([BEYOND_C, *(limit + 1 for limit in stages)])
    return max(_highs(bands_in_force(turn, incubator)) or stages or [most_c]), most_c


def _highs(bands: tuple[Band, ...] | list[Band]) -> list[float]:
    air = [band for band in bands if (band.place, band.quantity) == ("air", "temperature")]
    return [limit.limit for band in air for limit in (band.high, band.high_high) if limit is not None]


def _waits(turn: Turn, incubator: str, no: int, own_heat: bool, room_c: float, moved: str) -> bool:
    """Whether a fall of the air may have another cause than a box that is off."""
    if turn.working(incubator):
        return True
    koji = reading_at(turn, incubator, "bed", "temperature") if own_heat else None
    if koji is not None and koji[1] >= HOT_KOJI_C:
        return True
    over_room_k = turn.airs[no].level - room_c
    vented = own_heat and turn.of_late(incubator).visited_ms >= 0 and over_room_k > VENTED_K
    return vented or (bool(moved) and over_room_k > NEAR_ROOM_K)


def _moved(turn: Turn, incubator: str, known: Known) -> str:
    """Why the air may be on its way: `set` or `loaded`; "" where it is not."""
    lately = turn.of_late(incubator)
    if lately.set_ms >= 0 and elapsed_ms(turn.anchors, lately.set_ms, turn.t_ms) < SET_MS:
        return "set"
    hour0_ms = known.hour0_ms()
    loaded = hour0_ms is not None and elapsed_ms(turn.anchors, hour0_ms, turn.t_ms) < LOADED_MS
    return "set" if turn.t_ms < lately.settling_until_ms else "loaded" if loaded else ""


def _forget(turn: Turn, no: int) -> None:
    """A new batch: only the smoothed level goes on."""
    air = turn.airs.get(no, AirWatch())
    turn.airs[no] = _smoothed(AirWatch(air.ticks, air.level), turn.last_v[no])
    turn.usual.pop(no, None)
    turn.own.pop(no, None)


def _smoothed(air: AirWatch, value: float) -> AirWatch:
    ticks = air.ticks + 1
    return replace(air, ticks=ticks, level=air.level + (value - air.level) * max(1 / ticks, SHARE))


def _learn(
    turn: Turn, no: int, box: BoxWatch, own_heat: bool, allowed_c: float, room_c: float, moved: str
) -> bool:
    """Takes the probe's value into what is known of it. Returns whether its air has come to rest anew.

    What is beyond the stage's limit never becomes usual. The box's own level is the usual one while the koji makes no
    heat, and then stays: the air of a box that is off falls so slowly with hot koji that the usual level follows it.
    """
    value = turn.last_v[no]
    air, mean, change_k = _half_hour(_smoothed(turn.airs.get(no, AirWatch()), value), value)
    usual, own = turn.usual.get(no), turn.own.get(no)
    rests = mean < allowed_c and _rests(air.top if usual is None else usual, mean, change_k, box, room_c, moved)
    if rests and (usual is None or mean > usual or moved):
        usual, own = mean, mean if own is None or not own_heat else own
    elif usual is not None and air.level < allowed_c and -box.falls_k / 2 < air.level - usual < box.rises_k / 2:
        usual += (air.level - usual) * TRACE_EVERY_MS / USUAL_TAU_MS
    if usual is not None:
        turn.usual[no] = usual
        keeps = own_heat or (moved == "set" and not rests)
        turn.own[no] = usual if own is None or not keeps else own
    turn.airs[no] = replace(air, top=mean) if rests else air
    return rests and moved == "set"


def _rests(
    from_c: float | None, mean: float, change_k: float | None, box: BoxWatch, room_c: float, moved: str
) -> bool:
    """Whether the last half hour was one of rest: lower than before only where that may be, and then strictly."""
    if change_k is None or not -REST_FALL_K <= change_k <= REST_RISE_K:
        return False
    lower = from_c is not None and mean < from_c - box.falls_k / 2
    still_k = REST_FALL_K if moved == "set" else STILL_PART * (mean - room_c)
    return not lower or (bool(moved) and change_k >= -still_k and mean > room_c + NEAR_ROOM_K)


def _half_hour(air: AirWatch, value: float) -> tuple[AirWatch, float, float | None]:
    """The value added to the half hour that runs; at its end its mean, and how far that is from the one before."""
    air = replace(air, total=air.total + value, count=air.count + 1)
    if air.start is None and air.ticks >= SURE_TICKS:
        air = replace(air, start=air.level)
    if air.count < BLOCK_TICKS:
        return air, 0.0, None
    mean = air.total / air.count
    change_k = None if air.before is None else mean - air.before
    top = mean if air.top is None else max(air.top, mean)
    return replace(air, total=0.0, count=0, before=mean, top=top), mean, change_k


def _fallen(turn: Turn, no: int, box: BoxWatch, room_c: float | None, active: bool) -> float | None:
    """The level the air has fallen far from, None where it has not.

    An open lid makes it fall for some minutes only. On a way up that has not ended the fall counts from the highest
    half hour, and must undo half of the way: a box overshoots. `room_c` is given once the koji makes heat.
    """
    air, own = turn.airs.get(no, AirWatch()), turn.own.get(no)
    back_k = BACK_K * active
    if room_c is not None:
        from_c = air.top if own is None else own
        lost_k = None if from_c is None else max(box.falls_k, LOST_PART * (from_c - room_c)) - back_k
        return from_c if from_c is not None and lost_k is not None and from_c - air.level >= lost_k else None
    if own is not None and (air.top is None or air.top < own + box.falls_k):
        return own if own - air.level >= box.falls_k - back_k else None
    start = air.start if own is None else own
    if air.top is None or start is None:
        return None
    need_k = max(box.falls_k, (air.top - start) / 2) - back_k
    return air.top if air.top - air.level >= need_k else None


def _running_away(
    turn: Turn, no: int, box: BoxWatch, allowed_c: float, most_c: float, active: bool
) -> float | None:
    """The limit the air is beyond when it runs away, None where it does not."""
    level, back_k, usual = turn.airs[no].level, BACK_K * active, turn.usual.get(no)
    if level >= most_c - back_k:
        return most_c
    if level < allowed_c - back_k:
        return None
    slope = slope_of(turn.trace.get(no, ()))
    climbs = slope is not None and slope.per_h >= max(CLIMBS_PER_H, 3 * slope.error_per_h)
    far = usual is not None and level >= usual + box.rises_k - back_k
    return allowed_c if active or climbs or far else None


def visit(turn: Turn, incubator: str) -> None:
    """Somebody answered hot koji, most likely at the box: what it holds by itself is not known any more."""
    turn.happened(incubator, visited_ms=turn.t_ms)


def settle(turn: Turn, incubator: str, to_c: object) -> None:
    """The box was set to another temperature: its level is learnt anew, and how far it strays is judged once it has
    had the time to get there."""
    turn.happened(incubator, set_ms=turn.t_ms)
    found = reading_at(turn, incubator, "air", "temperature")
    if not isinstance(to_c, (int, float)):
        visit(turn, incubator)
        return
    for no in turn.compiled.probes_at(incubator, "air", "temperature"):
        if no in turn.own:
            turn.own[no] = min(turn.own[no], float(to_c))
    if found is not None:
        wait_ms = min(SETTLE_MOST_MS, round(abs(float(to_c) - found[1]) * SETTLE_PER_K_MS))
        turn.happened(incubator, settling_until_ms=turn.t_ms + wait_ms)
