"""After the koji was worked on: is the probe back in it? Asked once, of nobody in particular, and never an alarm.

Most probes that lie lie since a mixing: on the rim, on the tray's metal, beside the tray. So the question stands until
somebody says yes, the readings show it, or its time is over; meanwhile the judge of readings looks closer.
"""

from __future__ import annotations

from typing import Any, Final

from msgspec.structs import replace

from kojimon.contract import deadlines, events, keys
from kojimon.contract.acts import ProbeBack
from kojimon.contract.guidance import LookCloser
from kojimon.contract.state import Question
from kojimon.engine.conditions import reading_at, spoke
from kojimon.engine.doubts import COLD_FALL_K, believe_all, doubt
from kojimon.engine.moments import known_of
from kojimon.engine.plan import reconsider
from kojimon.engine.state import Asked, Mark
from kojimon.engine.turn import By, Turn
from kojimon.engine.work import COOLING_WORK
from kojimon.model import Priority

EVENT: Final = "probe-back"
WATCH_MS: Final = 7_200_000
"""So long after the work the question stands: by then koji that warms itself is warm again, and the judge's ordinary
times have passed four times over (chosen)."""
LEAST_MS: Final = 1_800_000
"""Work told so late that less of that is left is not asked about."""
STILL_MS: Final = 300_000
"""A probe out of the koji has come down to the air by then (judgement); before, its warmth shows nothing."""
HELD_MS: Final = 600_000
NEAR_AIR_K: Final = 2.0
STEADY_K: Final = 1.0
FOLLOWS_MS: Final = 3_600_000
"""Koji that had its own heat and for an hour is that near the air, and no nearer or further by more than that, is not
what the probe is in: koji warms by 1 K an hour and more once it does (chosen)."""
ABOVE_AIR_K: Final = 3.0
"""Koji so far above the air for so long warms itself: the sign by which the schedules open the first check."""
WARM_C: Final = 34.0
"""Where the air is not measured: warmer than a box is kept (the same sign in the schedules)."""


def ask(turn: Turn, incubator: str, work: str, mark: Mark) -> None:
    """Asks after work that moves the koji, where a probe is in it."""
    until_ms = mark.at_ms + WATCH_MS
    probes = len(_beds(turn, incubator))
    if work not in COOLING_WORK or until_ms - turn.t_ms < LEAST_MS or not probes:
        return
    warm = _was_warm(turn, incubator, mark.at_ms)
    before = {
        no: max(values) for no in _beds(turn, incubator)
        if (values := [v for t_ms, v in turn.trace.get(no, ()) if t_ms <= mark.at_ms]) and no not in turn.doubts
    }  # fmt: skip
    turn.put_batch(incubator, replace(turn.batches[incubator], unanswered=None))
    turn.asked[incubator] = Asked(mark.id, mark.step, mark.at_ms, until_ms, warm=warm, before=before)
    turn.set_due(deadlines.Asked(incubator), until_ms)
    turn.guidance.append(LookCloser(incubator, mark.at_ms, until_ms))
    asked = events.ProbeBack(step=mark.step, mark=mark.id, at_ms=mark.at_ms, until_ms=until_ms, probes=probes)
    turn.emit(asked, incubator, "asked")


def answer(turn: Turn, incubator: str, deed: ProbeBack, by: By) -> None:
    """Somebody says that the probe is back in the koji; it is noted whether or not it was asked."""
    probes = len(_beds(turn, incubator))
    believe_all(turn, incubator)
    if incubator in turn.batches:
        turn.put_batch(incubator, replace(turn.batches[incubator], unanswered=None))
        _watch(turn, incubator)
    if not probes:
        turn.refuse(deed.kind, incubator, "no-probe", f"no probe of {incubator} is in the koji by the settings")
        return
    if not _close(turn, incubator, "said", probes=probes, **by):
        turn.emit(events.ProbeBack(probes=probes, **by), incubator, "said")


def taken_back(turn: Turn, incubator: str, mark_id: int) -> None:
    """The work asked about was not done after all."""
    if incubator in turn.asked and turn.asked[incubator].mark == mark_id:
        _close(turn, incubator, "withdrawn")


def asked_due(turn: Turn, incubator: str) -> None:
    """The time of the question is over and nobody has answered: told by day, unless a doubt was told already. Until
    somebody says so, or the readings show it, the clock opens what the koji's heat would, with a word of it."""
    asked = turn.asked.get(incubator)
    turn.put_batch(incubator, replace(turn.batches[incubator], unanswered=asked))
    doubted = asked is not None and asked.doubted
    message = Priority.LOG if doubted else Priority.TELL
    _close(turn, incubator, "unanswered", message, doubted=doubted, probes=len(_beds(turn, incubator)))


def drop(turn: Turn, incubator: str) -> None:
    """The batch is over."""
    turn.asked.pop(incubator, None)
    turn.set_due(deadlines.Asked(incubator), None)
    turn.guidance.append(LookCloser(incubator, turn.t_ms, turn.t_ms))


def watch_asked(turn: Turn) -> None:
    """Every two minutes: do the readings show that every probe is in the koji?"""
    for incubator, asked in list(turn.asked.items()):
        if turn.t_ms < asked.at_ms + STILL_MS:
            continue
        found = _showing(turn, incubator, asked)
        shows = bool(found) and all(found)
        since_ms = turn.t_ms if asked.shown_ms < 0 else asked.shown_ms
        turn.asked[incubator] = replace(_followed(turn, incubator, asked), shown_ms=since_ms if shows else -1)
        if shows and turn.t_ms - since_ms >= HELD_MS:
            _close(turn, incubator, "seen")
    for incubator in list(turn.batches):
        _watch(turn, incubator)


