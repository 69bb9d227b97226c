"""The daemon's part that has each open batch forecast once a minute of world time, in a process of its own.

It reads what is committed, so a restart tells the process the same again. What comes back goes into the core as a
`forecast` input: the engine, and every replay, needs no model. Nothing here holds up the core, nor the watch: where the
process cannot work, that is one state of health, told in words.
"""

from __future__ import annotations

import threading
from typing import Any, Final, NamedTuple

from msgspec import to_builtins
from msgspec.structs import replace

from kojimon import logs
from kojimon.child import Child, ChildError
from kojimon.clock import Backoff, real_s
from kojimon.contract import inputs
from kojimon.contract.health import ForecastHealth
from kojimon.core.turn import Present
from kojimon.daemon.forecast_batch import (
    LATE_S,
    UNTOLD,
    Subject,
    besides,
    limits_of,
    mix_of,
    readings_of,
    setup_of,
    subject_of,
    works_of,
)
from kojimon.daemon.forecast_child import asked, forecast_child, look_after
from kojimon.daemon.house import House
from kojimon.daemon.learning import MOST_EVENTS, Lesson, lessons, prior_of
from kojimon.engine.limits import bands_in_force
from kojimon.engine.state import State
from kojimon.engine.turn import Turn
from kojimon.errors import JournalError
from kojimon.forecast.answers import Forecast, ForecastSetup, Prior
from kojimon.forecast.kept import check, pack, thin
from kojimon.forecast.protocol import Answer, Ask, Finish, Observe, Request, Start, Work
from kojimon.journal.records import Chunk
from kojimon.review.measure.minutes import read_minutes
from kojimon.schedule.spec import Schedule
from kojimon.settings.installed import has_part
from kojimon.units import show_count

EVERY_MS: Final = 55_000
"""World time between two forecasts of a batch. Commits, which wake us, come once a minute, give or take a little."""
LOOK_S: Final = 5.0
LOOK_DRIVEN_S: Final = 0.2
"""Real time between two looks when nothing woke us; where a driver moves the clock a minute may be short."""
COMMIT_S: Final = 5.0
BACKOFF_FIRST_S: Final = 2.0
BACKOFF_MOST_S: Final = 300.0
IDLE_S: Final = 60.0
"""Without a batch the process is let go after so long."""
STEADY_S: Final = 600.0
"""A process that has worked so long starts with the shortest delay again."""

_LOG = logs.get("forecast")


class Told(NamedTuple):
    """What the process knows of a batch: its life, the subject, the work, the next row, the last moment told."""

    life: int
    subject: Subject
    works: tuple[Work, ...]
    next_seq: int
    now_s: float


