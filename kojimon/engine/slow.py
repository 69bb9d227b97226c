"""What is judged every two minutes from the traces: the box itself, deviation, rate, exposure, recovery, time to limit.

Each watch has a key; `turn.since` remembers since when its condition has held. Each alarm ends when its condition does.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from kojimon.alarms.states import Signal
from kojimon.engine.conditions import fresh
from kojimon.engine.limits import band_of, bands_in_force
from kojimon.engine.moments import Known, known_of
from kojimon.engine.outlook import Left, left_until
from kojimon.engine.state import after_ms, elapsed_ms
from kojimon.engine.trend import TRACE_EVERY_MS, Slope, slope_of
from kojimon.engine.turn import Turn
from kojimon.model import Priority
from kojimon.schedule.spec import Band, BoxWatch, Deviation, Exposure, Rate, Recovery, Schedule, Stage, Watch

USUAL_TAU_MS = 7_200_000
BACK_K = 1.5
"""Deadband of the box's own alarms: their limits once they are active."""
SETTLE_MS = 3_600_000
"""The box is judged only after it has been watched so long."""
VISIT_MS = 1_800_000
"""So long after hands were at hot koji the box's own level is learnt anew: it was vented or turned down (judgement)."""
SETTLE_PER_K_MS = 1_080_000
SETTLE_MOST_MS = 7_200_000
"""After the box was set to another temperature deviation waits 18 min for each K still to go, 2 h at most (ASHRAE
Guideline 36, 5.1.20, as coded in an open library)."""
NEAR_ROOM_K = 2.0
"""Air as near to the room's as this is no box turned down, but one that is off."""


def judge_slowly(turn: Turn) -> None:
    """One round over all open batches."""
    for incubator, batch in list(turn.batches.items()):
        known = known_of(turn.compiled, incubator, batch, turn.anchors, turn.last_t)
        if known is None:
            continue
        box = known.schedule.box
        if box is not None:
            settled = elapsed_ms(turn.anchors, batch.started_ms, turn.t_ms) >= SETTLE_MS
            own_heat = batch.stage not in ("", known.schedule.stages[0].name)
            _box(turn, incubator, box, settled, own_heat)
        stage = known.schedule.stage(turn.batches[incubator].stage)
        _watches(turn, incubator, known, stage)
        _time_to_limit(turn, incubator, response_s(turn, known.schedule))
    for key in [key for key in turn.since if key.split("/", 1)[0] not in turn.batches]:
        del turn.since[key]


def end_watches(turn: Turn, incubator: str) -> None:
    """A batch has ended: its slow alarms end with it."""
    for alarm in list(turn.alarms.values()):
        if alarm.incubator == incubator and alarm.active and alarm.key.split("/", 1)[0] in SLOW:
            turn.signal(incubator, alarm.key, Signal.OFF, ended=True)
    for table in (turn.since, turn.exposed):
        for key in [key for key in table if key.startswith(f"{incubator}/")]:
            del table[key]


SLOW = frozenset({"box", "deviation", "rate", "exposure", "recovery", "time-to-limit", "fault"})


def held(turn: Turn, incubator: str, key: str, true: bool, for_s: float, priority: Priority, **facts: Any) -> None:
    """Raises the alarm once its condition has been seen to hold for so long, ends it when it no longer does."""
    name = f"{incubator}/{key}"
    if not true:
        turn.since.pop(name, None)
        if turn.alarm(incubator, key).active:
            turn.signal(incubator, key, Signal.OFF)
        return
    since_ms = turn.since.setdefault(name, turn.t_ms)
    if turn.t_ms - since_ms >= for_s * 1000 and not turn.alarm(incubator, key).active:
        turn.signal(incubator, key, Signal.ON, priority=priority, since_ms=since_ms, **facts)


