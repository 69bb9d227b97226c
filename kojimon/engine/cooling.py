"""Harvested koji until it is cool: bagged or heaped warm it heats itself again (a koji shop's page says so).

For a day after the harvest, while a probe or a thermometer shows it. A probe that lies in the warm box shows the box:
what is no warmer than its air is no news. Warmth that comes back wakes only where the air is known to be colder, and
where it came slowly: a probe that is put into the koji jumps. What is read by hand is of the koji, and told at once.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from msgspec.structs import replace

from kojimon.alarms.states import Signal
from kojimon.contract import events, keys
from kojimon.engine.conditions import fresh, reading_at
from kojimon.engine.reads import reads
from kojimon.engine.reopen import can_be
from kojimon.engine.setup import ProbeSetup
from kojimon.engine.state import elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.model import Priority

COOL_C: Final = 25.0
"""Koji that is cool: common practice, no source (a room where its mould hardly grows)."""
OVER_ROOM_K: Final = 2.0
"""In a warmer room it is cool as near to that (judgement)."""
STILL_MS: Final = 7_200_000
"""Spread thin it is cool by then (judgement); course notes have spores begin 8 h after a harvest that is not cooled."""
AGAIN_K, AGAIN_S = 3.0, 600.0
"""So much warmer again, for so long, it is no draught (judgement)."""
OWN_K: Final = 1.5
"""So much warmer than the box's air, a probe is in koji, not in the empty box (judgement)."""
JUMP_K: Final = 1.0
"""Within two minutes: no koji warms itself so fast. A kilogram in a bag that makes a tenth of its most heat gains 0.7 K
an hour (derived)."""
HOT_C: Final = 42.0
"""Read by hand, out of the box koji is no more so hot unless it heats itself (judgement)."""
MINUTE_MS: Final = 60_000


def watch_cooling(turn: Turn, incubator: str) -> None:
    """Says when it is cool, when it still is not, and when it warms again by itself."""
    ended = can_be(turn, incubator)
    if ended is None or ended.kind != events.BatchHarvest.kind:
        let_go(turn, incubator)
        return
    numbers = turn.compiled.known_at(incubator, "bed", "temperature")
    seen = [no for no in fresh(turn, numbers) if turn.last_t[no] > ended.at_ms]
    if not seen:
        return
    no = max(seen, key=lambda one: turn.last_v[one])
    value, by_hand = turn.last_v[no], turn.compiled.probes[no].by_hand
    air, room = (_warmest(turn, incubator, place) for place in ("air", "room"))
    cool_c = cool_at_c(turn, incubator)
    facts = {"value": value, "limit": cool_c, "probe": turn.compiled.probes[no].name}
    if ended.cooled_ms >= 0 and value > cool_c and not by_hand and _put_in(turn, no):
        ended = turn.ended[incubator] = replace(ended, cooled_ms=-1)
    if ended.cooled_ms >= 0:
        again = value >= cool_c + AGAIN_K or (turn.active(incubator, keys.COOLING) and value > cool_c)
        sure = not by_hand and air is not None and value >= max(air, room or air) + AGAIN_K
        priority, wait_s = Priority.WAKE if sure else Priority.TELL, 0.0 if by_hand else AGAIN_S
        turn.held(incubator, keys.COOLING, again, wait_s, priority, side="high", **facts)
    elif value <= cool_c:
        _cool(turn, incubator, no, value)
    else:
        late = elapsed_ms(turn.anchors, ended.at_ms, turn.t_ms) >= STILL_MS
        own = by_hand or air is None or value >= air + OWN_K
        risen = by_hand and _risen(turn, no, value)
        told = by_hand and (risen or value >= HOT_C or turn.active(incubator, keys.COOLING))
        side = "high" if risen else ""
        turn.held(incubator, keys.COOLING, told or (late and own), 0, Priority.TELL, side=side, **facts)


def cool_at_c(turn: Turn, incubator: str) -> float:
    """As warm it counts as cool, °C."""
    room = _warmest(turn, incubator, "room")
    return COOL_C if room is None else max(COOL_C, room + OVER_ROOM_K)


def not_read(turn: Turn, hand: ProbeSetup, at_ms: int) -> None:
    """What was read by hand at a moment was never so: by it the koji was neither cool nor warm again."""
    ended, name = turn.ended.get(hand.incubator), keys.named(hand.incubator, keys.COOLING)
    if ended is not None and 0 <= ended.cooled_ms - at_ms <= MINUTE_MS:
        turn.ended[hand.incubator] = replace(ended, cooled_ms=-1)
    alarm = turn.alarm(hand.incubator, keys.COOLING)
    if alarm.active and alarm.probe == hand.name and alarm.since_ms >= at_ms:
        turn.since.pop(name, None)
        turn.signal(hand.incubator, keys.COOLING, Signal.OFF, ended="undone")


def _risen(turn: Turn, no: int, value: float) -> bool:
    """Whether it was read clearly cooler before, since the harvest."""
    earlier = (read.value for read in reads(turn.read[no].was) if read.judged)
    return value >= min(earlier, default=value) + AGAIN_K


def let_go(turn: Turn, incubator: str) -> None:
    """Its day is over, it goes on, or the next batch begins."""
    turn.since.pop(keys.named(incubator, keys.COOLING), None)
    if turn.active(incubator, keys.COOLING):
        turn.signal(incubator, keys.COOLING, Signal.OFF, ended="batch")


def _cool(turn: Turn, incubator: str, no: int, value: float) -> None:
    ended, told = turn.ended[incubator], turn.active(incubator, keys.COOLING)
    turn.ended[incubator] = replace(ended, cooled_ms=turn.t_ms)
    if told:
        turn.signal(incubator, keys.COOLING, Signal.OFF, ended="limit")
    probe = turn.compiled.probes[no]
    what = events.Cooled(name=ended.batch.name, value_c=value, probe="" if probe.by_hand else probe.name)
    event = turn.emit(what, incubator, ended.batch.id, Priority.TELL if told else Priority.LOG)
    turn.events[-1] = replace(event, batch=ended.batch.id)


def _put_in(turn: Turn, no: int) -> bool:
    """Whether a probe jumped lately: it was put into the koji, which did not warm so by itself."""
    return any(abs(after - before) >= JUMP_K for (_, before), (_, after) in pairwise(turn.trace.get(no, ())))


def _warmest(turn: Turn, incubator: str, place: str) -> float | None:
    found = reading_at(turn, incubator, place, "temperature")
    return None if found is None else found[1]
