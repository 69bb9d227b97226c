"""What is read by hand: a kitchen thermometer in the koji, a hygrometer on the shelf, told by a person or a program.

It comes as an act, as everything does that people say. Each place that can be read has a row of its own beside the
probes (`setup.read_by_hand`): it has no source, is never silent, and holds for half an hour. Limits, conditions and
gates go by it as by a probe, without their delays. What is dated back is kept and shown, and judged by nothing.
"""

from __future__ import annotations

from typing import Final

from msgspec.structs import replace

from kojimon.contract import deadlines, events
from kojimon.contract.acts import Reading, ReadingUndo
from kojimon.engine.conditions import ended_by, fresh, take
from kojimon.engine.cooling import not_read, watch_cooling
from kojimon.engine.limits import LEVELS, band_of, bands_in_force, judge_probe, settle, thresholds
from kojimon.engine.plan import reconsider, too_hot_c
from kojimon.engine.quiet import NONE, refresh
from kojimon.engine.reads import READS_KEPT, Read, reads
from kojimon.engine.setup import READABLE, ProbeSetup
from kojimon.engine.turn import By, Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import Quality
from kojimon.units import f_from_c

SAID: Final = {"bed": "koji"}
"""What people call a place."""
BACK_MS: Final = 60_000
"""What was read longer ago is dated back."""
BEFORE_MS: Final = 3_600_000
"""So long before its batch began koji, or its rice, may have been read (judgement)."""
BEFORE: Final = "that is before batch {!r} began: mark first when the spores went on, or give a later time"
HOT_BETWEEN_MS: Final = 7_200_000
"""Koji that is too hot at both ends of so long was so in between, or was worked on (judgement)."""
DAY_MS: Final = 86_400_000
GATE_MS: Final = 300_000
"""So long it answers a gate: rice that cools loses some 1 K a minute (judgement)."""
KOJI_C: Final = (0.0, 60.0)
"""Koji that grows is never beyond: the number is of another unit, or of something else (judgement)."""
FAR_K: Final = 3.0
"""Further apart than that, probe and thermometer are not both where they are said to be (judgement)."""


def take_reading(turn: Turn, incubator: str, deed: Reading, by: By) -> None:
    """Keeps what somebody read, and judges it where it is of now."""
    quantity, value = ("temperature", deed.value_c) if deed.value_pct is None else ("humidity", deed.value_pct)
    place, tray = deed.place or ("air" if quantity == "humidity" else "bed"), deed.tray
    hand = hand_at(turn, incubator, place, quantity, tray)
    if hand is None:
        trays = turn.compiled.incubators[incubator].trays
        reason = f"{incubator} has no tray {tray!r}: it has {', '.join(trays)}"
        reason += "; leave the tray out" if len(trays) == 1 else ""
        if not tray or tray in trays:
            where = ", ".join(f"{quantity} of the {SAID.get(place, place)}" for place, quantity in READABLE)
            reason = f"no {quantity} of the {tray or SAID.get(place, place)} is read by hand; expected: {where}"
        turn.refuse("reading", incubator, "unknown-place", reason)
        return
    wrong = _wrong(turn, hand, value)
    if wrong:
        turn.refuse("reading", incubator, "implausible", wrong)
        return
    value, at_ms = value or 0.0, min(turn.t_ms if deed.at_t_ms is None else deed.at_t_ms, turn.t_ms)
    batch = turn.batches.get(incubator)
    if batch is not None and at_ms < min([batch.started_ms, *(mark.at_ms for mark in batch.marks)]) - BEFORE_MS:
        turn.refuse("reading", incubator, "before-batch", BEFORE.format(batch.name))
        return
    back = turn.t_ms - at_ms > BACK_MS
    probe, shown = ("", None) if back else _beside(turn, hand, value)
    read = events.Reading(
        value=value, quantity=quantity, place=place, tray=hand.tray, at_ms=at_ms, quality=int(Quality.BY_HAND),
        back=back, beyond=_beyond(turn, hand, value, at_ms) if back else None, probe=probe, probe_value=shown, **by,
    )  # fmt: skip
    event = turn.emit(read, incubator, hand.name)
    _keep(turn, hand, value, at_ms, event.no)


