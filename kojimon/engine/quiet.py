"""The quiet corridor of each probe: values between which a reading changes nothing but the last value.

Most readings of a batch fall inside, and cost the engine two comparisons. The corridor is always on the safe side: a
value outside it is looked at in full.
"""

from __future__ import annotations

from kojimon.alarms.levels import LevelState
from kojimon.contract import keys
from kojimon.engine.conditions import (
    TOO_COLD,
    fresh,
    holds_now,
    reach,
    reading_at,
    shows_growth,
    waits_for_fall,
    waits_to_rise,
)
from kojimon.engine.limits import band_of, bands_in_force, thresholds
from kojimon.engine.state import ConditionState, ProbeWatch
from kojimon.engine.turn import Turn
from kojimon.schedule.spec import Band, Condition

ALL = (float("-inf"), float("inf"))
NONE = (float("inf"), float("-inf"))
Corridor = dict[int, tuple[float, float]]


def refresh(turn: Turn, incubator: str) -> None:
    """Computes the corridors of an incubator's probes anew."""
    numbers = [probe.no for probe in turn.setup.probes if probe.incubator == incubator]
    corridors: Corridor = {no: ALL if no in turn.last_t else NONE for no in numbers}
    blind = turn.active(incubator, keys.BLIND)
    for no in numbers:
        unseen = blind and turn.compiled.probes[no].place == "bed"
        if unseen or turn.silent(no) or no in turn.bad or no in turn.served or no in turn.probe_tests:
            corridors[no] = NONE
    if incubator in turn.batches:
        _narrow_by_limits(turn, incubator, corridors)
        _narrow_by_conditions(turn, incubator, corridors)
    turn.quiet.update(corridors)


def _narrow_by_limits(turn: Turn, incubator: str, corridors: Corridor) -> None:
    bands = bands_in_force(turn, incubator)
    for no in turn.compiled.probes_at(incubator, "air", "temperature"):
        _narrow(corridors, no, ALL[0], keys.FIERCE_C)
    for no in corridors:
        watch = turn.watch.get(no, ProbeWatch())
        band = band_of(bands, turn.compiled.probes[no])
        if band is None and watch.idle:
            continue
        high_lo, high_hi = _side(watch.high, band, "high")
        low_lo, low_hi = _side(watch.low, band, "low")
        _narrow(corridors, no, max(high_lo, low_lo), min(high_hi, low_hi))


def _side(levels: tuple[LevelState, LevelState], band: Band | None, side: str) -> tuple[float, float]:
    """The corridor within which neither limit of a side changes; empty while one is pending or clearing."""
    inner, outer = ALL
    for level, limit in zip(levels, thresholds(band, side), strict=True):
        if limit is None:
            continue
        if level.active and level.back_ms < 0:
            kept = limit.limit - limit.deadband if side == "high" else limit.limit + limit.deadband
            inner, outer = (max(inner, kept), outer) if side == "high" else (inner, min(outer, kept))
        elif level.idle:
            inner, outer = (inner, min(outer, limit.limit)) if side == "high" else (max(inner, limit.limit), outer)
        else:
            return NONE
    return inner, outer


def _narrow_by_conditions(turn: Turn, incubator: str, corridors: Corridor) -> None:
    batch = turn.batches[incubator]
    schedule = turn.compiled.schedules.get(batch.schedule)
    for name, condition in schedule.conditions.items() if schedule else ():
        state = batch.conditions.get(name, ConditionState())
        own = turn.compiled.probes_at(incubator, condition.place, condition.quantity)
        if not fresh(turn, own):
            continue  # by hand at most: that is judged as it comes
        value = reach(turn, incubator, condition)
        if state.watch_ms >= 0 or holds_now(condition, value) != (state.since_ms >= 0):
            for no in own:
                corridors[no] = NONE
        elif waits_to_rise(turn, incubator, condition) or waits_for_fall(batch, condition):
            continue  # no reading changes that
        elif shows_growth(condition) and value is not None and condition.at_least is not None:
            _keep_above_air(turn, incubator, own, condition.at_least, state.since_ms >= 0, corridors)
        elif value == TOO_COLD and condition.itself_at_least is not None:
            for no in own:
                _narrow(corridors, no, ALL[0], condition.itself_at_least)
        elif value is not None:
            if state.since_ms >= 0 and condition.itself_at_least is not None:
                hottest = max(fresh(turn, own), key=lambda no: turn.last_v[no])
                _narrow(corridors, hottest, condition.itself_at_least, ALL[1])
            _keep(turn, incubator, condition, value, state.since_ms >= 0, corridors)


def _keep_above_air(
    turn: Turn, incubator: str, own: tuple[int, ...], at_least: float, true: bool, corridors: Corridor
) -> None:
    """Narrows the corridors so that koji which warms itself stays above its limit and the air, or as it is below."""
    hottest = max(fresh(turn, own), key=lambda no: turn.last_v[no])
    value = turn.last_v[hottest]
    air = reading_at(turn, incubator, "air", "temperature")
    if value < at_least:
        for no in own:
            _narrow(corridors, no, ALL[0], at_least)
        return
    middle = value if air is None else (value + air[1]) / 2
    if true:
        _narrow(corridors, hottest, max(at_least, middle) if air is not None else at_least, ALL[1])
        for no in turn.compiled.probes_at(incubator, "air", "temperature"):
            _narrow(corridors, no, ALL[0], middle)
        return
    for no in own:
        _narrow(corridors, no, ALL[0], middle)
    if air is not None:
        _narrow(corridors, air[0], middle, ALL[1])


def _keep(turn: Turn, incubator: str, condition: Condition, value: float, true: bool, corridors: Corridor) -> None:
    """Narrows the corridors so that the condition stays as it is."""
    limit = condition.at_least if condition.at_least is not None else condition.at_most
    sign = 1.0 if condition.at_least is not None else -1.0
    if limit is None:
        return
    own = turn.compiled.probes_at(incubator, condition.place, condition.quantity)
    slack = abs(limit - value) / 2 if condition.above else abs(limit - value)
    towards = slack if not true else -slack
    extreme = max(fresh(turn, own), key=lambda no: sign * turn.last_v[no])
    edge = turn.last_v[extreme] + sign * towards
    for no in own if not true else (extreme,):
        _narrow(corridors, no, *((ALL[0], edge) if (sign > 0) != true else (edge, ALL[1])))
    if condition.above:
        _keep_other(turn, incubator, condition, sign * towards, corridors)


def _keep_other(turn: Turn, incubator: str, condition: Condition, move: float, corridors: Corridor) -> None:
    """The other place may move by the other half of the slack, towards the side that would change the difference."""
    numbers = fresh(turn, turn.compiled.probes_at(incubator, condition.above, condition.quantity))
    if not numbers:
        return
    hottest = max(numbers, key=lambda no: turn.last_v[no])
    edge = turn.last_v[hottest] - move
    for no in (hottest,) if move > 0 else tuple(numbers):
        _narrow(corridors, no, *((edge, ALL[1]) if move > 0 else (ALL[0], edge)))


def _narrow(corridors: Corridor, no: int, low: float, high: float) -> None:
    if no in corridors:
        old_low, old_high = corridors[no]
        corridors[no] = (max(old_low, low), min(old_high, high))