def _watch(turn: Turn, incubator: str) -> None:
    """Whether any probe is known to be in the koji, where there is one; the windows hang on it."""
    batch, beds = turn.batches[incubator], _beds(turn, incubator)
    late = batch.unanswered
    if late is not None:
        known = known_of(turn.compiled, incubator, batch, turn.anchors, turn.last_t)
        rose = known is not None and (known.warmed_ms() or -1) >= late.at_ms
        shows = rose or any(_showing(turn, incubator, late))
        since_ms = turn.t_ms if late.shown_ms < 0 else late.shown_ms
        late = None if shows and turn.t_ms - since_ms >= HELD_MS else replace(late, shown_ms=since_ms if shows else -1)
    unwatched = late is not None or (bool(beds) and all(no in turn.doubts for no in beds))
    if late != batch.unanswered:
        turn.put_batch(incubator, replace(batch, unanswered=late))
    if unwatched != batch.unwatched:
        turn.put_batch(incubator, replace(turn.batches[incubator], unwatched=unwatched))
        turn.happened(incubator, unwatched_ms=turn.t_ms if unwatched else -1)
        reconsider(turn, incubator)


def _was_warm(turn: Turn, incubator: str, at_ms: int) -> bool:
    """Whether the koji was warmer than the air around it makes it, in the half hour before the work."""
    found = reading_at(turn, incubator, "air", "temperature")
    beds = [v for no in _beds(turn, incubator) for t_ms, v in turn.trace.get(no, ()) if t_ms <= at_ms]
    return found is not None and max(beds, default=found[1]) - found[1] >= ABOVE_AIR_K


def _followed(turn: Turn, incubator: str, asked: Asked) -> Asked:
    """The question with what was seen now; tells once that koji which had its own heat has been no more than air."""
    air, bed = (reading_at(turn, incubator, place, "temperature") for place in ("air", "bed"))
    if not asked.warm or asked.doubted or air is None or bed is None:
        return asked
    above_k = bed[1] - air[1]
    least_k, most_k = min(above_k, asked.least_k), max(above_k, asked.most_k)
    if abs(above_k) > NEAR_AIR_K:
        return replace(asked, follows_ms=-1)
    if asked.follows_ms < 0 or most_k - least_k > STEADY_K:
        return replace(asked, follows_ms=turn.t_ms, least_k=above_k, most_k=above_k)
    if turn.t_ms - asked.follows_ms < FOLLOWS_MS:
        return replace(asked, least_k=least_k, most_k=most_k)
    probe = turn.compiled.probes[bed[0]].name
    told = events.ProbeBack(
        step=asked.step, mark=asked.mark, probe=probe, probes=len(_beds(turn, incubator)), value=bed[1], air_c=air[1]
    )
    turn.emit(told, incubator, "follows", Priority.TELL)
    for no in _good(turn, _beds(turn, incubator)):
        if no in asked.before and turn.last_v[no] - air[1] <= NEAR_AIR_K:
            doubt(turn, incubator, no, asked.before[no])
    return replace(asked, doubted=True)


def shown(turn: Turn, incubator: str) -> Question | None:
    """The open question, for the state document."""
    asked = turn.asked.get(incubator)
    if asked is None:
        return None
    return Question(EVENT, asked.step, asked.mark, asked.at_ms, asked.until_ms, len(_beds(turn, incubator)))


def _close(turn: Turn, incubator: str, how: str, message: Priority = Priority.LOG, /, **facts: Any) -> bool:
    asked = turn.asked.pop(incubator, None)
    turn.set_due(deadlines.Asked(incubator), None)
    turn.guidance.append(LookCloser(incubator, turn.t_ms, turn.t_ms))
    if asked is None:
        return False
    turn.emit(events.ProbeBack(step=asked.step, mark=asked.mark, **facts), incubator, how, message)
    return True


def _beds(turn: Turn, incubator: str) -> tuple[int, ...]:
    return turn.compiled.probes_at(incubator, "bed", "temperature")


def _showing(turn: Turn, incubator: str, asked: Asked) -> list[bool]:
    """Of each probe in the koji whether it is good and as warm as only koji is; one silent since before is left out."""
    beds = tuple(no for no in _beds(turn, incubator) if not _long_silent(turn, incubator, no, asked))
    around = turn.compiled.probes_at(incubator, "air", "temperature")
    good, air = _good(turn, beds), _good(turn, around)
    if around and not air:
        return []
    least_c = max(turn.last_v[no] for no in air) + ABOVE_AIR_K if air else WARM_C
    return [
        no in good and no not in turn.doubts
        and turn.last_v[no] >= max(least_c, asked.before.get(no, 0.0) - COLD_FALL_K)
        for no in beds
    ]  # fmt: skip


def _long_silent(turn: Turn, incubator: str, no: int, asked: Asked) -> bool:
    """Whether a probe was silent, and that was told, when the work was done: no work took it out of the koji."""
    probe = turn.compiled.probes[no]
    alarm = turn.alarm(incubator, keys.Silent(probe.name))
    return alarm.active and alarm.since_ms + probe.stale_ms <= asked.at_ms


def _good(turn: Turn, numbers: tuple[int, ...]) -> list[int]:
    return [no for no in spoke(turn, numbers) if no not in turn.bad]
