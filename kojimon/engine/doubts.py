"""A probe of the koji that is perhaps not in it: its value is no koji until somebody says so, or it shows it.

What the judge of readings cannot see, for one probe may lie anywhere: it lost more than work takes from koji, and did
not come back. Such a probe opens no window and feeds no own heat; its high limits stay in force. For cold it wakes only
where the air is so cold that the koji must be as well.
"""

from __future__ import annotations

from typing import Final

from msgspec.structs import replace

from kojimon.contract import events
from kojimon.engine.conditions import spoke
from kojimon.engine.limits import FALL_K, band_of, bands_in_force, believe_fall, settle
from kojimon.engine.moments import Known
from kojimon.engine.quiet import refresh
from kojimon.engine.state import ProbeWatch, elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.model import Priority

FROM_MS: Final = 7_200_000
"""Before hour 2 the probe, and the rice, have hardly come to rest."""
HELD_MS: Final = 600_000
"""So long it must stay there: a probe may be laid aside while the koji is worked on (judgement)."""
BACK_MS: Final = 1_200_000
"""So long after work the probe may still be on the table (judgement)."""
COLD_MS, COLD_FALL_K = 3_000_000, 5.0
"""So much less than before the work, and under the stage's low limit, after so long: published mixings take 1-5 K and
come back within 1-3 h. Sooner than the hour that cold koji is given (judgement)."""


def watch_doubts(turn: Turn, incubator: str, known: Known) -> None:
    """One round: probes that left the koji, and those that are back in it."""
    hour0_ms = known.hour0_ms()
    if hour0_ms is None or elapsed_ms(turn.anchors, hour0_ms, turn.t_ms) < FROM_MS:
        return
    for no in spoke(turn, turn.compiled.probes_at(incubator, "bed", "temperature")):
        back_c = turn.doubts.get(no)
        if back_c is not None:
            if turn.last_v[no] >= back_c:
                believe(turn, incubator, no, "seen")
            continue
        before_c = _fell_from(turn, incubator, no)
        if before_c is not None:
            doubt(turn, incubator, no, before_c)
            if turn.watch[no].fell_from is None:  # of hot koji that is told at once
                told = events.ProbeBack(probe=turn.compiled.probes[no].name, from_c=before_c, value=turn.last_v[no])
                turn.emit(told, incubator, "fell", Priority.TELL)
            if incubator in turn.asked:
                turn.asked[incubator] = replace(turn.asked[incubator], doubted=True)


def _fell_from(turn: Turn, incubator: str, no: int) -> float | None:
    """What the probe showed before it fell further than koji does; None where it did not."""
    value, asked = turn.last_v[no], turn.asked.get(incubator)
    if asked is not None:
        past_ms, before_c = turn.t_ms - asked.at_ms, asked.before.get(no)
        if before_c is None or past_ms < BACK_MS:
            return None
        band = band_of(bands_in_force(turn, incubator), turn.compiled.probes[no])
        cold = band is not None and band.low is not None and value <= band.low.limit
        fell_k = COLD_FALL_K if cold and past_ms >= COLD_MS else FALL_K
        return before_c if value < before_c - fell_k else None
    trace = turn.trace.get(no, ())
    if turn.working(incubator) or not trace:
        return None
    before_c = max(v for _, v in trace)
    lately = [v for t_ms, v in trace if turn.t_ms - t_ms <= HELD_MS]
    return before_c if trace[-1][0] - trace[0][0] > HELD_MS and max(lately) < before_c - FALL_K else None


def doubt(turn: Turn, incubator: str, no: int, before_c: float) -> None:
    """From now on a probe that showed `before_c` is not taken for one in the koji, until half of its way back."""
    turn.doubts[no] = (before_c + turn.last_v[no]) / 2
    probe = turn.compiled.probes[no]
    turn.watch[no] = replace(turn.watch.get(no, ProbeWatch()), low=ProbeWatch().low)
    band = band_of(bands_in_force(turn, incubator), probe)
    settle(turn, incubator, probe.place, probe.quantity, "low", band, ended="doubt")
    refresh(turn, incubator)


def believe(turn: Turn, incubator: str, no: int, how: str = "") -> None:
    """It is in the koji: `how` it was seen. What it showed meanwhile was no koji's course."""
    del turn.doubts[no]
    turn.trace.pop(no, None)
    if how:
        turn.emit(events.ProbeBack(probe=turn.compiled.probes[no].name, value=turn.last_v[no]), incubator, how)
    refresh(turn, incubator)


def believe_all(turn: Turn, incubator: str) -> None:
    """Somebody says that the probes are in the koji."""
    believe_fall(turn, incubator)
    for no in turn.compiled.probes_at(incubator, "bed", "temperature"):
        if no in turn.doubts:
            believe(turn, incubator, no)
        turn.trace.pop(no, None)