class Forecasting:
    """A part of the daemon (`daemon.run.Part`).

    Args:
        house: journal and core.
        driven: a driver moves the clock.
        child: for tests.
    """

    name = "forecast"

    def __init__(self, house: House, driven: bool, child: Child | None = None) -> None:
        self._house, self._driven, self.child = house, driven, child or forecast_child()
        self._installed = has_part("forecast")
        self._durable: Present | None = None
        self._told: dict[str, Told] = {}
        self._open: frozenset[str] | None = None
        self._studied: set[str] = set()
        self._asked_ms: dict[str, int] = {}
        self._made = self._failed = 0
        self._trouble = "" if self._installed else "the part `forecast` (numpy) is not installed here"
        self._backoff = Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S, STEADY_S)
        self._worked_s = float("-inf")
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="forecast", daemon=True)

    # -- as a part of the daemon ---------------------------------------------------------------------------------

    def start(self) -> None:
        """Begins to look; the process comes with the first batch."""
        if self._installed:
            self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Ends thread and process. Whether the thread ended in time."""
        self._stopping.set()
        self._wake.set()
        self.child.kill()  # a request that is out comes back at once
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        ended = not self._thread.is_alive()
        self.child.end()
        return ended

    def committed(self, chunk: Chunk, present: Present) -> None:
        """A commit: what it holds may be forecast from. In the journal's thread."""
        self._durable = present
        if present.state.batches:
            self._wake.set()

    def facts(self) -> ForecastHealth:
        """For status."""
        return ForecastHealth(
            made=self._made, failed=self._failed, starts=self.child.lives, pid=self.child.pid, trouble=self._trouble
        )

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait(LOOK_DRIVEN_S if self._driven else LOOK_S)
            if self._driven:
                self._stopping.wait(LOOK_DRIVEN_S)
            self._wake.clear()
            try:
                if not self._stopping.is_set():
                    self.look()
            except Exception as error:
                _LOG.exception("the forecast goes on after a mistake")
                self._fail(f"the forecast failed: {error}")

    # -- looking ---------------------------------------------------------------------------------------------------

    def look(self) -> int:
        """Forecasts what is due. Returns how many forecasts were made."""
        state, now_ms = self._seen()
        subjects = [one for box in state.setup.incubators if (one := subject_of(state, box.name)) is not None]
        self._forget(subjects)
        due = [one for one in subjects if now_ms - self._asked_ms.get(one.incubator, -EVERY_MS) >= EVERY_MS]
        ended = frozenset(batch.id for batch in state.batches.values()) != self._open
        if not (due or ended) or not self._backoff.due():
            return 0
        made = 0
        try:
            state, now_ms = self._seen(fresh=True)
            for subject in due:
                made += self._forecast(subject, state, now_ms)
            if ended:
                self._learn(state)
        except (ChildError, JournalError) as error:
            self._fail(str(error))
        return made

    def _seen(self, fresh: bool = False) -> tuple[State, int]:
        """The state as the journal has it, and its moment.

        Driven time outruns the journal's commits, which are timed by the real clock: there they are asked for.
        """
        if not self._driven:
            present = self._durable or self._house.core.present()
        else:
            present = self._house.core.present()
            if fresh and not self._house.writer.flush(COMMIT_S):
                raise JournalError("what is to be forecast from is not in the journal yet")
        return present.state, present.t_ms

    def _forget(self, subjects: list[Subject]) -> None:
        """Batches that are over, and the process with the last of them."""
        names = {one.incubator for one in subjects}
        for table in (self._told, self._asked_ms):
            for name in [name for name in table if name not in names]:
                del table[name]
        if subjects:
            return
        if self.child.pid is not None and real_s() - self._worked_s > IDLE_S:
            self.child.end()
        if self._trouble:
            self._well("no batch is to be forecast")

    def _forecast(self, subject: Subject, state: State, now_ms: int) -> bool:
        """One batch: tells what is new, asks, hands the answer to the core."""
        forecast = self._answered(subject, state, now_ms)
        if forecast is None:
            return False
        check(thin(forecast))
        box, packed = subject.incubator, pack(thin(forecast))
        told = inputs.Forecast(incubator=box, batch=subject.batch, made_ms=now_ms, forecast=packed)
        self._asked_ms[subject.incubator] = now_ms
        self._made += 1
        self._worked_s = real_s()
        self._backoff.worked()
        self._well("forecasts come again")
        return self._house.intake.note(box, told)

    def _answered(self, subject: Subject, state: State, now_ms: int) -> Forecast | None:
        batch = state.batches.get(subject.incubator)
        schedule = state.setup.schedules.get(batch.schedule) if batch else None
        now_s = subject.since_s(now_ms)
        if batch is None or schedule is None or batch.id != subject.batch or now_s < 0:
            return None
        look_after(self.child)
        told_besides = self._house.reader().events(batch=subject.batch, kinds=UNTOLD, limit=MOST_EVENTS)
        seen = [guess.at_ms for guess in batch.guesses]
        works = tuple(sorted((*works_of(subject, schedule, batch), *besides(told_besides, subject, seen))))
        told = self._told.get(subject.incubator)
        if told is None or not self._goes_on(told, subject, works):
            readings, end = self._readings(subject, state, self._house.reader().seq_at(subject.hour0_ms))
            prior = prior_of(self._house.reader(), subject.incubator, batch.schedule)
            self._begin(Start(subject.incubator, subject.seed, _setup(schedule, subject), prior, readings, works))
        else:
            readings, end = self._readings(subject, state, told.next_seq)
            self._ask(Observe(subject.incubator, readings, works[len(told.works) :]))
        self._told[subject.incubator] = Told(self.child.lives, subject, works, end, now_s)
        turn = Turn(state)
        turn.t_ms = now_ms
        limits_c, low_c = limits_of(schedule, batch.stage, bands_in_force(turn, subject.incubator))
        mix = mix_of(schedule, {mark.step for mark in batch.marks if not mark.undone})
        return self._ask(Ask(subject.incubator, now_s, limits_c, low_c=low_c, mix=mix)).forecast

    def _goes_on(self, told: Told, subject: Subject, works: tuple[Work, ...]) -> bool:
        """Whether the process knows the batch as it stands: work undone, corrected or told late makes it another."""
        known = len(told.works)
        if told.life != self.child.lives or told.subject != subject or works[:known] != told.works:
            return False
        return all(at_s > told.now_s - LATE_S for at_s, _ in works[known:])

    def _readings(self, subject: Subject, state: State, first_seq: int) -> tuple[Any, int]:
        """Readings from a row on, one set a minute, and the row after them."""
        reader = self._house.reader()
        end = reader.last_seq() + 1
        return readings_of(subject, read_minutes(reader.path, first_seq, end), state.doubts), end

    def _begin(self, start: Start) -> None:
        """Tells a batch from its beginning. A prior that the model cannot use is left aside, not the forecast."""
        answer = asked(self.child, start)
        if answer.error and start.prior is not None:
            _LOG.warning("what was learnt earlier is left aside: %s", answer.error)
            answer = asked(self.child, replace(start, prior=None))
        if answer.error:
            raise ChildError(answer.error)

    # -- learning ---------------------------------------------------------------------------------------------------

    def _learn(self, state: State) -> None:
        """Batches that were harvested since we last looked leave a prior, oldest first."""
        reader = self._house.reader()
        self._studied -= {batch.id for batch in state.batches.values()}  # one may be open again
        left: dict[tuple[str, str], Prior | None] = {}
        for lesson in lessons(reader, state.setup):
            of = (lesson.subject.incubator, lesson.schedule.name)
            if self._stopping.is_set():
                return
            if lesson.subject.batch not in self._studied:
                left[of] = self._study(lesson, left[of] if of in left else prior_of(reader, *of))
        self._open = frozenset(batch.id for batch in state.batches.values())

    def _study(self, lesson: Lesson, before: Prior | None) -> Prior:
        """One finished batch, told again from the journal: what a restart forgot counts all the same."""
        reader, subject = self._house.reader(), lesson.subject
        first, end = reader.seq_at(subject.hour0_ms), reader.seq_at(lesson.end_ms + 1)
        readings = readings_of(subject, read_minutes(reader.path, first, end))
        key = f"{subject.incubator}/learnt"
        self._begin(Start(key, subject.seed, _setup(lesson.schedule, subject), before, readings, lesson.works))
        prior = self._ask(Finish(key)).prior
        if prior is None:
            raise ChildError("the forecast's process left no prior of a finished batch")
        box, schedule, batch = subject.incubator, lesson.schedule.name, subject.batch
        told = inputs.Prior(incubator=box, schedule=schedule, batch=batch, prior=to_builtins(prior))
        self._house.intake.note(batch, told)
        self._studied.add(subject.batch)
        _LOG.info("learnt from batch %s: %s so far", subject.batch, show_count(prior.batches, "batch", "batches"))
        return prior

    def _ask(self, request: Request) -> Answer:
        answer = asked(self.child, request)
        if answer.error:
            self._told.clear()
            raise ChildError(answer.error)
        return answer

    # -- trouble -----------------------------------------------------------------------------------------------------

    def _fail(self, text: str) -> None:
        """The process is begun anew later, each time later; what it knew is told again then."""
        if self._stopping.is_set():
            return
        self.child.end()
        self._told.clear()
        self._failed += 1
        delay_s = self._backoff.failed()
        _LOG.warning("%s; again in %g s", text, delay_s)
        self._trouble = text
        self._house.core.health(self.name, False, f"{text}; it is started again in {delay_s:g} s")

    def _well(self, text: str) -> None:
        self._trouble = ""
        self._house.core.health(self.name, True, text)


def _setup(schedule: Schedule, subject: Subject) -> ForecastSetup:
    return setup_of(schedule, subject.kind, subject.cover, subject.late_h)
