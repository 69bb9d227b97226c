"""What is judged every two minutes from the traces: the box itself, deviation, exposure, time to limit.

Each watch has an alarm key; `turn.since` remembers since when its condition has held. Each alarm ends when that does.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

from msgspec.structs import replace

from kojimon.alarms.states import Signal
from kojimon.contract import keys
from kojimon.engine.box import judge_box
from kojimon.engine.conditions import fresh, reading_at, spoke
from kojimon.engine.doubts import watch_doubts
from kojimon.engine.forgotten import note_warm
from kojimon.engine.limits import band_of, bands_in_force, beside
from kojimon.engine.moments import Known, known_of
from kojimon.engine.outlook import Left, left_until
from kojimon.engine.own_heat import follow
from kojimon.engine.plan import too_hot_c
from kojimon.engine.state import Mark
from kojimon.engine.trend import TRACE_EVERY_MS, Slope, slope_of
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import Priority
from kojimon.schedule.spec import Band, Deviation, Exposure, Schedule, Stage, Watch


def judge_slowly(turn: Turn) -> None:
    """One round over all open batches."""
    for incubator, batch in list(turn.batches.items()):
        known = known_of(turn.compiled, incubator, batch, turn.anchors, turn.last_t)
        if known is None:
            continue
        watch_doubts(turn, incubator, known)
        note_warm(turn, incubator)
        _note_hot(turn, incubator, known)
        judge_box(turn, incubator, known)
        follow(turn, incubator, known)
        stage = known.schedule.stage(turn.batches[incubator].stage)
        _watches(turn, incubator, stage)
        _time_to_limit(turn, incubator, response_s(turn, known.schedule))
    for incubator in turn.lately.keys() - turn.batches.keys():
        del turn.lately[incubator]


def _note_hot(turn: Turn, incubator: str, known: Known) -> None:
    """Adds up how long the koji was too hot, by any probe that may be in it."""
    beds = spoke(turn, turn.compiled.probes_at(incubator, "bed", "temperature"))
    top_c = max((turn.last_v[no] for no in beds if no not in turn.bad), default=0.0)
    if top_c >= too_hot_c(known.schedule) and known.hour0_ms() is not None:
        batch = turn.batches[incubator]
        hotter = replace(batch, hot_ms=batch.hot_ms + TRACE_EVERY_MS, hot_c=max(batch.hot_c, top_c))
        turn.put_batch(incubator, hotter)


def end_watches(turn: Turn, incubator: str) -> None:
    """A batch has ended: its slow alarms end with it."""
    for alarm in list(turn.alarms.values()):
        if alarm.incubator == incubator and alarm.active and isinstance(alarm.about, keys.Watch | keys.Box):
            turn.signal(incubator, alarm.about, Signal.OFF, ended=True)
    for table in (turn.since, turn.exposed):
        for name in [name for name in table if keys.parse_named(name)[0] == incubator]:
            del table[name]
    for no in turn.compiled.probes_at(incubator, "bed", "temperature"):
        turn.doubts.pop(no, None)
    turn.lately.pop(incubator, None)


# --- watches of the stage -----------------------------------------------------------------------------------------


def _watches(turn: Turn, incubator: str, stage: Stage | None) -> None:
    kept = set[keys.AlarmKey]()
    for watch in stage.watches if stage else ():
        key = key_of(watch)
        kept.add(key)
        match watch:
            case Deviation():
                _deviation(turn, incubator, key, watch)
            case Exposure():
                _exposure(turn, incubator, key, watch)
    for alarm in [one for one in turn.alarms.values() if one.active and one.incubator == incubator]:
        # Time added up stays added up, and its alarm with it; time to limit hangs on no watch.
        if isinstance(alarm.about, keys.Deviation) and alarm.about not in kept:
            turn.held(incubator, alarm.about, False, 0, alarm.priority)


def key_of(watch: Watch) -> keys.Watch:
    """The alarm key of a watch."""
    match watch:
        case Deviation():
            return keys.Deviation(watch.place, watch.quantity)
        case Exposure():
            return keys.Exposure(watch.place, watch.quantity)


def _deviation(turn: Turn, incubator: str, key: keys.Watch, watch: Deviation) -> None:
    above = reading_at(turn, incubator, watch.place, watch.quantity)
    below = reading_at(turn, incubator, watch.place, watch.quantity, hottest=False)
    if above is None or below is None:
        return
    high = watch.above is not None and above[1] >= watch.target + watch.above
    low = watch.below is not None and below[1] <= watch.target - watch.below
    no, value = above if high else below
    settling = turn.t_ms < turn.of_late(incubator).settling_until_ms and not turn.active(incubator, key)
    turn.held(
        incubator, key, (high or low) and not settling, watch.for_s, watch.priority, value=value,
        limit=watch.target, probe=turn.compiled.probes[no].name, side="high" if high else "low",
    )  # fmt: skip


def _sure(slope: Slope | None) -> float:
    """The slope where it is surely more than noise (three standard errors), else 0."""
    return slope.per_h if slope is not None and abs(slope.per_h) > 3 * slope.error_per_h else 0.0


def _exposure(turn: Turn, incubator: str, key: keys.Watch, watch: Exposure) -> None:
    found = reading_at(turn, incubator, watch.place, watch.quantity)
    name = keys.named(incubator, key)
    if found is not None and found[1] >= watch.at_least:
        turn.exposed[name] = turn.exposed.get(name, 0) + TRACE_EVERY_MS
    total_ms = turn.exposed.get(name, 0)
    probe = turn.compiled.probes[found[0]].name if found else ""
    turn.held(
        incubator, key, total_ms >= watch.total_s * 1000, 0, watch.priority, value=found[1] if found else None,
        limit=watch.at_least, probe=probe, total_ms=total_ms,
    )  # fmt: skip


# --- time to limit --------------------------------------------------------------------------------------------------


JUMP_K = 1.0
"""Koji gains 1-2 K an hour: what moves so far within two minutes is its probe."""
WORK_SETTLES_MS, JUMP_SETTLES_MS = 600_000, 240_000
SETTLED_POINTS = 12
"""After work or a jump a line is drawn through 22 min and more (judgement)."""


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
    told = turn.active(incubator, keys.SOON_HOT)
    bands = bands_in_force(turn, incubator)
    found = [one for one in (_by_line(turn, incubator, bands, told), _by_forecast(turn, incubator, bands, told)) if one]
    nearest = min(found, key=lambda one: one.left_s, default=None)
    if told and turn.active(incubator, keys.HOT_KOJI):
        turn.since.pop(keys.named(incubator, keys.SOON_HOT), None)
        turn.signal(incubator, keys.SOON_HOT, Signal.OFF, ended="limit")
        return
    reached = turn.active(incubator, keys.HOT_KOJI)
    if nearest is None or reached or nearest.left_s > within_s * (2 if told else 1) or turn.working(incubator):
        turn.held(incubator, keys.SOON_HOT, False, 0, Priority.TELL)
        return
    left_s, no, limit, per_h, left = nearest
    band = band_of(bands, turn.compiled.probes[no])
    asked = turn.setup.wake_s is not None or turn.setup.travel_s > 0
    wakes = asked and left is not None and band is not None and band.high is not None
    priority = band.high.priority if wakes and band is not None and band.high is not None else Priority.TELL
    sure = {"early_s": round(left.early_s), "late_s": round(left.late_s), "in_10": left.in_10} if left else {}
    turn.held(
        incubator, keys.SOON_HOT, True, 0, priority, value=turn.last_v[no], limit=limit,
        probe=turn.compiled.probes[no].name, left_s=round(max(0.0, left_s)), rate_per_h=per_h,
        **sure, **beside(turn, incubator, keys.SOON_HOT),
    )  # fmt: skip


def _by_line(turn: Turn, incubator: str, bands: list[Band], told: bool) -> Nearest | None:
    """By the slope of each probe's last half hour. Too late for growth that feeds on itself."""
    nearest = None
    for no in fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature")):
        band, slope = band_of(bands, turn.compiled.probes[no]), _line(turn, incubator, no)
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