def undo_reading(turn: Turn, incubator: str, deed: ReadingUndo, by: By) -> None:
    """Takes the last reading of a place back: what hung on it ends, and the one before stands again for its time."""
    hands = [hand for hand in turn.compiled.hands if hand.incubator == incubator and hand.no in turn.read]
    hand = next((one for one in hands if deed.reading and turn.read[one.no].event == deed.reading), None)
    if hand is None:
        known = ", ".join(str(turn.read[one.no].event) for one in hands if turn.read[one.no].event) or "none"
        reason = f"no reading {deed.reading} is the last of its place in {incubator}; those are {known}"
        turn.refuse(deed.kind, incubator, "unknown-reading", reason)
        return
    read = turn.read.pop(hand.no)
    told = events.ReadingUndone(
        reading=read.event, place=hand.place, quantity=hand.quantity, tray=hand.tray, value=read.value,
        at_ms=read.at_ms, **by,
    )  # fmt: skip
    turn.emit(told, incubator, hand.name)
    if read.judged:
        _count_hot(turn, hand, read, -1)
    if read.judged and turn.last_t.get(hand.no) == read.at_ms:
        forget(turn, hand, "undone")
    if incubator not in turn.batches:
        not_read(turn, hand, read.at_ms)
    _unheld(turn, hand, read.at_ms)
    if read.was is not None:
        turn.read[hand.no] = read.was
        if read.was.judged and stands(turn, hand):
            _judge(turn, hand, read.was, read.was.at_ms)
    if incubator in turn.batches:
        reconsider(turn, incubator)


def _unheld(turn: Turn, hand: ProbeSetup, read_ms: int) -> None:
    """No condition held by a reading that was never so."""
    batch = turn.batches.get(hand.incubator)
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    states = dict(batch.conditions) if batch else {}
    for name, state in states.items():
        condition = schedule.conditions.get(name) if schedule else None
        if condition is not None and hand.place in (condition.place, condition.above):
            from_ms = read_ms - round(condition.hold_s * 1000)
            runs = tuple(run for run in state.runs if not (run[0] >= from_ms and run[1] == read_ms))
            states[name] = replace(state, runs=runs)
    if batch:
        turn.put_batch(hand.incubator, replace(batch, conditions=states))


def hand_at(turn: Turn, incubator: str, place: str, quantity: str, tray: str = "") -> ProbeSetup | None:
    """The row of what is read by hand in a place; None where nothing can be. One tray nobody has to name."""
    trays = turn.compiled.incubators[incubator].trays
    if place == "bed" and not tray and len(trays) == 1:
        tray = trays[0]
    numbers = turn.compiled.hands_at.get((incubator, place, quantity), ())
    return next((hand for no in numbers if (hand := turn.compiled.probes[no]).tray == tray), None)


def _wrong(turn: Turn, hand: ProbeSetup, value: float | None) -> str:
    """Why a number cannot be what it is said to be; "" where it can."""
    if value is None:
        return "say what was read: value_c in °C, or value_pct in percent"
    if hand.quantity == "humidity":
        return "" if 0 <= value <= 100 else f"a humidity is 0 to 100 %, not {value:g} %"
    batch, (low, high) = turn.batches.get(hand.incubator), KOJI_C
    if hand.place != "bed" or batch is None or not batch.stage or low <= value <= high:
        return ""
    found, limits = f"{value:.1f} °C ({f_from_c(value):.0f} °F)", f"{low:g} to {high:g} °C"
    return f"no koji is at {found}: expected {limits} ({f_from_c(low):g} to {f_from_c(high):g} °F); check the unit"


