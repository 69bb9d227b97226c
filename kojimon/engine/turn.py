"""One advance at work: the unfrozen copy of the state, the events it brings forth, and the alarms' signals."""

from __future__ import annotations

from typing import Any

from msgspec.structs import asdict, replace

from kojimon.alarms.states import ANNUNCIATED, HIDDEN, AlarmState, Signal, step
from kojimon.contract import deadlines, events, keys
from kojimon.contract.alarms import AlarmFacts
from kojimon.contract.guidance import Guidance
from kojimon.contract.keys import AlarmKey, named
from kojimon.engine.compiled import Compiled, compiled_for
from kojimon.engine.state import AlarmRec, BatchState, Lately, State
from kojimon.model import Event, Message, Outcome, Priority

NEVER = 1 << 62
By = dict[str, Any]
"""Who does an act, and over which channel: `who`, `channel`."""
_NOTHING = Lately()


class Turn:
    """Mutable while one `advance` runs, frozen again by `state()`. Nothing outside the engine sees it."""

    def __init__(self, state: State) -> None:
        self.base = state
        self.t_ms, self.seq = state.t_ms, state.seq
        self.event_no, self.mark_no = state.event_no, state.mark_no
        self.setup, self.setup_hash, self.anchors = state.setup, state.setup_hash, state.anchors
        self.boots, self.awake_ms = state.boots, state.awake_ms
        self.last_t, self.last_v, self.read = dict(state.last_t), dict(state.last_v), dict(state.read)
        self.quiet, self.watch = dict(state.quiet), dict(state.watch)
        self.served, self.trace = dict(state.served), dict(state.trace)
        self.due, self.alarms = dict(state.due), dict(state.alarms)
        self.batches, self.ended, self.acts = dict(state.batches), dict(state.ended), dict(state.acts)
        self.since, self.exposed, self.usual = dict(state.since), dict(state.exposed), dict(state.usual)
        self.work, self.bad, self.own = dict(state.work), dict(state.bad), dict(state.own)
        self.probe_tests, self.outlooks, self.moved = dict(state.probe_tests), dict(state.outlooks), dict(state.moved)
        self.asked, self.airs, self.lately = dict(state.asked), dict(state.airs), dict(state.lately)
        self.courses, self.tares, self.doubts = dict(state.courses), dict(state.tares), dict(state.doubts)
        self.events: list[Event] = []
        self.messages: list[Message] = []
        self.guidance: list[Guidance] = []
        self.compiled: Compiled = compiled_for(state.setup, state.setup_hash)
        self.next_due_ms = min(self.due.values(), default=NEVER)
        self.act_seq = 0

    def state(self) -> State:
        """The state at the end of this advance."""
        return State(
            t_ms=self.t_ms, seq=self.seq, event_no=self.event_no, mark_no=self.mark_no, setup=self.setup,
            setup_hash=self.setup_hash, last_t=self.last_t, last_v=self.last_v, read=self.read, quiet=self.quiet,
            watch=self.watch, served=self.served, trace=self.trace, due=self.due, alarms=self.alarms,
            batches=self.batches, ended=self.ended,
            since=self.since, exposed=self.exposed, usual=self.usual, own=self.own, work=self.work, bad=self.bad,
            probe_tests=self.probe_tests, outlooks=self.outlooks, moved=self.moved, asked=self.asked, airs=self.airs,
            courses=self.courses, lately=self.lately,
            anchors=self.anchors, boots=self.boots, awake_ms=self.awake_ms, acts=self.acts,
            tares=self.tares, doubts=self.doubts,
        )  # fmt: skip

    def outcome(self) -> Outcome:
        """What came forth, in order."""
        return Outcome(tuple(self.events), tuple(self.messages), tuple(self.guidance))

    # --- events -----------------------------------------------------------------------------------------------

    def emit(self, what: events.Fact, incubator: str, key: str, message: Priority = Priority.LOG) -> Event:
        """States an event at the present moment; `message` from `tell` upwards sends one with it."""
        self.event_no += 1
        if self.act_seq:
            what = replace(what, act=self.act_seq)
        batch = self.batches.get(incubator)
        event = Event(self.event_no, self.t_ms, incubator, batch.id if batch else "", key, what)
        self.events.append(event)
        if message is not Priority.LOG:
            self.messages.append(Message(f"event-{event.no}", event.no, message))
        return event

    def refuse(self, kind: str, incubator: str, code: str, reason: str, **facts: Any) -> None:
        """States that an act is refused: a code for the doors to word, a plain reason, what it hangs on."""
        self.emit(events.Refused(code=code, reason=reason, **facts), incubator, kind)

    # --- deadlines --------------------------------------------------------------------------------------------

    def set_due(self, deadline: deadlines.Deadline, due_ms: int | None) -> None:
        """Sets, moves or (None) removes a deadline. A deadline of the past comes due at once."""
        text = str(deadline)
        if due_ms is None:
            if self.due.pop(text, None) is not None:
                self.next_due_ms = min(self.due.values(), default=NEVER)
            return
        self.due[text] = due_ms
        self.next_due_ms = min(self.due.values())

    def due_ms(self, deadline: deadlines.Deadline) -> int | None:
        """When a deadline comes due, None where it is not set."""
        return self.due.get(str(deadline))

    # --- batches ----------------------------------------------------------------------------------------------

    def put_batch(self, incubator: str, batch: BatchState) -> None:
        """Stores the changed record of an open batch."""
        self.batches[incubator] = batch

    def working(self, incubator: str) -> bool:
        """Whether hands are in the koji now."""
        return incubator in self.work

    def of_late(self, incubator: str) -> Lately:
        """What has happened to a box."""
        return self.lately.get(incubator, _NOTHING)

    def happened(self, incubator: str, **at_ms: int) -> None:
        """Notes when something happened to a box (`state.Lately`)."""
        self.lately[incubator] = replace(self.of_late(incubator), **at_ms)

    # --- alarms -----------------------------------------------------------------------------------------------

    def alarm(self, incubator: str, key: AlarmKey) -> AlarmRec:
        """The alarm's record, a new one where it has never been."""
        return self.alarms.get(named(incubator, key)) or AlarmRec(key=str(key), incubator=incubator)

    def active(self, incubator: str, key: AlarmKey) -> bool:
        """Whether an alarm's condition holds."""
        found = self.alarms.get(named(incubator, key))
        return found is not None and found.active

    def silent(self, no: int) -> bool:
        """Whether a probe is stated to be silent."""
        found = self.alarms.get(self.compiled.silent[no])
        return found is not None and found.active

    def signal(
        self, incubator: str, key: AlarmKey, signal: Signal, *, priority: Priority | None = None,
        level: str | None = None, value: float | None = None, limit: float | None = None, probe: str = "",
        since_ms: int | None = None, latch: bool = False, **data: Any,
    ) -> None:  # fmt: skip
        """Lets something happen to an alarm; states an `alarm` event when its state, level or priority changed."""
        old = self.alarm(incubator, key)
        expected = self.working(incubator) and key in SUPPRESSED and level not in CRITICAL
        if signal is Signal.ON and expected and old.state not in HIDDEN:
            self.signal(incubator, key, Signal.SUPPRESS)
            old = self.alarm(incubator, key)
        new = _follow(old, signal, self.t_ms if since_ms is None else since_ms, priority, level)
        new = replace(new, latching=new.latching or latch)
        if value is not None:
            new = replace(new, value=value, limit=limit, probe=probe)
        if signal is Signal.ON or not KEPT.isdisjoint(data):
            new = replace(new, facts=_kept(AlarmFacts() if signal is Signal.ON else old.facts, data))
        if signal in (Signal.ON, Signal.OFF):
            ended = data.get("ended", "")
            new = replace(new, ended="batch" if ended is True else ended)
        state = step(old.state, signal, new.active, new.latching, old.one_shot)
        calls = state in ANNUNCIATED and signal in _CALLS
        new = replace(new, state=state, calls=new.calls + 1 if calls else new.calls)
        if state not in (AlarmState.SHLVD, AlarmState.DSUPR):
            new = replace(new, shelved_until_ms=-1, one_shot=False)
        if state is not AlarmState.UNACK:
            new = replace(new, silent_until_ms=-1)
        if state is AlarmState.NORM:
            new = replace(new, latching=False)
        self.alarms[named(incubator, key)] = new
        self._again(new, old, calls)
        changed = (old.state, old.level, old.active) != (new.state, new.level, new.active)
        if changed or calls or data.get("act"):
            self._state_alarm(old, new, signal, calls, data)

    def held(
        self, incubator: str, key: AlarmKey, true: bool, for_s: float, priority: Priority, **facts: Any
    ) -> None:
        """Raises an alarm once its condition has been seen to hold for so long, ends it when it no longer does."""
        name = named(incubator, key)
        if not true:
            self.since.pop(name, None)
            if self.active(incubator, key):
                self.signal(incubator, key, Signal.OFF)
            return
        since_ms = self.since.setdefault(name, self.t_ms)
        if self.active(incubator, key):
            self.renew(incubator, key, **facts)
        elif self.t_ms - since_ms >= for_s * 1000:
            self.signal(incubator, key, Signal.ON, priority=priority, since_ms=since_ms, **facts)

    def renew(self, incubator: str, key: AlarmKey, *, limit: float | None = None, **facts: Any) -> None:
        """Brings what the words of an alarm hang on up to date, without an event."""
        old = self.alarm(incubator, key)
        limit = old.limit if limit is None else limit
        self.alarms[named(incubator, key)] = replace(old, limit=limit, facts=_kept(AlarmFacts(), facts))

    def _again(self, new: AlarmRec, old: AlarmRec, calls: bool) -> None:
        """An answered alarm that still holds calls anew after its re-alarm time."""
        key = deadlines.Again(new.incubator, new.about)
        if not new.active or new.state not in (AlarmState.ACKED, AlarmState.UNACK) or new.priority is Priority.LOG:
            self.set_due(key, None)
        elif new.state is not old.state or calls:
            self.set_due(key, self.t_ms + REALARM_MS[new.priority])

    def _first(self, new: AlarmRec) -> str:
        """Of alarms of one incubator that came within a minute, the one that came first: cause before consequence."""
        near = [
            alarm for alarm in self.alarms.values()
            if alarm.incubator == new.incubator and alarm.active and new.since_ms - alarm.since_ms <= GROUP_MS
        ]  # fmt: skip
        return min(near, key=lambda alarm: alarm.since_ms, default=new).key

    def _state_alarm(self, old: AlarmRec, new: AlarmRec, signal: Signal, calls: bool, data: dict[str, Any]) -> None:
        facts = {
            **asdict(new.facts), "was": str(old.state), "to": str(new.state), "event": str(signal), "level": new.level,
            "priority": str(new.priority), "occurrence": new.occurrence, "value": new.value, "limit": new.limit,
            "probe": new.probe, "since_ms": new.since_ms, "calls": new.calls, **data,
        }  # fmt: skip
        probe = self.compiled.by_name.get(new.probe)
        if probe is not None and "tray" not in facts:
            facts["tray"] = probe.tray  # as it is now: a probe may be moved later
        if signal is Signal.ON:
            facts["first"] = self._first(new)
        event = self.emit(events.AlarmChange(**facts), new.incubator, new.key)
        if new.priority is Priority.LOG:
            return
        name = f"{named(new.incubator, new.about)}#{new.occurrence}"
        if calls:
            self.messages.append(Message(f"{name}.{new.calls}", event.no, new.priority))
        elif signal is Signal.OFF and old.active and old.calls and not new.active and data.get("ended") not in UNTOLD:
            self.messages.append(Message(f"{name}.over", event.no, Priority.TELL))