def _value(turn: Turn, incubator: str, place: str, quantity: str, hottest: bool = True) -> tuple[int, float] | None:
    seen = fresh(turn, turn.compiled.probes_at(incubator, place, quantity))
    if not seen:
        return None
    no = (max if hottest else min)(seen, key=lambda n: turn.last_v[n])
    return no, turn.last_v[no]


# --- the box ----------------------------------------------------------------------------------------------------


def _box(turn: Turn, incubator: str, box: BoxWatch, settled: bool, own_heat: bool) -> None:
    """The box is off when its air falls far below the box's own level and stays there; running away when far above.

    The box's own level is the usual one while the koji makes no heat (`own_heat` false), later the lowest usual one:
    koji that cools down at the end takes the air with it, and that is no fault of the box. An open lid makes the air
    fall for some minutes only. Unseen air proves nothing: the alarms stay as they are.
    """
    found = _value(turn, incubator, "air", "temperature")
    if found is None:
        return
    no, value = found
    room = _value(turn, incubator, "room", "temperature")
    visited = own_heat and _visited(turn, incubator, no, value, room)
    usual = turn.usual.get(no, value)
    away = value - usual
    if -box.falls_k / 2 < away < box.rises_k / 2:
        turn.usual[no] = usual + away * TRACE_EVERY_MS / USUAL_TAU_MS
        turn.own[no] = min(turn.own.get(no, usual), usual) if own_heat else usual
    below = turn.own.get(no, usual) - value
    facts = {"value": value, "probe": turn.compiled.probes[no].name, "room": room[1] if room else None}
    falls_k = box.falls_k - BACK_K * turn.alarm(incubator, "box/off").active
    rises_k = box.rises_k - BACK_K * turn.alarm(incubator, "box/hot").active
    off = settled and below >= falls_k and not turn.working(incubator) and not visited
    limit_c = round(turn.own.get(no, usual), 2)
    held(turn, incubator, "box/off", off, box.off_after_s, Priority.WAKE, limit=limit_c, **facts)
    hot = settled and away >= rises_k
    held(turn, incubator, "box/hot", hot, box.hot_after_s, Priority.WAKE, limit=round(usual, 2), **facts)


def visit(turn: Turn, incubator: str) -> None:
    """Hands are at the koji because it is hot: marked work, an answer to its alarm, or a sudden fall."""
    turn.since[f"{incubator}/visited"] = turn.t_ms


def settle(turn: Turn, incubator: str, to_c: object) -> None:
    """The box was set to another temperature: how far it strays is judged once it has had the time to get there."""
    found = _value(turn, incubator, "air", "temperature")
    if isinstance(to_c, (int, float)) and found is not None:
        wait_ms = min(SETTLE_MOST_MS, round(abs(float(to_c) - found[1]) * SETTLE_PER_K_MS))
        turn.since[f"{incubator}/settling"] = turn.t_ms + wait_ms


def _visited(turn: Turn, incubator: str, no: int, value: float, room: tuple[int, float] | None) -> bool:
    """Whether hands were at hot koji just now. Afterwards the box's level is learnt anew, unless it is off."""
    if turn.working(incubator):
        visit(turn, incubator)
    name = f"{incubator}/visited"
    at_ms = turn.since.get(name)
    if at_ms is None:
        return False
    if turn.t_ms - at_ms < VISIT_MS:
        return True
    del turn.since[name]
    if room is None or value > room[1] + NEAR_ROOM_K:
        turn.usual.pop(no, None)
        turn.own.pop(no, None)
    return False


# --- watches of the stage -----------------------------------------------------------------------------------------


def _watches(turn: Turn, incubator: str, known: Known, stage: Stage | None) -> None:
    kept = set()
    for watch in stage.watches if stage else ():
        key = key_of(watch)
        kept.add(key)
        if isinstance(watch, Deviation):
            _deviation(turn, incubator, key, watch)
        elif isinstance(watch, Rate):
            _rate(turn, incubator, key, watch)
        elif isinstance(watch, Exposure):
            _exposure(turn, incubator, key, watch)
        else:
            _recovery(turn, incubator, known, key, watch)
    for alarm in list(turn.alarms.values()):
        ended = alarm.key.split("/", 1)[0] in ("deviation", "rate", "recovery") and alarm.key not in kept
        if alarm.incubator == incubator and alarm.active and ended:
            held(turn, incubator, alarm.key, False, 0, alarm.priority)