def _line(turn: Turn, incubator: str, no: int) -> Slope | None:
    """The line through a probe's trace; after work, or a jump such as a probe put back makes, through what came after
    that alone, once it is long enough: koji that settles makes a slope of its own."""
    trace = turn.trace.get(no, ())
    jumps = [t2 for (t1, v1), (t2, v2) in pairwise(trace) if abs(v2 - v1) >= JUMP_K]
    marks = [mark.at_ms + WORK_SETTLES_MS for mark in turn.batches[incubator].marks if _moves(turn, incubator, mark)]
    since_ms = max([*marks, *(t_ms + JUMP_SETTLES_MS for t_ms in jumps)], default=-1)
    points = [point for point in trace if point[0] >= since_ms]
    return slope_of(trace, since_ms) if len(points) >= min(len(trace), SETTLED_POINTS) else None


def _moves(turn: Turn, incubator: str, mark: Mark) -> bool:
    """Whether a mark that stands says that the koji was moved."""
    schedule = turn.compiled.schedules.get(turn.batches[incubator].schedule)
    step = schedule.step(mark.step) if schedule else None
    return not mark.undone and step is not None and step.work in COOLING_WORK


def _by_forecast(turn: Turn, incubator: str, bands: list[Band], told: bool) -> Nearest | None:
    """By the forecast, for the hottest koji: what it was made of."""
    hottest = reading_at(turn, incubator, "bed", "temperature")
    band = band_of(bands, turn.compiled.probes[hottest[0]]) if hottest else None
    if hottest is None or band is None or band.high is None:
        return None
    left = left_until(turn, incubator, band.high.limit, strictly=not told)
    if left is None:
        return None
    return Nearest(left.s, hottest[0], band.high.limit, _sure(slope_of(turn.trace.get(hottest[0], ()))), left)