def _beyond(turn: Turn, hand: ProbeSetup, value: float, at_ms: int) -> float | None:
    """The limit that a reading which calls nobody is beyond; None where it is not, or a later one says how it is."""
    band, last = band_of(bands_in_force(turn, hand.incubator), hand), turn.read.get(hand.no)
    if last is not None and last.at_ms > at_ms:
        return None
    found = [(one.limit, side) for side in LEVELS for one in thresholds(band, side, by_hand=True)[::-1] if one]
    return next((at for at, side in found if (value >= at if side == "high" else value <= at)), None)


def _beside(turn: Turn, hand: ProbeSetup, value: float) -> tuple[str, float | None]:
    """The probe in the same tray, or place, that shows something else, and what."""
    numbers = fresh(turn, turn.compiled.probes_at(hand.incubator, hand.place, hand.quantity))
    same = [no for no in numbers if not hand.tray or turn.compiled.probes[no].tray == hand.tray]
    far = [no for no in same if hand.quantity == "temperature" and abs(turn.last_v[no] - value) > FAR_K]
    if not far or len(far) < len(same):
        return "", None
    no = min(far, key=lambda one: abs(turn.last_v[one] - value))
    return turn.compiled.probes[no].name, turn.last_v[no]


def stands(turn: Turn, hand: ProbeSetup) -> bool:
    """Whether what was last read there is of its half hour and nobody worked on the koji since, dated back or not."""
    read = turn.read.get(hand.no)
    if read is None or turn.t_ms - read.at_ms > hand.stale_ms:
        return False
    return hand.no in fresh(turn, (hand.no,)) or not (hand.place == "bed" and worked_since(turn, hand, read.at_ms))


def worked_since(turn: Turn, hand: ProbeSetup, at_ms: int) -> bool:
    """Whether work on the koji that lets its heat out was done after a moment, and stands."""
    batch = turn.batches.get(hand.incubator)
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    works = {step.name for step in schedule.steps if step.work in COOLING_WORK} if schedule else set()
    marks = batch.marks if batch else ()
    return any(mark.step in works and not mark.undone and mark.at_ms >= at_ms for mark in marks)


def show(turn: Turn, hand: ProbeSetup, value: float, at_ms: int, event: int = 0) -> None:
    """Notes a reading for showing. What is said at a gate is noted so: it was judged there, and the step may be
    corrected to another time."""
    last = turn.read.get(hand.no)
    if last is None or at_ms >= last.at_ms:
        turn.read[hand.no] = Read(at_ms, value, event=event, was=_of_a_day(last, at_ms))


def unshow(turn: Turn, incubator: str, mark_event: int) -> None:
    """What was said at the gate of a mark goes with the mark."""
    for hand in turn.compiled.hands:
        read = turn.read.get(hand.no)
        if hand.incubator == incubator and read is not None and read.event == -mark_event:
            del turn.read[hand.no]
            if read.was is not None:
                turn.read[hand.no] = read.was


def _of_a_day(last: Read | None, at_ms: int) -> Read | None:
    """What can still be taken back behind a new reading."""
    kept: Read | None = None
    for read in [one for one in reads(last) if at_ms - one.at_ms <= DAY_MS][: READS_KEPT - 1][::-1]:
        kept = replace(read, was=kept)
    return kept


def _keep(turn: Turn, hand: ProbeSetup, value: float, at_ms: int, event: int) -> None:
    """Notes a reading, and judges it unless it is dated back."""
    show(turn, hand, value, at_ms, event)
    before_ms = turn.last_t.get(hand.no, at_ms)
    if turn.t_ms - at_ms <= BACK_MS and before_ms <= at_ms:
        _count_hot(turn, hand, turn.read[hand.no], 1)
        _judge(turn, hand, turn.read[hand.no], before_ms)