def key_of(watch: Watch) -> str:
    """The alarm key of a watch."""
    kind = {Deviation: "deviation", Rate: "rate", Exposure: "exposure", Recovery: "recovery"}[type(watch)]
    tail = "" if not isinstance(watch, Rate) else "/rising" if watch.per_h > 0 else "/falling"
    return f"{kind}/{watch.place}/{watch.quantity}{tail}"


def _deviation(turn: Turn, incubator: str, key: str, watch: Deviation) -> None:
    above = _value(turn, incubator, watch.place, watch.quantity)
    below = _value(turn, incubator, watch.place, watch.quantity, hottest=False)
    if above is None or below is None:
        return
    high = watch.above is not None and above[1] >= watch.target + watch.above
    low = watch.below is not None and below[1] <= watch.target - watch.below
    no, value = above if high else below
    settling = turn.t_ms < turn.since.get(f"{incubator}/settling", 0) and not turn.alarm(incubator, key).active
    held(
        turn, incubator, key, (high or low) and not settling, watch.for_s, watch.priority, value=value,
        limit=watch.target, probe=turn.compiled.probes[no].name, side="high" if high else "low",
    )  # fmt: skip


def _sure(slope: Slope | None) -> float:
    """The slope where it is surely more than noise (three standard errors), else 0."""
    return slope.per_h if slope is not None and abs(slope.per_h) > 3 * slope.error_per_h else 0.0


def _rate(turn: Turn, incubator: str, key: str, watch: Rate) -> None:
    seen = fresh(turn, turn.compiled.probes_at(incubator, watch.place, watch.quantity))
    slopes = {no: _sure(slope_of(turn.trace.get(no, ()))) for no in seen}
    if not slopes:
        return
    no = max(slopes, key=lambda n: slopes[n] * (1 if watch.per_h > 0 else -1))
    true = slopes[no] >= watch.per_h if watch.per_h > 0 else slopes[no] <= watch.per_h
    held(
        turn, incubator, key, true and not turn.working(incubator), 0, watch.priority, value=turn.last_v[no],
        limit=watch.per_h, probe=turn.compiled.probes[no].name, rate_per_h=slopes[no],
    )  # fmt: skip


def _exposure(turn: Turn, incubator: str, key: str, watch: Exposure) -> None:
    found = _value(turn, incubator, watch.place, watch.quantity)
    name = f"{incubator}/{key}"
    if found is not None and found[1] >= watch.at_least:
        turn.exposed[name] = turn.exposed.get(name, 0) + TRACE_EVERY_MS
    total_ms = turn.exposed.get(name, 0)
    if total_ms >= watch.total_s * 1000 and not turn.alarm(incubator, key).active:
        turn.signal(
            incubator, key, Signal.ON, priority=watch.priority, value=found[1] if found else None,
            limit=watch.at_least, total_ms=total_ms,
        )  # fmt: skip


def _recovery(turn: Turn, incubator: str, known: Known, key: str, watch: Recovery) -> None:
    done_ms = known.done_ms(watch.after)
    found = _value(turn, incubator, watch.place, watch.quantity)
    if done_ms is None or found is None:
        return
    late = turn.t_ms >= after_ms(turn.anchors, done_ms, round(watch.within_s * 1000))
    once = f"{incubator}/back/{watch.after}"
    if found[1] <= watch.at_most:
        turn.since[once] = done_ms
    back = turn.since.get(once) == done_ms or found[1] <= watch.at_most
    held(
        turn, incubator, key, late and not back, 0, watch.priority, value=found[1], limit=watch.at_most,
        probe=turn.compiled.probes[found[0]].name, after=watch.after,
    )  # fmt: skip


