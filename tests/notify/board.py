"""A person's channels on a manual clock: what the plan sends, when, what comes of it; with or without the engine."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from msgspec import Struct

from kojimon.engine import advance, initial_state, next_due_ms
from kojimon.journal.records import Delivery
from kojimon.model import Event, InputRow, Message, Priority
from kojimon.notify.plan import plan
from kojimon.notify.records import FAILED, SENT, Channel, Item, Plan, Send, Situation
from kojimon.settings.spec import Person
from tests.engine.build import Rows
from tests.parts.inputs import event_row

T0_MS = 1_000_000
PHONE, SIREN = Channel("phone"), Channel("siren", tells=False, joins_s=240)
NEVER = 1 << 62
DAY_UTC_MS = 1_772_536_800_000  # 2026-03-03 11:20 UTC
NIGHT_UTC_MS = 1_772_578_800_000  # 2026-03-03 23:00 UTC


class Sent(NamedTuple):
    at_s: float
    send: Send
    ok: bool

    @property
    def brief(self) -> tuple[float, str, str]:
        return self.at_s, self.send.channel, self.send.kind


class Stood(Struct, frozen=True):
    """An alarm's record, as far as the plan needs it (`notify.records.AlarmNow`)."""

    state: str
    occurrence: int
    active: bool
    priority: str = ""
    silent_until_ms: int = -1


class Board:
    """Outbox, receipts and channels. Times given and shown are seconds since the start.

    Args:
        utc_ms: UTC at the start. works: whether an attempt (channel, seconds) gets out.
    """

    def __init__(
        self, *channels: Channel, utc_ms: int = DAY_UTC_MS, trusted: bool = True, quiet: Person | None = None,
        works: Callable[[str, float], bool] = lambda _name, _at: True,
    ) -> None:  # fmt: skip
        self.channels = channels or (PHONE,)
        self.utc0_ms, self.trusted, self.quiet = utc_ms, trusted, quiet or Person()
        self.works = works
        self.now_ms, self.no = T0_MS, 0
        self.items: list[Item] = []
        self.receipts: list[Delivery] = []
        self.alarms: dict[str, Any] = {}
        self.sent: list[Sent] = []
        self.last = Plan()

    # -- telling without the engine --------------------------------------------------------------------------------

    def event(self, kind: str, key: str, message: str = "", /, incubator: str = "box", **data: Any) -> Event:
        self.no += 1
        event = event_row(self.no, self.now_ms, kind, incubator, "b1", key, data)
        priority = Priority(data.get("priority", "tell"))
        if message != "-":
            self.items.append(Item(Message(message or f"event-{self.no}", self.no, priority), event))
        return event

    def alarm(self, key: str, signal: str, to: str, /, priority: str = "wake", **data: Any) -> None:
        """Lets an alarm do something now: `on`, `up`, `re`, `ack`, `off`, ..."""
        name = f"box/{key}"
        old = self.alarms.get(name, Stood("NORM", 0, False))
        occurrence = old.occurrence + (signal == "on")
        active = signal not in ("off",) and (old.active or signal == "on")
        calls = sum(item.message.id.startswith(f"{name}#{occurrence}.") for item in self.items) + 1
        message = f"{name}#{occurrence}.{calls}" if to == "UNACK" else "-"
        message = f"{name}#{occurrence}.over" if signal == "off" else message
        facts = {"from": old.state, "to": to, "event": signal, "occurrence": occurrence, "priority": priority, **data}
        self.event("alarm", key, message, **facts)
        self.alarms[name] = Stood(to, occurrence, active, priority)

    def on(self, key: str, priority: str = "wake", **data: Any) -> None:
        self.alarm(key, "on", "UNACK", priority=priority, **{"first": key, **data})

    def ack(self, key: str) -> None:
        self.alarm(key, "ack", "ACKED", priority=self.alarms[f"box/{key}"].priority)

    def off(self, key: str) -> None:
        now = self.alarms[f"box/{key}"]
        self.alarm(key, "off", "NORM" if now.state == "ACKED" else "RTNUN", priority=now.priority)

    # -- time --------------------------------------------------------------------------------------------------------

    def situation(self) -> Situation:
        return Situation(
            self.now_ms, self.utc0_ms + self.now_ms - T0_MS, self.trusted, self.items, self.receipts, self.alarms,
            self.channels, self.quiet,
        )  # fmt: skip

    def look(self) -> None:
        """Runs the plan at this moment until nothing more is due."""
        for _ in range(200):
            self.last = plan(self.situation())
            gone = set(self.last.settled)
            self.items = [Item(i.message, i.event, i.settled or i.message.id in gone) for i in self.items]
            if not self.last.sends:
                return
            for send in self.last.sends:
                at_s = (self.now_ms - T0_MS) / 1000
                ok = self.works(send.channel, at_s)
                self.sent.append(Sent(at_s, send, ok))
                self.receipts += [
                    Delivery(name, send.channel, SENT if ok else FAILED, self.now_ms) for name in send.messages
                ]
            assert len(self.sent) < 5000, "the plan sends without end"
        raise AssertionError(f"the plan does not come to rest: {self.last.sends}")

    def to(self, at_s: float) -> Board:
        """Lets time go on, waking up only when the plan asks for it."""
        end_ms = T0_MS + round(at_s * 1000)
        self.look()
        while self.last.next_ms is not None and self.last.next_ms <= end_ms:
            assert self.last.next_ms > self.now_ms
            self.now_ms = self.last.next_ms
            self.look()
        self.now_ms = end_ms
        self.look()
        return self

    def said(self, *kinds: str, channel: str = "") -> list[tuple[float, str, str]]:
        """(seconds, channel, kind) of what got out."""
        return [
            one.brief for one in self.sent
            if one.ok and (not kinds or one.send.kind in kinds) and channel in ("", one.send.channel)
        ]  # fmt: skip


class Room(Board):
    """The same with the engine: rows in, messages out, time moved by rows, deadlines and the plan."""

    def __init__(self, rows: Rows, *channels: Channel, **more: Any) -> None:
        super().__init__(*channels, **more)
        self.rows, self.state = rows, initial_state()
        self.events: list[Event] = []
        self.now_ms = rows.t0_ms
        assert rows.t0_ms == T0_MS

    def run(self, at_s: float | None = None) -> Room:
        """Takes all rows written so far, then goes on to `at_s` (default: the last row's time)."""
        for row in self.rows.take():
            t_ms = row.t_ms if isinstance(row, InputRow) else row[1]
            self._wait(t_ms)
            self._advance([row], t_ms)
        self._wait(self.rows.t_ms if at_s is None else T0_MS + round(at_s * 1000))
        return self

    def _wait(self, until_ms: int) -> None:
        while True:
            due = [t for t in (self.last.next_ms, next_due_ms(self.state)) if t is not None and t > self.now_ms]
            t_ms = min(due, default=NEVER)
            if t_ms >= until_ms:
                break
            self._advance([], t_ms)
        self._advance([], until_ms)

    def _advance(self, rows: list[Any], t_ms: int) -> None:
        self.now_ms = t_ms
        self.state, outcome = advance(self.state, rows, t_ms)
        self.events += outcome.events
        if outcome.messages:  # a question that waits for its answer is told later than its event
            by_no = {event.no: event for event in self.events}
            self.items += [Item(message, by_no[message.event]) for message in outcome.messages]
        moved = bool(outcome.events) or (self.last.next_ms is not None and self.last.next_ms <= t_ms)
        if moved:
            self.alarms = dict(self.state.alarms)
            self.look()