def _count_hot(turn: Turn, hand: ProbeSetup, read: Read, sign: int) -> None:
    """Adds, or takes back, the time between two readings in a row of koji that was too hot (`slow` does by probes)."""
    batch, last = turn.batches.get(hand.incubator), read.was
    schedule = turn.compiled.schedules.get(batch.schedule) if batch else None
    if batch is None or schedule is None or last is None or not batch.stage or hand.place != "bed":
        return
    between_ms, top_c = read.at_ms - last.at_ms, max(read.value, last.value)
    seen = between_ms > HOT_BETWEEN_MS or turn.compiled.probes_at(hand.incubator, "bed", "temperature")
    if not seen and min(read.value, last.value) >= too_hot_c(schedule):
        hotter = replace(batch, hot_ms=batch.hot_ms + sign * between_ms, hot_c=max(batch.hot_c, top_c))
        turn.put_batch(hand.incubator, hotter)


def _judge(turn: Turn, hand: ProbeSetup, read: Read, before_ms: int) -> None:
    value, at_ms = read.value, read.at_ms
    turn.read[hand.no] = replace(read, judged=True)
    turn.last_t[hand.no], turn.last_v[hand.no] = at_ms, value
    turn.set_due(deadlines.Old(hand.no), at_ms + hand.stale_ms)
    if hand.incubator in turn.batches:
        judge_probe(turn, hand, value, bands_in_force(turn, hand.incubator))
        take(turn, hand, before_ms)
        reconsider(turn, hand.incubator)
    else:
        watch_cooling(turn, hand.incubator)
    refresh(turn, hand.incubator)


def forget(turn: Turn, hand: ProbeSetup, ended: str) -> None:
    """What was read in a place says no more how it is: it is shown on, and nothing goes by it.

    Args:
        ended: why, for an alarm that hung on it: `old`, `work` on the koji since, or it is `undone`. It is not back to
            normal.
    """
    turn.set_due(deadlines.Old(hand.no), None)
    read_ms, watch = turn.last_t.pop(hand.no, None), turn.watch.pop(hand.no, None)
    turn.last_v.pop(hand.no, None)
    if read_ms is None:
        return
    band = band_of(bands_in_force(turn, hand.incubator), hand)
    for side in LEVELS if watch else ():
        if any(level.active for level in getattr(watch, side)):
            settle(turn, hand.incubator, hand.place, hand.quantity, side, band, ended=ended)
    if hand.incubator in turn.batches:
        ended_by(turn, hand, read_ms)
        reconsider(turn, hand.incubator)
    refresh(turn, hand.incubator)
    for no in turn.compiled.probes_at(hand.incubator, hand.place, hand.quantity):
        turn.quiet[no] = NONE  # their next reading is judged without it


def forget_koji(turn: Turn, incubator: str, ended: str, before_ms: int | None = None) -> bool:
    """The same for all of an incubator's koji, or for what was read there up to a moment.

    Returns:
        Whether something read after that moment stands.
    """
    later = False
    for no in turn.compiled.hands_at.get((incubator, "bed", "temperature"), ()):
        if before_ms is not None and turn.last_t.get(no, before_ms) > before_ms:
            later = True
        else:
            forget(turn, turn.compiled.probes[no], ended)
    return later


def unforget_koji(turn: Turn, incubator: str) -> None:
    """No hand was in the koji after all: what was read before, of its half hour, says again how it is, and calls."""
    for no in turn.compiled.hands_at.get((incubator, "bed", "temperature"), ()):
        hand, read = turn.compiled.probes[no], turn.read.get(no)
        if read is not None and read.judged and no not in turn.last_t and stands(turn, hand):
            _judge(turn, hand, read, read.at_ms)


def old(turn: Turn, deadline: deadlines.Old) -> None:
    """The time of a reading is over."""
    hand = turn.compiled.probes.get(deadline.no)
    if hand is None:
        turn.set_due(deadline, None)
        turn.last_t.pop(deadline.no, None)
    else:
        forget(turn, hand, "old")
