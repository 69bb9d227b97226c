"""The air of a box that runs away, or of an oven that is on.

A box that warms up, or was set higher, does not run away: that is air beyond what the schedule allows in this stage
which is far from usual or still climbs, or air hotter than any schedule wants; at `keys.FIERCE_C` it is an oven, and
called at once. A stuck heater comes to rest as well, where its box loses as much as it gives. Until the koji makes
heat, air that came beyond what the stage allows and has long been there is called while it warms cooler koji:
a probe beside a lamp read so from the first, or koji lies in other air. Before there is rice in it, it harms nothing.
"""

from __future__ import annotations

from typing import Any

from kojimon.alarms.states import AlarmState, Signal
from kojimon.contract import keys
from kojimon.engine.conditions import reading_at
from kojimon.engine.limits import bands_in_force
from kojimon.engine.moments import Known
from kojimon.engine.setup import ProbeSetup
from kojimon.engine.trend import slope_of
from kojimon.engine.turn import Turn
from kojimon.model import BoxKind, Priority
from kojimon.schedule.spec import Band, BoxWatch

BEYOND_C = 43.0
"""Hotter than the air limit of any schedule that comes with kojimon, 42 °C (tests/schedule/test_shipped.py)."""
CLIMBS_PER_H = 1.0
"""A rise that is one: a K an hour, and surely more than noise."""
BACK_K = 1.5
"""Deadband of the box's own alarms."""
HEATED_K = 2.0
"""Koji so far above the air of a box that may have no thermostat holds it up (judgement)."""
STAYS_MS, SHOWS_MS = 7_200_000, 21_600_000
"""So long beyond what the stage allows is no overshoot. What is to come of it the koji shows within six hours: what
warms it then may be its own heat (judgement)."""
WARMS_PER_H = 0.3
"""Of koji that the air warms (judgement; simulated, one batch: 1.1 K an hour in air 5-9 K above it)."""


def judge_hot(
    turn: Turn, incubator: str, known: Known, box: BoxWatch, no: int, own_heat: bool, facts: dict[str, Any]
) -> None:
    """One round for the hottest air of an open batch, of the probe `no`."""
    allowed_c, most_c = highest(turn, incubator, known)
    hot = turn.active(incubator, keys.BOX_HOT)
    by_koji = turn.compiled.kind_of(incubator) == BoxKind.HEAT_MAT or (own_heat and _koji_heats(turn, incubator, no))
    stays = _stays_over(turn, incubator, known, no, allowed_c) and not own_heat
    over_c = _running_away(turn, no, box, most_c if by_koji and not hot else allowed_c, most_c, hot, stays)
    facts["limit"] = None if hot else over_c  # the limit it was raised by stays with it, whatever stage comes
    runs_away = over_c is not None or turn.last_v[no] >= keys.FIERCE_C  # the level lags
    turn.held(incubator, keys.BOX_HOT, runs_away, box.hot_after_s, Priority.WAKE, **facts)


def judge_fierce(turn: Turn, probe: ProbeSetup, value: float) -> None:
    """A good reading of the air: where it is hotter than any koji box is meant to be, in whatever kind, stage or state,
    it calls at once, and anew where it had called for less, was answered or is paused."""
    is_air = (probe.place, probe.quantity) == ("air", "temperature")
    if not is_air or value < keys.FIERCE_C or probe.incubator not in turn.batches:
        return
    alarm = turn.alarm(probe.incubator, keys.BOX_HOT)
    if alarm.active and alarm.limit is not None and alarm.limit >= keys.FIERCE_C:
        return
    signal = Signal.UNSHELVE if alarm.state is AlarmState.SHLVD else Signal.UP if alarm.active else Signal.ON
    turn.signal(
        probe.incubator, keys.BOX_HOT, signal, priority=Priority.WAKE, value=value, limit=keys.FIERCE_C,
        probe=probe.name, since_ms=turn.t_ms,
    )  # fmt: skip


def highest(turn: Turn, incubator: str, known: Known) -> tuple[float, float]:
    """The highest air the stage allows (before the first: any stage), and the highest that can be meant at all."""
    stages = [limit for stage in known.schedule.stages for limit in _highs(stage.bands)]
    most_c = max([BEYOND_C, *(limit + 1 for limit in stages)])
    return max(_highs(bands_in_force(turn, incubator)) or stages or [most_c]), most_c


def _highs(bands: tuple[Band, ...] | list[Band]) -> list[float]:
    air = [band for band in bands if (band.place, band.quantity) == ("air", "temperature")]
    return [limit.limit for band in air for limit in (band.high, band.high_high) if limit is not None]


def _koji_heats(turn: Turn, incubator: str, no: int) -> bool:
    """Whether hot koji holds the air of a box that may have no thermostat: then its own limits call."""
    koji = reading_at(turn, incubator, "bed", "temperature")
    maybe = turn.compiled.kind_of(incubator) in (BoxKind.UNKNOWN, BoxKind.OVEN_LIGHT)
    return maybe and koji is not None and koji[1] > turn.airs[no].level + HEATED_K


def _stays_over(turn: Turn, incubator: str, known: Known, no: int, allowed_c: float) -> bool:
    """Whether the air has long been beyond what the stage allows, with rice in the box, and warms it."""
    level, top, over_ms = turn.airs[no].level, turn.airs[no].top, turn.of_late(incubator).over_ms
    over = known.batch.stage != "" and level >= allowed_c
    comes = over and over_ms < 0 and top is not None and top < allowed_c
    if comes or (over_ms >= 0 and not over):
        turn.happened(incubator, over_ms=turn.t_ms if comes else -1)
    koji = reading_at(turn, incubator, "bed", "temperature")
    slope = slope_of(turn.trace.get(koji[0], ())) if koji else None
    if not over or over_ms < 0 or koji is None or slope is None:
        return False
    warms = slope.per_h >= max(WARMS_PER_H, 3 * slope.error_per_h)
    return STAYS_MS <= turn.t_ms - over_ms < SHOWS_MS and koji[1] < level and warms


def _running_away(
    turn: Turn, no: int, box: BoxWatch, allowed_c: float, most_c: float, active: bool, stays: bool
) -> float | None:  # fmt: skip
    """The limit the air is beyond when it runs away, None where it does not."""
    level, back_k, usual = turn.airs[no].level, BACK_K * active, turn.usual.get(no)
    if level >= most_c - back_k:
        return most_c
    if level < allowed_c - back_k:
        return None
    slope = slope_of(turn.trace.get(no, ()))
    climbs = slope is not None and slope.per_h >= max(CLIMBS_PER_H, 3 * slope.error_per_h)
    far = usual is not None and level >= usual + box.rises_k - back_k
    return allowed_c if active or climbs or far or stays else None
