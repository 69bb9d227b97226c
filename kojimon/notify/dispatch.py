"""Runs the plan against the real world: the journal's outbox in, senders out, receipts back into the journal.

Only what is committed is told, with one exception: when a commit hangs, what wakes goes out from memory after two
seconds, under the same id, and is recorded later. The thread sleeps until a commit, an answer of a sender, or the
moment the plan named.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from kojimon import logs
from kojimon.clock import real_s
from kojimon.contract.health import NotifyHealth
from kojimon.contract.state import Document
from kojimon.curve.pixels import can as pictures_can
from kojimon.errors import KojimonError
from kojimon.journal.records import Chunk, Delivery
from kojimon.model import Event
from kojimon.notify.asked import Request, Service, Wanted, Way
from kojimon.notify.lane import LIMIT_S, SENDER, Job, Lane
from kojimon.notify.memory import Memory
from kojimon.notify.pictures import Following, wanted
from kojimon.notify.plan import plan
from kojimon.notify.records import FAILED, SENT, AlarmNow, Channel, Item, Plan, Send, Situation
from kojimon.notify.text import Desk, Text, compose
from kojimon.settings.spec import Person

FAILURES_TOLD: Final = 3
"""So many failures in a row of a channel are an alarm on the others."""
LONGEST_WAIT_S: Final = 30.0
HUNG_LOOK_S: Final = 1.0
"""While a commit hangs the alarms are looked at so often: no commit tells that somebody has answered."""
BODY_MOST: Final = 6000
PICTURED: Final = ("call", "told", "digest")
"""Kinds of message that a picture of the curve goes with, or follows."""

_LOG = logs.get("notify")


class Look(Struct, frozen=True):
    """The daemon's present: engine time, UTC as believed and whether it is trusted, the engine's alarms by name.

    `watching`: a batch is open, or another site is watched: the sender that wakes stays loaded.
    """

    now_ms: int
    utc_ms: int
    trusted: bool
    alarms: Mapping[str, AlarmNow]
    watching: bool = True


class Around(Struct, frozen=True):
    """What the dispatcher is given of the daemon.

    Attributes:
        look: the present.
        document: the state document with wall times, for the words.
        utc_of: engine ms to (UTC ms, trusted).
        submit: hands a chunk to the journal's writer.
        health: tells the engine how a channel fares (`delivery:NAME`, ok, text).
        page: where the page is found, "" while it is not open.
    """

    look: Callable[[], Look]
    document: Callable[[], Document]
    utc_of: Callable[[int], tuple[int, bool]]
    submit: Callable[[Chunk], None]
    health: Callable[[str, bool, str], None]
    page: Callable[[], str] = str


class Carrier(Struct, frozen=True):
    """A channel and the way out of it; `way` may raise KojimonError: a secret that is not there."""

    channel: Channel
    way: Callable[[], Way]


class Dispatch:
    """See the module text.

    Args:
        carriers: the channels.
        quiet: when the person sleeps.
        around: the daemon.
        outbox: the journal, read once at the start; None begins with nothing.
        argv: the sender's command, for tests.
        limit_s: real seconds a message may take.
    """

    def __init__(
        self,
        carriers: Sequence[Carrier],
        quiet: Person,
        around: Around,
        outbox: Path | None = None,
        argv: Sequence[str] = SENDER,
        limit_s: float = LIMIT_S,
    ) -> None:
        self._carriers = {carrier.channel.name: carrier for carrier in carriers}
        self._channels = tuple(carrier.channel for carrier in carriers)
        self._sounds = {channel.name for channel in self._channels if channel.sounds}
        self._quiet, self._around, self._outbox = quiet, around, outbox
        self._changed = threading.Condition()
        self._signalled = self._stopping = self._sounding = False
        self._memory = Memory(self._changed)
        self._fails: dict[str, int] = {}
        self._texts: dict[str, str] = {}
        self._flying: dict[str, tuple[str, frozenset[str]]] = {}
        self._due_ms: int | None = None
        self._attempts = self._out = 0
        self._lanes = {name: Lane(name, self.wake, limit_s=limit_s, argv=argv) for name in ("wake", "tell", "sound")}
        self._following = Following()
        # Without the library there is no picture, and nobody is kept waiting for one.
        self._journal = outbox if pictures_can() else None
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)

    # -- doors, for any thread -----------------------------------------------------------------------------------

    def start(self) -> None:
        """Reads what is still to be told and begins."""
        if self._outbox is not None:
            try:
                self._memory.load(self._outbox, self._around.look().now_ms)
            except Exception:  # whatever a damaged journal gives: what comes from now on must get out
                _LOG.exception("what is still to be told cannot be read")
        for lane in self._lanes.values():
            lane.start()
        self._thread.start()

    def submitted(self, chunk: Chunk) -> None:
        """A chunk is on its way to the journal; called by the core's thread, quick."""
        due = self._due_ms is not None and chunk.horizon_ms >= self._due_ms
        if (chunk.messages and self._memory.submitted(chunk, real_s())) or due:
            self.wake()

    def committed(self, chunk: Chunk, _present: object = None) -> None:
        """A chunk is on the disk; called by the journal's thread, quick."""
        if self._memory.committed(chunk) or chunk.events:
            self.wake()

    def wake(self) -> None:
        """Looks again now."""
        with self._changed:
            self._signalled = True
            self._changed.notify_all()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ends thread and senders; what is not told is told after the next start. Whether all ended in time."""
        self._stopping = True
        self.wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        ended = [lane.stop(timeout_s) for lane in self._lanes.values()]
        return all(ended) and not self._thread.is_alive()

    def facts(self) -> NotifyHealth:
        """For status: messages waiting, attempts, channels that fail, senders."""
        waiting, unrecorded = self._memory.counts()
        with self._changed:
            return NotifyHealth(
                waiting=waiting,
                unrecorded=unrecorded,
                attempts=self._attempts,
                sent=self._out,
                failing={name: self._texts.get(name, "") for name in self._failing()},
                channels=[channel.name for channel in self._channels],
                senders={name: lane.child.lives for name, lane in self._lanes.items()},
                ready=self._lanes["wake"].child.lives > 0 and not self._lanes["wake"].busy,
            )

    # -- the thread ------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        wait_s: float | None = 0.0
        while True:
            with self._changed:
                if not self._signalled and not self._stopping:
                    self._changed.wait(wait_s)
                self._signalled = False
                if self._stopping:
                    return
            try:
                wait_s = self._turn()
            except Exception:
                _LOG.exception("messages are held up; trying again")
                wait_s = 1.0

    def _turn(self) -> float | None:
        """One look: plans, hands over to the lanes, settles. Returns the real seconds until the next, None for ever."""
        look = self._around.look()
        items, unrecorded = self._memory.present(real_s())
        situation = Situation(
            look.now_ms, look.utc_ms, look.trusted, items, self._memory.receipts(), look.alarms,
            self._channels, self._quiet,
        )  # fmt: skip
        found = plan(situation)
        self._due_ms = found.next_ms
        self._keep_warm(look.watching and len(self._sounds) < len(self._channels))
        self._hand_over(found, items, unrecorded, look.now_ms)
        settled = self._memory.settle(found.settled, look.now_ms)
        if settled:
            self._around.submit(Chunk(settled=dict.fromkeys(settled, look.now_ms)))
        # Asked anew: where time is driven it may have passed the next moment while this one was worked on.
        return self._wait_s(found, self._around.look().now_ms)

    def _keep_warm(self, wanted: bool) -> None:
        """Has the sender that wakes loaded ahead of time: later the card its library lies on may be dead."""
        lane = self._lanes["wake"]
        if wanted and not lane.kept and not lane.busy:
            lane.put(Job(Request("warm")))
        lane.kept = wanted

    def _wait_s(self, found: Plan, now_ms: int) -> float | None:
        waits = [] if found.next_ms is None else [(found.next_ms - now_ms) / 1000, LONGEST_WAIT_S]
        hangs_s = self._memory.hangs_s(real_s())
        if hangs_s is not None:
            waits += [hangs_s if hangs_s > 0 else HUNG_LOOK_S, HUNG_LOOK_S]
        return max(0.0, min(waits)) if waits else None

    # -- sending -----------------------------------------------------------------------------------------------------

    def _hand_over(self, found: Plan, items: Sequence[Item], unrecorded: set[str], now_ms: int) -> None:
        """Puts the most urgent job into each free lane; the rest is planned again when a lane is free."""
        by_no = {item.event.no: item.event for item in items}
        for name, lane in self._lanes.items():
            if lane.busy:
                continue
            self._flying.pop(name, None)
            own = [send for send in found.sends if self._lane_of(send) == name and not self._flies(send)]
            if own:
                together = [send for send in own if (send.key, send.kind) == (own[0].key, own[0].kind)]
                self._send(lane, together, by_no, unrecorded, now_ms)
        if not self._lanes["tell"].busy and (following := self._following.take()) is not None:
            self._lanes["tell"].put(Job(following, self._followed))
        if self._sounding and not found.calling and not self._lanes["sound"].busy:
            self._sounding = not self._lanes["sound"].put(Job(Request("stop")))

    def _lane_of(self, send: Send) -> str:
        if send.channel in self._sounds:
            return "sound"
        return "wake" if send.urgent else "tell"

    def _flies(self, send: Send) -> bool:
        """Whether a message of the same call is on its way over the same channel: the end must not overtake it."""
        return any(key == send.key and send.channel in names for key, names in self._flying.values())

    def _send(
        self, lane: Lane, sends: Sequence[Send], by_no: Mapping[int, Event], unrecorded: set[str], now_ms: int
    ) -> None:
        by_channel = {send.channel: send for send in sends}
        ways: list[Way] = []
        for name, send in by_channel.items():
            try:
                ways.append(self._carriers[name].way())
            except KojimonError as error:
                self._heard(send, now_ms, str(error))
        if not ways:
            return
        first = sends[0]
        events = [by_no[no] for no in first.events if no in by_no]
        text = self._words(first, events, unrecorded, now_ms)
        pictured = self._journal is not None and first.kind in PICTURED and not first.round
        request = Request(
            "send", tuple(ways), text.title, text.body[:BODY_MOST], first.key, first.kind, first.urgent, first.round,
            self._picture(first, events) if pictured and not first.urgent else None,
        )  # fmt: skip
        able = [way for way in ways if isinstance(way, Service) and way.picture]
        followed = {way.name: way for way in able if pictured and first.urgent}
        self._sounding = self._sounding or lane.name == "sound"
        self._flying[lane.name] = (first.key, frozenset(way.name for way in ways))

        def heard(name: str, wrong: str) -> None:
            self._heard(by_channel[name], now_ms, wrong)
            # Only now: working out what the picture shows would hold up the call.
            if name in followed and not wrong and (picture := self._picture(first, events)) is not None:
                self._following.add(first.key, picture, followed[name])

        lane.put(Job(request, heard))

    def _picture(self, send: Send, events: Sequence[Event]) -> Wanted | None:
        """What the picture with a message, or after a call, shows; None where there is nothing to show."""
        if self._journal is None:
            return None
        try:
            return wanted(events, self._around.document(), self._journal, send.urgent)
        except Exception:
            _LOG.exception("no picture for %s", send.key)
            return None

    def _followed(self, name: str, wrong: str) -> None:
        """A picture is no message of the outbox: that it did not get out is noted, no more."""
        if wrong and wrong != "the sender said nothing about it":
            _LOG.info("the picture was not sent over %s: %s", name, wrong)

    def _words(self, send: Send, events: Sequence[Event], unrecorded: set[str], now_ms: int) -> Text:
        """The words; a fault in making them must not hold up the call."""
        attempts = self._memory.got_out(send.messages)
        late = not unrecorded.isdisjoint(send.messages)
        try:
            around = self._around
            document, page = around.document(), around.page()
            return compose(send, events, Desk(document, around.utc_of, now_ms, attempts, self._failing(), late, page))
        except Exception:
            _LOG.exception("the words for %s fail; told without them", send.key)
            keys = ", ".join(f"{event.incubator} {event.key}".strip() for event in events)
            return Text(f"Alarm: {keys}"[:60], f"Look: kojimon status\n[{send.key}]")

    def _failing(self) -> tuple[str, ...]:
        return tuple(name for name, count in list(self._fails.items()) if count >= FAILURES_TOLD)

    def _heard(self, send: Send, t_ms: int, wrong: str) -> None:
        """An attempt is over: its receipts are kept, and a channel that fails is an alarm on the others."""
        state = FAILED if wrong else SENT
        rows = [Delivery(name, send.channel, state, t_ms, wrong) for name in send.messages]
        self._memory.note(rows)
        with self._changed:
            self._attempts += 1
            self._out += not wrong
            count = self._fails.get(send.channel, 0) + 1 if wrong else 0
            self._fails[send.channel], self._texts[send.channel] = count, wrong
            self._signalled = True
            self._changed.notify_all()
        self._around.submit(Chunk(deliveries=rows, urgent=True))
        if wrong:
            _LOG.warning("%s was not sent over %s: %s", send.key, send.channel, wrong)
        if count >= FAILURES_TOLD:
            self._around.health(f"delivery:{send.channel}", False, wrong)
        elif not wrong:
            self._around.health(f"delivery:{send.channel}", True, "is sent again")
