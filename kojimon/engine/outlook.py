"""The latest forecast of each incubator, as the engine took it in, and what may be built on it.

A forecast is an input like any other: what the model made of the readings is decided elsewhere, before. It never
silences or delays a limit; it can only tell of one earlier.
"""

from __future__ import annotations

import msgspec
from msgspec import Struct

from kojimon.contract import events, inputs
from kojimon.contract import state as doc
from kojimon.engine.moments import Known
from kojimon.engine.state import Outlook, after_ms, elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.forecast.answers import LimitAnswer
from kojimon.forecast.kept import calm_chances, calm_until_h, unpack

FRESH_MS = 600_000
"""A forecast older than this is shown with its age and no alarm is built on it."""
NARROW_S = 1_800.0
"""So far apart the ends of a likely range (8 in 10) may lie in any case for a time to be told as known; chosen."""
NARROW_SHARE = 0.75
"""... or so much of the time that is left; chosen."""
SURE_IN_10, EVEN = 8, 0.5
"""A limit that is passed in fewer of 10 cases is not told ahead; one told ends below even odds. Chosen."""
OFF_C = 0.3
"""An answer counts for a limit that is no further from its own; limits ramp between stages."""


class Left(Struct, frozen=True):
    """Time until a limit, as the forecast has it: the middle, the likely range (8 in 10), how many in 10 pass."""

    s: float
    early_s: float
    late_s: float
    in_10: int


def take_forecast(turn: Turn, told: inputs.Forecast) -> None:
    """Takes a forecast in; one that is malformed or of no open batch is refused, told once, and the last one stays."""
    incubator, batch_id, made_ms = told.incubator, told.batch, told.made_ms
    batch = turn.batches.get(incubator)
    if batch is None or batch.id != batch_id:
        return  # it was on its way when the batch ended
    try:
        if made_ms is None or not 0 <= turn.t_ms - made_ms <= 86_400_000:
            raise ValueError(f"it was made at {made_ms}, it is {turn.t_ms} now")
        forecast = unpack(told.forecast)
    except ValueError as error:
        if turn.of_late(incubator).forecast_refused_ms < 0:
            turn.happened(incubator, forecast_refused_ms=turn.t_ms)
            turn.emit(events.Forecast(reason=str(error)[:200]), incubator, "refused")
        return
    turn.happened(incubator, forecast_refused_ms=-1)
    before = turn.outlooks.get(incubator)
    turn.outlooks[incubator] = Outlook(batch_id, made_ms, turn.t_ms, forecast)
    if forecast.known and turn.of_late(incubator).forecast_known_ms < 0:
        turn.happened(incubator, forecast_known_ms=turn.t_ms)
        turn.emit(events.Forecast(hour=round(forecast.at_s / 3600, 2)), incubator, "known")
    was = before is not None and before.forecast.check.contradicts
    if forecast.check.contradicts != was and forecast.known:
        turn.emit(events.Forecast(miss_k=forecast.check.miss_k), incubator, "agrees" if was else "contradicted")


def outlook(turn: Turn, incubator: str) -> Outlook | None:
    """The forecast of the open batch, however old."""
    found, batch = turn.outlooks.get(incubator), turn.batches.get(incubator)
    return found if found is not None and batch is not None and found.batch == batch.id else None


def is_fresh(turn: Turn, incubator: str, found: Outlook) -> bool:
    """Whether it is young, and nobody has worked on the koji since: it says what comes if nobody does."""
    worked = max((mark.recorded_ms for mark in turn.batches[incubator].marks), default=-1)
    return turn.t_ms - found.made_ms <= FRESH_MS and worked <= found.made_ms


def left_until(turn: Turn, incubator: str, limit_c: float, strictly: bool = True) -> Left | None:
    """Time until the koji passes a limit, where the forecast is fresh and knows; else None.

    Args:
        strictly: it must be sure and narrow as well, as for something that has not been told yet.
    """
    found = outlook(turn, incubator)
    if found is None or not is_fresh(turn, incubator, found) or not found.forecast.known:
        return None
    if found.forecast.check.contradicts and strictly:
        return None
    answer = next((one for one in found.forecast.limits if abs(one.limit_c - limit_c) <= OFF_C), None)
    left = _left(answer, (turn.t_ms - found.made_ms) / 1000) if answer is not None else None
    return left if left is not None and (not strictly or _narrow(left)) else None


def _left(answer: LimitAnswer, age_s: float) -> Left | None:
    early, middle, late = answer.in_h.p10, answer.in_h.p50, answer.in_h.p90
    if early is None or middle is None or late is None or answer.passes < EVEN:
        return None
    early_s, left_s, late_s = (max(0.0, hours * 3600 - age_s) for hours in (early, middle, late))
    return Left(left_s, early_s, late_s, min(9, int(answer.passes * 10 + 1e-9)))


def _narrow(left: Left) -> bool:
    return left.in_10 >= SURE_IN_10 and left.late_s - left.early_s <= max(NARROW_S, NARROW_SHARE * left.s)


def shown(turn: Turn, incubator: str, known: Known | None) -> doc.Foreseen | None:
    """The forecast in the state document: the record itself, and what hangs on the batch's own time."""
    found = outlook(turn, incubator)
    if found is None or known is None:
        return None
    calm_h = calm_until_h(found.forecast)
    until_ms = None if calm_h is None else found.made_ms + round(calm_h * 3_600_000)
    return doc.Foreseen(
        **msgspec.structs.asdict(found.forecast),
        made_t_ms=found.made_ms,
        age_s=round(elapsed_ms(turn.anchors, found.made_ms, turn.t_ms) / 1000),
        fresh=is_fresh(turn, incubator, found),
        calm_until_t_ms=until_ms,
        left=_told(turn, incubator, found),
        calm=tuple(round(chance, 2) for chance in calm_chances(found.forecast)),
        harvest=_harvest(turn, known, found),
    )


def _told(turn: Turn, incubator: str, found: Outlook) -> tuple[doc.Left, ...]:
    """Time until each limit where that is sure and narrow."""
    lefts = [(one.limit_c, left_until(turn, incubator, one.limit_c)) for one in found.forecast.limits]
    return tuple(
        doc.Left(limit_c, left.s, left.early_s, left.late_s, left.in_10) for limit_c, left in lefts if left is not None
    )


def _harvest(turn: Turn, known: Known, found: Outlook) -> doc.Harvest | None:
    """The schedule's harvest window, its opening moved by the growth seen; never beyond the schedule's latest hour."""
    step = next((step for step in known.schedule.steps if step.work == "harvest"), None)
    hour0_ms, done = known.hour0_ms(), found.forecast.done
    if step is None or hour0_ms is None:
        return None
    opens_ms, _, closes_ms = known.window(step)
    # A bed that has not shown its own heat is no finished koji, however many hours it has lain.
    moved = not done.prior_only and found.forecast.known and done.hour.p50 is not None
    if moved and done.hour.p50 is not None:
        grown_ms = after_ms(turn.anchors, hour0_ms, round(done.hour.p50 * 3_600_000))
        opens_ms = grown_ms if opens_ms is None else max(opens_ms, grown_ms)
        opens_ms = opens_ms if closes_ms is None else min(opens_ms, closes_ms)
    return doc.Harvest(opens_ms, closes_ms, moved)
