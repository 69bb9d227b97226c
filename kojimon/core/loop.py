"""The core thread: sole owner of the engine's state. No file and no network in here.

A turn drains the intake, then reads the clock, numbers the rows, advances the engine and hands one `Chunk` to the
writer. It wakes once and gathers a few milliseconds of input: that costs less for each reading than being woken by
each. Readers get an immutable `Present`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from kojimon import engine, logs
from kojimon.clock import Clock, real_s, wait_s
from kojimon.contract import keys
from kojimon.contract.acts import Act
from kojimon.contract.guidance import Guidance
from kojimon.contract.health import CoreHealth
from kojimon.contract.inputs import Gap, Health, Input, Settings, Stop
from kojimon.contract.state import Document
from kojimon.core.acts import ACT_TIMEOUT_S, Calendar, Moment, PendingAct, busy, resolve_moments, stopping
from kojimon.core.advance import advance
from kojimon.core.boot import Booted
from kojimon.core.clockwatch import Sight, sight
from kojimon.core.intake import Intake, Taken
from kojimon.core.turn import Drive, Journal, Pipeline, Present, Request, TurnRows
from kojimon.core.unwritten import Unwritten
from kojimon.engine.state import State
from kojimon.errors import KojimonError
from kojimon.journal.records import Chunk
from kojimon.journal.writing.storage import NEARLY_FULL
from kojimon.model import Arrival, Outcome, Priority, Reply

GATHER_S = 0.010
IDLE_S = 1.0
IDLE_CHUNK_MS = 1_000
SLICE = 2_000
SNAPSHOT_EVERY_MS = 600_000
STUCK_S = 60.0
"""Nothing committed for so long (real seconds) in an open batch wakes: a dead card loses the night's record."""
_LOG = logs.get("core")

Listener = Callable[[Chunk, Present], None]


