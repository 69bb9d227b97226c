"""What a box holds by itself: the level its air comes to rest at, learnt from one probe.

The smoothed air is told in half hours; two of them alike are rest. What is usual is learnt at the first, and anew at
each that is higher, or lower where the box was set and nobody said to what.
"""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.engine.air_watch import AirWatch
from kojimon.engine.trend import TRACE_EVERY_MS
from kojimon.engine.turn import Turn
from kojimon.schedule.spec import BoxWatch

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
NEAR_ROOM_K = 3.0
"""Air as near to the room's as this is no box turned down, but one that is off."""
ROOM_C = 22.0
COLD_ROOM_C = 17.0
"""Taken for the room where it is not measured: before the koji makes heat, and from then on. A room that is warmer than
taken delays the call, one that is colder makes it a false one (judgement; most homes lie between)."""


def forget(turn: Turn, no: int) -> None:
    """A new batch: only the smoothed level goes on."""
    air = turn.airs.get(no, AirWatch())
    turn.airs[no] = _smoothed(AirWatch(air.ticks, air.level), turn.last_v[no])
    turn.usual.pop(no, None)
    turn.own.pop(no, None)


def _smoothed(air: AirWatch, value: float) -> AirWatch:
    ticks = air.ticks + 1
    return replace(air, ticks=ticks, level=air.level + (value - air.level) * max(1 / ticks, SHARE))


def learn(
    turn: Turn, no: int, box: BoxWatch, own_heat: bool, allowed_c: float, room: tuple[int, float] | None, set_anew: bool
) -> bool:
    """Takes the probe's value into what is known of it. Returns whether its air has come to rest anew.

    What is beyond the stage's limit never becomes usual. The box's own level is the usual one while the koji makes no
    heat, and then stays: the air of a box that is off falls so slowly with hot koji that the usual level follows it.
    """
    value, room_c = turn.last_v[no], room[1] if room else COLD_ROOM_C if own_heat else ROOM_C
    air, mean, change_k = _half_hour(_smoothed(turn.airs.get(no, AirWatch()), value), value)
    usual, own = turn.usual.get(no), turn.own.get(no)
    rests = mean < allowed_c and _rests(air.top if usual is None else usual, mean, change_k, box, room_c, set_anew)
    share = 0.0
    if rests and (usual is None or mean > usual or set_anew):
        usual, own, share = mean, mean if own is None or not own_heat else own, 1.0
    elif usual is not None and air.level < allowed_c and -box.falls_k / 2 < air.level - usual < box.rises_k / 2:
        share = TRACE_EVERY_MS / USUAL_TAU_MS
        usual += (air.level - usual) * share
    if usual is not None:
        turn.usual[no] = usual
        keeps = own_heat or (set_anew and not rests)
        if own is None or not keeps:
            own, air = usual, replace(air, room=_followed(air.room, room, share))
        turn.own[no] = own
    elif room is not None and (air.room is None or (change_k is not None and air.top == mean)):
        air = replace(air, room=room[1])  # a fall counts from the highest half hour: the room of that
    turn.airs[no] = replace(air, top=mean) if rests else air
    return rests and set_anew


def _followed(before: float | None, room: tuple[int, float] | None, share: float) -> float | None:
    """The room that belongs to the usual level: it follows as that does."""
    if room is None:
        return None
    return room[1] if before is None else before + (room[1] - before) * share


def _rests(from_c: float | None, mean: float, change_k: float | None, box: BoxWatch, room_c: float, anew: bool) -> bool:
    """Whether the last half hour was one of rest: lower than before only where that may be, and then above the room."""
    if change_k is None or not -REST_FALL_K <= change_k <= REST_RISE_K:
        return False
    lower = from_c is not None and mean < from_c - box.falls_k / 2
    return not lower or (anew and mean > room_c + NEAR_ROOM_K)


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
