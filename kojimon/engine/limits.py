"""Limits of the stage on each probe, and the alarm of a place made of them.

Each probe serves its own delays; the alarm of a place and side is as bad as its worst probe, and names it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from msgspec.structs import replace

from kojimon.alarms.levels import IDLE, LevelState, Threshold, judge
from kojimon.alarms.states import AlarmState, Signal
from kojimon.contract import keys
from kojimon.contract.events import ProbeBack
from kojimon.contract.state import Pending
from kojimon.engine.conditions import HEATS_KOJI, fresh, may_dry, reading_at
from kojimon.engine.moments import HOUR_ZERO, holds_in
from kojimon.engine.setup import ProbeSetup
from kojimon.engine.state import AlarmRec, ProbeWatch, after_ms, elapsed_ms
from kojimon.engine.trend import rate_per_h
from kojimon.engine.turn import CRITICAL, SUPPRESSED, Turn
from kojimon.engine.work import worsened
from kojimon.model import BoxKind, Priority
from kojimon.schedule.spec import Band, Limit, Stage

LEVELS = {"high": ("high", "high_high"), "low": ("low", "low_low")}
Pair = tuple[Threshold | None, Threshold | None]
MINUTE_MS = 60_000
FALL_K = 8.0
"""Mixing takes 1-5 K from the koji as published, 8 K at the most (judgement): what falls further within
`FALL_WITHIN_MS` is a probe that left the koji."""
FALL_WITHIN_MS = 240_000
UNDER_K, STEADY_PER_H = 3.0, 1.0
"""Air so far under koji does not heat it, nor did of late where it rises no faster than this (judgement)."""
GROWN_MS = 64_800_000
"""Hour 18: the first white shows then and later (Spore maker's page, in the schedules)."""


def bands_in_force(turn: Turn, incubator: str) -> list[Band]:
    """The bands of the incubator's present stage with ramps applied, in whole minutes; none without a batch."""
    batch = turn.batches.get(incubator)
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    stage = schedule.stage(batch.stage) if schedule and batch else None
    if not stage or not schedule or not batch:
        return []
    index = schedule.stages.index(stage)
    before = schedule.stages[index - 1] if index else None
    into_s = elapsed_ms(turn.anchors, batch.stage_since_ms, turn.t_ms) // MINUTE_MS * 60
    untold = _UNTOLD.get(turn.compiled.kind_of(incubator), ())
    ramped = [_ramped(band, before, into_s) for band in stage.bands if (band.place, band.quantity) not in untold]
    bands = [_held(turn, incubator, band, stage, before) for band in ramped]
    return [_of_maybe_a_mat(band) for band in bands] if _maybe_a_mat(turn, incubator) else bands


def _held(turn: Turn, incubator: str, band: Band, stage: Stage, before: Stage | None) -> Band:
    """The koji's band with a lower limit of before still in force: while an alarm by it stands, which no stage that
    begins by itself ends, or early, where a heater that is not measured rises as growth does. The stage's own limit
    then calls once more, as the outer one."""
    if (band.place, band.quantity) != ("bed", "temperature") or band.high is None:
        return band
    alarm, limits = turn.alarm(incubator, keys.HOT_KOJI), [band.high.limit]
    if holds_in(stage.begins) and alarm.active and alarm.level == "high" and alarm.limit is not None:
        limits.append(alarm.limit)
    old = _same(before, band)
    if old is not None and old.high is not None and _grown_early(turn, incubator, stage):
        limits.append(old.high.limit)
    if min(limits) == band.high.limit:
        return band
    outer = band.high_high or band.high
    outer = replace(outer, limit=min(outer.limit, band.high.limit))
    return replace(band, high=replace(band.high, limit=min(limits)), high_high=outer)


def _grown_early(turn: Turn, incubator: str, stage: Stage) -> bool:
    """Whether a stage began by koji that warmed itself, in a box that may do the same, before growth can be seen."""
    batch = turn.batches[incubator]
    conditions = turn.compiled.schedules[batch.schedule].conditions
    own_heat = any(conditions[hold.condition].own_rise is not None for hold in holds_in(stage.begins))
    hour0 = [mark.at_ms for mark in batch.marks if mark.step == HOUR_ZERO and not mark.undone]
    kind = turn.compiled.kind_of(incubator)
    if not hour0 or not own_heat or kind not in (*HEATS_KOJI, BoxKind.UNKNOWN):
        return False
    return elapsed_ms(turn.anchors, min(hour0), turn.t_ms) < GROWN_MS


def _maybe_a_mat(turn: Turn, incubator: str) -> bool:
    """Whether cold air says nothing: the kind of box is not said, and the koji, which calls when it cools, is seen."""
    unknown = turn.compiled.kind_of(incubator) == BoxKind.UNKNOWN
    return unknown and bool(fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature")))


def _of_maybe_a_mat(band: Band) -> Band:
    of_air = (band.place, band.quantity) == ("air", "temperature")
    return replace(band, low=None, low_low=None) if of_air else band


_UNTOLD: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    BoxKind.HEAT_MAT: (("air", "temperature"), ("air", "humidity")),
    BoxKind.FAN: (("air", "humidity"),),
}
"""What has no limits in a kind of box: the air over a mat is the room's, and fresh air that a fan heats is dry, however
damp the trays are under their wraps (20 °C and 50 % in the room give 25 % at 32 °C, by vapour pressure)."""


def ramp_next_ms(turn: Turn, incubator: str) -> int | None:
    """When a ramping limit moves next, or None."""
    batch = turn.batches.get(incubator)
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    stage = schedule.stage(batch.stage) if schedule and batch else None
    if not stage or not batch:
        return None
    into_ms = elapsed_ms(turn.anchors, batch.stage_since_ms, turn.t_ms)
    if into_ms >= max((band.ramp_s for band in stage.bands), default=0.0) * 1000:
        return None
    return after_ms(turn.anchors, batch.stage_since_ms, (into_ms // MINUTE_MS + 1) * MINUTE_MS)


def _ramped(band: Band, before: Stage | None, into_s: float) -> Band:
    if not before or into_s >= band.ramp_s:
        return band
    old = _same(before, band)
    if not old:
        return band
    part = into_s / band.ramp_s
    moved = {side: _between(getattr(old, side), getattr(band, side), part) for pair in LEVELS.values() for side in pair}
    return replace(band, **moved)


def _same(before: Stage | None, band: Band) -> Band | None:
    """What guarded the same in the stage before."""
    bands = before.bands if before else ()
    return next((one for one in bands if (one.place, one.quantity) == (band.place, band.quantity)), None)


def _between(old: Limit | None, new: Limit | None, part: float) -> Limit | None:
    if not old or not new:
        return new
    return replace(new, limit=old.limit + (new.limit - old.limit) * part)


def thresholds(band: Band | None, side: str, by_hand: bool = False) -> Pair:
    """The band's two limits of one side, milder first, ready to be judged. `by_hand`: without delays, and on the first
    reading: those are there against probes that tremble, and nobody reads a thermometer three times."""
    if band is None:
        return None, None
    milder, worse = (band.high, band.high_high) if side == "high" else (band.low, band.low_low)
    return _threshold(milder, side, by_hand), _threshold(worse, side, by_hand)


def _threshold(limit: Limit | None, side: str, by_hand: bool) -> Threshold | None:
    if limit is None:
        return None
    if by_hand:
        return Threshold(limit.limit, side == "high", 0, 0, limit.deadband, 1)
    return Threshold(
        limit.limit, side == "high", round(limit.on_delay_s * 1000), round(limit.off_delay_s * 1000),
        limit.deadband, limit.min_samples,
    )  # fmt: skip


def band_of(bands: list[Band], probe: ProbeSetup) -> Band | None:
    """The band that guards a probe."""
    return next((band for band in bands if (band.place, band.quantity) == (probe.place, probe.quantity)), None)


def judge_probe(turn: Turn, probe: ProbeSetup, value: float, bands: list[Band]) -> None:
    """Takes a good sample of a probe through its limits and settles the alarms of its place."""
    band = band_of(bands, probe)
    served_ms = turn.served.pop(probe.no, -1)
    watch = turn.watch.get(probe.no, ProbeWatch())
    if band is None and watch.idle:
        return
    fell_from = _fell_from(turn, probe, watch, value)
    after = ProbeWatch(
        high=watch.high
        if fell_from is not None
        else _judge_pair(watch.high, thresholds(band, "high", probe.by_hand), value, turn.t_ms, served_ms),
        low=watch.low
        if _low_is_held(turn, probe, watch, band)
        else _judge_pair(watch.low, thresholds(band, "low", probe.by_hand), value, turn.t_ms, served_ms),
        fell_from=fell_from,
    )
    turn.watch[probe.no] = after
    if fell_from is not None and watch.fell_from is None:
        fell = ProbeBack(probe=probe.name, from_c=fell_from, value=value)
        turn.emit(fell, probe.incubator, "fell", Priority.TELL)
    for side in ("high", "low"):
        if getattr(after, side) != getattr(watch, side):
            settle(turn, probe.incubator, probe.place, probe.quantity, side, band)


def _low_is_held(turn: Turn, probe: ProbeSetup, watch: ProbeWatch, band: Band | None) -> bool:
    """Whether a probe is not heard about cold, as it is perhaps not in the koji: unless the air is so cold that koji no
    further above it than ever before would be too cold as well, wherever the probe lies."""
    if probe.no not in turn.doubts or any(level.active for level in watch.low):
        return False
    course, air = turn.courses.get(probe.no), reading_at(turn, probe.incubator, "air", "temperature")
    if band is None or band.low is None or course is None or course.low_k is None or air is None:
        return True
    return air[1] + max(0.0, course.low_k) > band.low.limit


def _fell_from(turn: Turn, probe: ProbeSetup, watch: ProbeWatch, value: float) -> float | None:
    """What a probe in koji that is called too hot showed before it fell further than work can cool koji; None when it
    did not, is near that again, or hands are in the koji by somebody's word."""
    hot = any(level.active for level in watch.high)
    if not hot or (probe.place, probe.quantity) != ("bed", "temperature") or turn.working(probe.incubator):
        return None
    recent = [v for t_ms, v in turn.trace.get(probe.no, ()) if turn.t_ms - t_ms <= FALL_WITHIN_MS]
    top = max(recent, default=None) if watch.fell_from is None else watch.fell_from
    return top if top is not None and value < top - FALL_K else None


def believe_fall(turn: Turn, incubator: str) -> None:
    """Somebody says what was done to the koji, or that the probe is in it: its next reading counts again."""
    for no in turn.compiled.probes_at(incubator, "bed", "temperature"):
        watch = turn.watch.get(no)
        if watch is not None and watch.fell_from is not None:
            turn.watch[no] = replace(watch, fell_from=None)


def _judge_pair(
    levels: tuple[LevelState, LevelState], pair: Pair, value: float, t_ms: int, served_ms: int
) -> tuple[LevelState, LevelState]:
    one, two = (
        IDLE if limit is None else judge(level, limit, value, t_ms, served_ms)
        for level, limit in zip(levels, pair, strict=True)
    )
    return one, two


def settle(turn: Turn, incubator: str, place: str, quantity: str, side: str, band: Band | None, **why: str) -> None:
    """Brings the alarm of a place and side into line with its probes. `why`: what an end is stated with, where it is
    not that the value came back."""
    key = keys.Limit(place, quantity, side)
    alarm = turn.alarm(incubator, key)
    worst = _worst(turn, incubator, place, quantity, side)
    if worst is None:
        if alarm.active:
            lasted_ms = elapsed_ms(turn.anchors, alarm.since_ms, turn.t_ms)
            turn.signal(
                incubator, key, Signal.OFF, level="", limit=alarm.limit, probe=alarm.probe, lasted_ms=lasted_ms,
                value=_now(turn, incubator, place, quantity, side), **(why or _by_stage(turn, alarm, band, side)),
            )  # fmt: skip
        return
    level, no, since_ms = worst
    name = LEVELS[side][level]
    limit: Limit | None = getattr(band, name) if band else None
    rank = LEVELS[side].index(alarm.level) if alarm.active and alarm.level in LEVELS[side] else -1
    if alarm.active and rank == level:
        return
    signal = Signal.ON if not alarm.active else Signal.UP if level > rank else Signal.DOWN
    probe = turn.compiled.probes[no]
    worsened(turn, incubator, key, name)
    sign = 1 if side == "high" else -1
    moved = signal is Signal.DOWN and alarm.limit is not None and (turn.last_v[no] - alarm.limit) * sign >= 0
    now: dict[str, Any] = {"limit_now": limit.limit} if moved and limit else {}
    turn.signal(
        incubator, key, signal, priority=limit.priority if limit else Priority.LOG, level=name,
        value=turn.last_v[no], limit=limit.limit if limit else None, probe=probe.name, since_ms=since_ms,
        place=place, quantity=quantity, side=side, tray=probe.tray, rate_per_h=rate_per_h(turn.trace.get(no, ())),
        latch=limit is not None and limit.latch, **beside(turn, incubator, key), **now,
    )  # fmt: skip


def _by_stage(turn: Turn, alarm: AlarmRec, band: Band | None, side: str) -> dict[str, Any]:
    """Why an alarm ends that is not back to normal: the stage has no such limit (`ended`), or one further out
    (`limit_now`) while the value is still beyond the limit it was raised by."""
    limit: Limit | None = getattr(band, alarm.level, None)
    if limit is None:
        return {"ended": "stage" if alarm.incubator in turn.batches else "batch"}
    key, sign = alarm.about, 1 if side == "high" else -1
    value = _now(turn, alarm.incubator, key.place, key.quantity, side) if isinstance(key, keys.Limit) else None
    if alarm.limit is None or value is None or (value - alarm.limit) * sign < 0:
        return {}
    return {"limit_now": limit.limit} if (limit.limit - alarm.limit) * sign > 0 else {}


def beside(turn: Turn, incubator: str, key: keys.AlarmKey) -> dict[str, Any]:
    """What an alarm of koji is read beside: `air_c`, the box's air where it is fresh; `dries`, where a fan blows on it;
    `own_heat`, where hot koji can have its heat from nowhere else.

    Warm air does not leave koji cold for long, so that the probe may be what is in the wrong place. Of hot koji only
    air that is hotter still: then spreading it would warm it.
    """
    if key not in (keys.COLD_KOJI, keys.HOT_KOJI, keys.SOON_HOT):
        return {}
    air = reading_at(turn, incubator, "air", "temperature", hottest=key != keys.COLD_KOJI)
    bed = reading_at(turn, incubator, "bed", "temperature")
    if air is None or (key != keys.COLD_KOJI and bed is None):
        return {}
    if key != keys.COLD_KOJI and bed is not None and air[1] <= bed[1]:
        return {"own_heat": True} if _is_own_heat(turn, incubator, bed[1], air) else {}
    dries = turn.compiled.kind_of(incubator) == BoxKind.FAN and may_dry(turn, incubator)
    return {"air_c": air[1], **({"dries": True} if key == keys.COLD_KOJI and dries else {})}


def _is_own_heat(turn: Turn, incubator: str, bed_c: float, air: tuple[int, float]) -> bool:
    """Whether the heat of hot koji is its own: its air is well under it, within what the stage allows, and does not
    rise by itself. A mat that is on heats it from below, whatever the air is."""
    mat = turn.compiled.kind_of(incubator) == BoxKind.HEAT_MAT and turn.of_late(incubator).off_ms < 0
    per_h = rate_per_h(turn.trace.get(air[0], ()))
    bands = (band for band in bands_in_force(turn, incubator) if (band.place, band.quantity) == ("air", "temperature"))
    most_c = min((band.high.limit for band in bands if band.high), default=air[1])
    cool = air[1] <= min(bed_c - UNDER_K, most_c)
    return cool and not mat and per_h is not None and per_h <= STEADY_PER_H


def _now(turn: Turn, incubator: str, place: str, quantity: str, side: str) -> float | None:
    """The value a side is judged by at this moment."""
    numbers = turn.compiled.known_at(incubator, place, quantity)
    values = [turn.last_v[no] for no in numbers if no in turn.last_v]
    return (max if side == "high" else min)(values, default=None)


def _worst(turn: Turn, incubator: str, place: str, quantity: str, side: str) -> tuple[int, int, int] | None:
    """(level, probe, since) of the worst active limit of a place and side."""
    found: tuple[int, float, int, int] | None = None
    for no in turn.compiled.known_at(incubator, place, quantity):
        pair: tuple[LevelState, LevelState] = getattr(turn.watch.get(no, ProbeWatch()), side)
        active = [index for index, level in enumerate(pair) if level.active]
        if active:
            level = active[-1]
            value = turn.last_v.get(no, 0.0) * (1 if side == "high" else -1)
            found = max(found or (level, value, no, 0), (level, value, no, pair[level].since_ms))
    return None if found is None else (found[0], found[2], found[3])


def pending(turn: Turn, incubator: str) -> list[Pending]:
    """Limits that are passed while their delay runs and that would raise an alarm or make it worse, for the state
    document: the first to come due in front, one a place, side and level. `due_t_ms` is the earliest moment, for a
    delay ends on a reading; `held`: nothing will be said then, the alarm is set aside or hands are in the koji."""
    bands, found = bands_in_force(turn, incubator), []
    for probe in turn.setup.probes:
        band, watch = band_of(bands, probe), turn.watch.get(probe.no)
        if probe.incubator == incubator and band is not None and watch is not None and fresh(turn, (probe.no,)):
            found += [row for side in LEVELS for row in _pending(turn, probe, band, side, getattr(watch, side))]
    found.sort(key=lambda row: row.due_t_ms)
    return list({(row.key, row.level): row for row in reversed(found)}.values())[::-1]


def _pending(
    turn: Turn, probe: ProbeSetup, band: Band, side: str, levels: tuple[LevelState, LevelState]
) -> Iterator[Pending]:
    key = keys.Limit(probe.place, probe.quantity, side)
    alarm = turn.alarm(probe.incubator, key)
    standing = LEVELS[side].index(alarm.level) if alarm.active and alarm.level in LEVELS[side] else -1
    for rank, (name, level) in enumerate(zip(LEVELS[side], levels, strict=True)):
        limit: Limit | None = getattr(band, name)
        if limit is None or level.active or level.since_ms < 0 or rank <= standing:
            continue
        working = turn.working(probe.incubator) or alarm.state is AlarmState.DSUPR
        held = working and key in SUPPRESSED and name not in CRITICAL
        yield Pending(
            key=str(key), level=name, priority=str(limit.priority), probe=probe.name, tray=probe.tray,
            value=turn.last_v[probe.no], limit=limit.limit, since_t_ms=level.since_ms,
            due_t_ms=level.since_ms + round(limit.on_delay_s * 1000),
            held=held or alarm.state in (AlarmState.SHLVD, AlarmState.OOSRV),
        )  # fmt: skip


def rejudge_all(turn: Turn, incubator: str) -> None:
    """After limits have moved or gone: limits that no longer exist end; all others wait for their next sample."""
    bands = bands_in_force(turn, incubator)
    for probe in turn.compiled.probes.values():
        watch = turn.watch.get(probe.no)
        if probe.incubator != incubator or watch is None or watch.idle:
            continue
        band = band_of(bands, probe)
        kept = {
            side: tuple(
                IDLE if limit is None else level
                for level, limit in zip(getattr(watch, side), thresholds(band, side), strict=True)
            )
            for side in LEVELS
        }
        turn.watch[probe.no] = replace(watch, high=kept["high"], low=kept["low"])
        for side in LEVELS:
            settle(turn, incubator, probe.place, probe.quantity, side, band)