class Core:
    """See the module text.

    Args:
        booted: where to go on (`boot.boot`).
        first: the inputs that follow `start`: settings, health.
        driven: a driver moves the clock and says when to run; arrivals then wait for it.
        calendar: fetches the journal's stamps, for moments before this boot.
        guide: takes what the pipeline goes by from the next reading on, in the core's thread.
    """

    name = "core"

    def __init__(
        self,
        booted: Booted,
        first: Sequence[Input] = (),
        *,
        clock: Clock,
        intake: Intake[Request],
        pipeline: Pipeline,
        journal: Journal,
        driven: bool = False,
        calendar: Callable[[], Calendar | None] = lambda: None,
        guide: Callable[[Sequence[Guidance]], None] = lambda _guidance: None,
    ) -> None:
        self._clock, self._intake, self._pipeline, self._journal = clock, intake, pipeline, journal
        self._driven, self._calendar, self._guide = driven, calendar, guide
        self._booted, self._first = booted, list(first)
        self._state, self._seq, self._timeline = booted.state, booted.seq, booted.timeline
        self._t0_ms, self._watch = booted.t0_ms, booted.watch
        self._boot0_ms = self._timeline.boot_ms(self._t0_ms)
        self._present = Present(self._state, self._state.t_ms, self._seq, self._watch.last)
        self._unwritten = Unwritten(self._present)
        self._listeners: list[Listener] = []
        self._snapshot_t_ms = -SNAPSHOT_EVERY_MS if booted.snapshot_wanted else self._state.t_ms
        self._chunk_t_ms, self._broken, self._unread = 0, 0, True
        self._drives: list[Drive] = []
        self._health_lock = threading.Lock()
        self._health = _known_health(booted.state)
        self._stuck = ""
        self._lost, self._lost_t_ms = 0, 0
        self._stop_reason: str | None = None
        self._beat_s = real_s()
        self._thread = threading.Thread(target=self._run, name="core", daemon=True)

    # -- life --------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Takes the first inputs before anything that arrives, then runs in its own thread."""
        turn = TurnRows(self._seq)
        turn.add_input(self._t0_ms, self._booted.start)
        now_ms = self._timeline.t_ms(self._clock.boot_ms())
        for what in [*self._watch.anchor(), *self._first]:
            turn.add_input(now_ms, what)
        self._complete(turn, now_ms)
        self._thread.start()

    def stop(self, reason: str, timeout_s: float = 3.0) -> bool:
        """Takes what is waiting, states the stop, hands over a last chunk with a snapshot. Whether it ended in time."""
        self._stop_reason = reason
        self._intake.close()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def heartbeat_s(self) -> float:
        """Real time of the last turn."""
        return self._beat_s

    # -- looking -------------------------------------------------------------------------------------------------

    def present(self) -> Present:
        """The latest state, which may be ahead of the journal by what waits for a commit."""
        return self._present

    def durable(self) -> Present:
        """The latest state that the journal has caught up with, or, while it cannot, the present."""
        return self._unwritten.durable

    def begin_anew(self, settings: Settings) -> None:
        """The journal was lost and begun anew: a snapshot and the settings are to stand in it soon."""
        self._snapshot_t_ms = -SNAPSHOT_EVERY_MS
        self._intake.note("", settings)

    def moment(self) -> Moment:
        """Now, as acts are placed in time."""
        now = sight(self._clock) or self._watch.last
        return Moment(max(self._present.t_ms, self._engine_ms(now.boot_ms)), self._t0_ms, now.wall_ms, now.trusted)

    def view(self, durable: bool = False) -> Document:
        """The state document without wall times: as of now, or as the journal has it."""
        if durable:
            return engine.view(self._unwritten.durable.state, self._unwritten.durable.t_ms)
        return engine.view(self._present.state, self.moment().t_ms)

    def facts(self) -> CoreHealth:
        """For status."""
        counts, now = {**self._pipeline.counts(), "broken": self._broken}, self._present
        return CoreHealth(
            seq=now.seq, t_ms=now.t_ms, **self._intake.facts(), pipeline=counts, unread=self._booted.unread
        )

    # -- coming in, from any thread ---------------------------------------------------------------------------------

    def submit(self, act: Act, timeout_s: float = ACT_TIMEOUT_S) -> Reply:
        """Does an act and waits until it is on the disk.

        Raises:
            RefusedError: a field of it is not what it should be, its time cannot be placed, or the engine refuses it;
                the text says why.
            BusyError: too many acts are waiting. NotRunningError: the daemon stops.
            KojimonError: not on the disk within timeout_s.
        """
        pending = PendingAct(resolve_moments(act, self.moment(), self._calendar))
        if self._stop_reason is not None:
            raise stopping()
        if not self._intake.submit(pending):
            raise stopping() if self._stop_reason is not None else busy()
        return pending.wait(timeout_s)

    def health(self, what: str, ok: bool, text: str, wake: bool = False) -> None:
        """Tells the engine how a part of the daemon is (`disk`, `broker:NAME`, ...); repeats are dropped.

        Args:
            wake: people are got up for it, also where it was told already.
        """
        level = Priority.LOG if ok else Priority.WAKE if wake else Priority.TELL
        with self._health_lock:
            before = self._health.get(what, Priority.LOG)
            if level is before or (level is Priority.TELL and before is Priority.WAKE):
                return
            if self._intake.note(what, Health(what=what, ok=ok, text=text, wake=wake)):
                self._health[what] = level

    def run_to_present(self, timeout_s: float) -> int:
        """For a driver: takes all that has arrived, runs the engine up to the clock. Returns how many events came.

        Raises KojimonError when the core does not get there within timeout_s of real time.
        """
        drive = Drive()
        if not self._intake.submit(drive) or not drive.done.wait(timeout_s):
            raise KojimonError(f"the core did not reach the driver's time within {timeout_s:g} s")
        return drive.events

    # -- from the journal's thread ----------------------------------------------------------------------------------

    def listen(self, listener: Listener) -> None:
        """Calls `listener(chunk, state)` after each commit, on the journal's thread; it must be quick.

        The state is one that the journal has caught up with.
        """
        self._listeners.append(listener)

    def committed(self, chunk: Chunk) -> None:
        """The writer has it on the disk: answers acts, moves the durable state on, tells the listeners."""
        self._unwritten.committed(chunk)
        for listener in self._listeners:
            try:
                listener(chunk, self._unwritten.durable)
            except Exception:
                _LOG.exception("a listener of the journal failed")

    def storage(self, trouble: str, since_s: float = float("inf"), lost: int = 0) -> None:
        """The writer says that storage is in trouble (in words) or well again (""): an alarm.

        While nothing can be stored, acts count in memory. What was left out meanwhile is told as a gap, and the next
        turn closes it with a snapshot.

        Args:
            since_s: real time since which a commit hangs, where that is earlier than now.
            lost: readings left out of the record since the start.
        """
        failing, was = trouble not in ("", NEARLY_FULL), bool(self._stuck)
        self._unwritten.trouble(failing, min(since_s, real_s()))
        self._stuck = trouble if failing else ""
        if failing and not was:
            self._lost, self._lost_t_ms = lost, self._present.t_ms
        elif was and not failing:
            self._snapshot_t_ms = -SNAPSHOT_EVERY_MS
            if lost > self._lost:
                dropped = lost - self._lost
                self._intake.note("journal", Gap(source="journal", dropped=dropped, since_ms=self._lost_t_ms))
        self.health("disk", not trouble, trouble)

    # -- the core thread -------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while self._stop_reason is None:
            self._beat_s = real_s()
            if self._intake.wait(self._patience_s()) and not self._driven:
                self._intake.gather(GATHER_S)
            try:
                self._turn()
            except Exception:
                _LOG.exception("a turn of the core failed")
                wait_s(IDLE_S)
        self._finish()

    def _patience_s(self) -> float:
        """How long to wait for input: until the next deadline, a second at most."""
        due_ms = None if self._driven else engine.next_due_ms(self._state)
        if due_ms is None:
            return IDLE_S
        return min(IDLE_S, max(0.0, (due_ms - self._engine_ms(self._clock.boot_ms())) / 1000))

    def _engine_ms(self, boot_ms: int) -> int:
        """Engine time of a boot time, without the rule that it never runs backwards."""
        return self._t0_ms + boot_ms - self._boot0_ms

    def _turn(self) -> bool:
        """One turn. Whether arrivals were left for the next."""
        taken = self._intake.drain(SLICE)
        if self._stuck and (self._state.batches or self._booted.blind) and self._unwritten.stuck_s() >= STUCK_S:
            self.health("disk", False, self._stuck, wake=True)
        # Drained first, clock read after: nothing in this turn can be younger than its `now`.
        now = sight(self._clock) or self._watch.last._replace(boot_ms=self._clock.boot_ms())
        turn = TurnRows(self._seq)
        self._take_arrivals(turn, taken.arrivals)
        now_ms = self._timeline.t_ms(now.boot_ms)
        self._take_rest(turn, taken, now, now_ms)
        outcome = self._complete(turn, now_ms)
        self._serve_drives(taken, outcome)
        return taken.more

    def _take_arrivals(self, turn: TurnRows, arrivals: Sequence[Arrival]) -> None:
        take, engine_ms = self._pipeline.take, self._timeline.t_ms
        for arrival in arrivals:
            t_ms = engine_ms(arrival.boot_ms)
            try:
                turn.add_readings(t_ms, take(arrival, t_ms))
            except Exception:
                self._broken += 1
                _LOG.exception("%s: an arrival on %r could not be judged", arrival.source, arrival.topic)
            if arrival.receipt:
                turn.add_receipt(arrival)

    def _take_rest(self, turn: TurnRows, taken: Taken[Request], now: Sight, now_ms: int) -> None:
        for gap in taken.gaps:
            since_ms = self._engine_ms(gap.since_boot_ms)
            turn.add_input(now_ms, Gap(source=gap.source, dropped=gap.dropped, since_ms=since_ms))
        for what in self._watch.look(now) if self._watch.due(now.boot_ms) else ():
            turn.add_input(now_ms, what)
        for note in taken.notes:
            turn.add_input(now_ms, note)
        for request in taken.requests:
            if isinstance(request, PendingAct):
                turn.acts[turn.add_input(now_ms, request.act)] = request
            else:
                self._drives.append(request)

    def _complete(self, turn: TurnRows, now_ms: int, snapshot: bool = False) -> Outcome:
        """Advances the engine over the turn's rows and hands the chunk to the writer."""
        self._state, outcome = advance(self._state, turn.rows, now_ms)
        self._seq = turn.seq
        self._present = Present(self._state, now_ms, turn.seq, self._watch.last)
        if outcome.guidance:
            self._guide(outcome.guidance)
        if turn.rows or outcome.events or snapshot or now_ms - self._chunk_t_ms >= IDLE_CHUNK_MS:
            if snapshot or now_ms - self._snapshot_t_ms >= SNAPSHOT_EVERY_MS:
                snapshot, self._snapshot_t_ms = True, now_ms
            state = engine.encode(self._state) if snapshot else None
            # The first readings of a run are stored at once: proof for the person who has just connected a probe.
            first, self._unread = self._unread and bool(turn.readings), self._unread and not turn.readings
            self._unwritten.add(turn, outcome, self._present)
            self._journal.submit(turn.chunk(outcome, now_ms, state, urgent=first))
            self._chunk_t_ms = now_ms
        return outcome

    def _serve_drives(self, taken: Taken[Request], outcome: Outcome) -> None:
        """Answers the driver once nothing that has arrived is left."""
        for drive in self._drives:
            drive.events += len(outcome.events)
        if taken.more:
            self._intake.wake()
            return
        for drive in self._drives:
            drive.done.set()
        self._drives = []

    def _finish(self) -> None:
        """The last turns of an orderly stop."""
        try:
            while self._turn():
                pass
            turn, now_ms = TurnRows(self._seq), self._timeline.t_ms(self._clock.boot_ms())
            turn.add_input(now_ms, Stop(reason=self._stop_reason or ""))
            self._complete(turn, now_ms, snapshot=True)
        except Exception:
            _LOG.exception("the last turn of the core failed")
        for request in self._intake.drain().requests:
            if isinstance(request, PendingAct):
                request.fail(stopping())
            else:
                request.done.set()


def _known_health(state: State) -> dict[str, Priority]:
    """How the engine believes each part to be, so that a recovery during a restart is told as well; LOG: well."""
    return {
        key.what: record.priority if record.active else Priority.LOG
        for record in state.alarms.values()
        if isinstance(key := keys.parse(record.key), keys.Health)
    }