REALARM_MS = {Priority.WAKE: 1_200_000, Priority.TELL: 14_400_000}
"""Re-alarm time (OPC 10000-9, B.1.5): 20 min for what wakes, 4 h for what is told. Repeats have no end while active."""
UNTOLD = ("stage", "limit")
"""Ends that are no news: the stage has no such limit, or the alarm of the limit itself says more."""
GROUP_MS = 60_000
SUPPRESSED = (keys.HOT_KOJI, keys.COLD_KOJI, keys.SOON_HOT)
"""What work in the koji can cause, and what is therefore suppressed by design while it goes on."""
CRITICAL = ("high_high", "low_low")
"""Levels of the critical limits, which no work can cause."""

KEPT = frozenset(AlarmFacts.__struct_fields__)

_CALLS = frozenset({Signal.ON, Signal.UP, Signal.RE, Signal.UNSHELVE, Signal.UNSUPPRESS, Signal.IN})


def _kept(before: AlarmFacts, facts: dict[str, Any]) -> AlarmFacts:
    return replace(before, **{name: value for name, value in facts.items() if name in KEPT})


def _follow(old: AlarmRec, signal: Signal, since_ms: int, priority: Priority | None, level: str | None) -> AlarmRec:
    """The record with condition, occurrence, level and priority brought up to date, its state still the old one."""
    new = old
    if signal is Signal.ON:
        new = replace(old, active=True, occurrence=old.occurrence + 1, since_ms=since_ms, calls=0)
    elif signal is Signal.OFF:
        new = replace(old, active=False)
    if priority is not None:
        new = replace(new, priority=priority)
    if level is not None:
        new = replace(new, level=level)
    return new
