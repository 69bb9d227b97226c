"""A sudden fall of the koji without a mark: somebody mixed, and is asked. Until it is answered the next windows follow
the guess, as if it were marked; the work itself is done only by an answer."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract.events import MixDenied, MixGuess
from kojimon.contract.state import Question
from kojimon.engine.conditions import HEATS_KOJI, fresh
from kojimon.engine.moments import HOUR_ZERO, Known, known_of
from kojimon.engine.plan import CLOSED, DUE, OPEN, rank_of, reconsider, round_of
from kojimon.engine.state import BatchState, Guess, Phase
from kojimon.engine.turn import By, Turn
from kojimon.model import Message, Priority
from kojimon.schedule.spec import Step

EVENT = "mix-guess"
FALL_K = 1.0
WITHIN_MS = 480_000
APART_MS = 1_800_000
"""A fall is asked about once, and not near a marked work."""
WARM_C, WARM_BY_HEATER_C = 33.0, 28.0
"""Koji that is mixed for its warmth; on a mat its thermostat keeps it cooler, and by a lamp a cold room does."""
TOLD_MS = 1_200_000
"""Hands that are full of rice mark later: so long the page asks alone; and koji that falls so soon after a message said
that its mixing is due was mixed for that: one act, one message (judgement)."""
SAME_MS = 3_600_000
"""A mark so near a guess is of the same mixing: koji is hardly mixed twice within an hour (judgement)."""
MIXES = ("mix", "spread")
_RANKS = {OPEN: 0, DUE: 0, CLOSED: 1, 0: 2}


def guess_mixing(turn: Turn) -> None:
    """Looks at the last few points of each bed probe's trace; states `mix-guess` with the moment the fall began."""
    for incubator, batch in list(turn.batches.items()):
        _remind(turn, incubator)
        guessed_ms = turn.of_late(incubator).guessed_ms
        if not batch.stage or (guessed_ms >= 0 and turn.t_ms - guessed_ms < APART_MS):
            continue
        near = [mark for mark in batch.marks if not mark.undone and abs(turn.t_ms - mark.at_ms) <= APART_MS]
        warm_c = WARM_BY_HEATER_C if turn.compiled.kind_of(incubator) in HEATS_KOJI else WARM_C
        beds = fresh(turn, turn.compiled.probes_at(incubator, "bed", "temperature"))
        begun = [_fall_ms(turn, no, warm_c) for no in beds]
        found = [t_ms for t_ms in begun if t_ms is not None]
        if found and not near:
            turn.happened(incubator, guessed_ms=turn.t_ms)
            _ask(turn, incubator, min(found))


def _fall_ms(turn: Turn, no: int, warm_c: float) -> int | None:
    """When a sudden fall began: the warmest recent point, if the value is well below it now."""
    recent = [(t_ms, value) for t_ms, value in turn.trace.get(no, ()) if turn.t_ms - t_ms <= WITHIN_MS]
    if len(recent) < 2:
        return None
    t_ms, top = max(recent, key=lambda point: (point[1], point[0]))
    return t_ms if top >= warm_c and recent[-1][1] <= top - FALL_K else None


def _ask(turn: Turn, incubator: str, at_ms: int) -> None:
    batch = turn.batches[incubator]
    known = known_of(turn.compiled, incubator, batch, turn.anchors, turn.last_t)
    step = _step_of(known, turn.t_ms) if known else None
    event = turn.emit(MixGuess(at_ms=at_ms, step=step.name if step else ""), incubator, batch.id)
    if step is not None:
        due_ms = batch.phases.get(step.name, Phase()).told_ms
        guess = Guess(at_ms, step.name, event.no, told=due_ms >= 0 and at_ms - due_ms <= TOLD_MS)
        turn.put_batch(incubator, replace(batch, guesses=(*batch.guesses, guess)))
        reconsider(turn, incubator)


def _step_of(known: Known, now_ms: int) -> Step | None:
    """The mixing that it may have been: of those not done yet the one that may be done now, else the first."""
    names = [step.name for step in known.schedule.steps]
    later = known.schedule.steps[names.index(HOUR_ZERO) + 1 :] if HOUR_ZERO in names else ()
    waiting = [step for step in later if step.work in MIXES and not step.optional and round_of(known, step)]
    return min(waiting, key=lambda step: _RANKS[rank_of(known, step, now_ms)], default=None)


def _remind(turn: Turn, incubator: str) -> None:
    """A guess that nobody has answered for a while is told, by day."""
    batch = turn.batches[incubator]
    late = [one for one in batch.guesses if not one.told and turn.t_ms - one.at_ms >= TOLD_MS]
    if late:
        turn.messages += [Message(f"event-{one.event}", one.event, Priority.TELL) for one in late]
        told = tuple(replace(one, told=True) if one in late else one for one in batch.guesses)
        turn.put_batch(incubator, replace(batch, guesses=told))


def asked(batch: BatchState, guess_ms: int | None = None) -> Guess | None:
    """The guess of that moment, the first where none is named; None where none waits for an answer."""
    return next((one for one in batch.guesses if guess_ms in (None, one.at_ms)), None)


def answered(turn: Turn, incubator: str, guess: Guess) -> None:
    """It is answered: nothing hangs on it any more."""
    batch = turn.batches.get(incubator)
    if batch is not None:
        left = tuple(one for one in batch.guesses if one.at_ms != guess.at_ms)
        turn.put_batch(incubator, replace(batch, guesses=left))


def deny(turn: Turn, incubator: str, guess: Guess, by: By) -> None:
    """The koji fell for another reason: what followed the guess is as before."""
    answered(turn, incubator, guess)
    turn.emit(MixDenied(at_ms=guess.at_ms, **by), incubator, guess.step)
    reconsider(turn, incubator)


def marked(turn: Turn, incubator: str, step: Step, at_ms: int) -> None:
    """Work that is marked answers the guess that was of it."""
    for one in turn.batches[incubator].guesses:
        same = one.step == step.name and not step.repeats
        if step.work in MIXES and (same or abs(one.at_ms - at_ms) <= SAME_MS):
            answered(turn, incubator, one)


def shown(turn: Turn, incubator: str) -> Question | None:
    """The first guess that waits for an answer, for the state document."""
    batch = turn.batches.get(incubator)
    guess = asked(batch) if batch else None
    if guess is None:
        return None
    probes = len(turn.compiled.probes_at(incubator, "bed", "temperature"))
    return Question(EVENT, guess.step, 0, guess.at_ms, None, probes)