# --- time to limit --------------------------------------------------------------------------------------------------

SOON = "time-to-limit/bed/temperature"


class Nearest(NamedTuple):
    """The limit that is nearest in time: seconds left, probe, limit, slope, and the forecast's answer if it says so."""

    left_s: float
    no: int
    limit: float
    per_h: float
    left: Left | None = None


def response_s(turn: Turn, schedule: Schedule) -> float:
    """From the call to the koji: what the person says, else the schedule, and the way there on top."""
    wake_s = turn.setup.wake_s
    return (schedule.response_s if wake_s is None else wake_s) + turn.setup.travel_s


def _time_to_limit(turn: Turn, incubator: str, within_s: float) -> None:
    """The koji will be at its high limit before a person can: told, not woken.

    By the line through its last readings where it surely rises, or by the forecast where that is fresh, sure and
    narrow: whichever is sooner. Who has said how long the way takes is got up in time by a forecast: he asked for it.
    Once told it ends only when the limit is twice as far in time or no longer approached, so that it does not flicker.
    The limit itself is never given up for it. Condition after NUREG-0700: warn before the consequence, the time to
    respond subtracted.
    """
    told = turn.alarm(incubator, SOON).active
    bands = bands_in_force(turn, incubator)
    found = [one for one in (_by_line(turn, incubator, bands, told), _by_forecast(turn, incubator, bands, told)) if one]
    nearest = min(found, key=lambda one: one.left_s, default=None)
    reached = turn.alarm(incubator, "limit/bed/temperature/high").active
    if nearest is None or reached or nearest.left_s > within_s * (2 if told else 1) or turn.working(incubator):
        held(turn, incubator, SOON, False, 0, Priority.TELL)
        return
    left_s, no, limit, per_h, left = nearest
    band = band_of(bands, turn.compiled.probes[no])
    asked = turn.setup.wake_s is not None or turn.setup.travel_s > 0
    wakes = asked and left is not None and band is not None and band.high is not None
    priority = band.high.priority if wakes and band is not None and band.high is not None else Priority.TELL
    sure = {"early_s": round(left.early_s), "late_s": round(left.late_s), "in_10": left.in_10} if left else {}
    held(
        turn, incubator, SOON, True, 0, priority, value=turn.last_v[no], limit=limit,
        probe=turn.compiled.probes[no].name, left_s=round(max(0.0, left_s)), rate_per_h=per_h, **sure,
    )  # fmt: skip


def _by_line(turn: Turn, incubator: str, bands: list[Band], told: bool) -> Nearest | None:
    """By the slope of each probe's last half hour. Too late for growth that feeds on itself."""
    nearest = None
    for no in fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature")):
        band, slope = band_of(bands, turn.compiled.probes[no]), slope_of(turn.trace.get(no, ()))
        there = band is not None and band.high is not None and turn.last_v[no] >= band.high.limit
        if slope is None or band is None or band.high is None or (there and not told):
            continue
        per_h = slope.per_h if told and slope.per_h > slope.error_per_h else _sure(slope)
        if per_h <= 0 and not there:
            continue
        left_s = 0.0 if there else (band.high.limit - slope.fitted) / per_h * 3600
        if nearest is None or left_s < nearest.left_s:
            nearest = Nearest(left_s, no, band.high.limit, per_h)
    return nearest


def _by_forecast(turn: Turn, incubator: str, bands: list[Band], told: bool) -> Nearest | None:
    """By the forecast, for the hottest koji: what it was made of."""
    hottest = _value(turn, incubator, "bed", "temperature")
    band = band_of(bands, turn.compiled.probes[hottest[0]]) if hottest else None
    if hottest is None or band is None or band.high is None:
        return None
    left = left_until(turn, incubator, band.high.limit, strictly=not told)
    if left is None:
        return None
    return Nearest(left.s, hottest[0], band.high.limit, _sure(slope_of(turn.trace.get(hottest[0], ()))), left)
