"""State on MQTT, never ahead of the journal; and acts that come in over it.

Out, under `kojimon/SITE/`: `status` (retained, with a last will), and for each incubator `state` (with the box's card,
which says it in words), `forecast` (`null` without one) and `alarm/ID` (retained JSON) and `event`. In:
`INCUBATOR/act` (`act` for what is no incubator's), JSON as POST /v1/acts takes it, only where the broker keeps out who
gives no password: tried at each connection and each minute. State is sent again after each connection, so a broker that
lost it shows it again; alarms that an earlier run left retained are taken back. Events are sent once and not kept: at
most `EVENTS_MOST` wait for a broker that is away, then the oldest go, counted.
"""

from __future__ import annotations

import re
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec

from kojimon import logs
from kojimon.clock import real_s
from kojimon.contract.acts import PlainAct, act_body
from kojimon.contract.health import PublishHealth
from kojimon.contract.state import Document
from kojimon.errors import KojimonError
from kojimon.journal.records import Chunk
from kojimon.links.mqtt import Address, Notice
from kojimon.links.mqtt_io import Fate, Incoming, MqttIo, Ticket
from kojimon.links.mqtt_stranger import Trial
from kojimon.model import Event
from kojimon.words.card import BoxTopic, cards_of
from kojimon.words.status import speech_of

EVENTS_MOST = 500
STATE_EVERY_S = 5.0
"""State without an event is published once in so many real seconds at most."""
WAIT_S = 0.5
ACT_BYTES_MOST = 65_536
ACTS_AT_ONCE = 8
_LOG = logs.get("publish")
_ENCODE = msgspec.json.Encoder().encode


class ActBody(msgspec.Struct, forbid_unknown_fields=True):
    """What an `act` topic takes; the incubator stands in the topic."""

    kind: str
    who: str = ""
    idempotency: str = ""
    data: dict[str, Any] = {}


def topic_name(text: str) -> str:
    """A name as one level of a topic: wildcards and slashes become `-`."""
    return re.sub(r"[/+#\x00]", "-", text) or "-"


def retained_topics(state: Document, root: str) -> dict[str, bytes]:
    """Retained topics and payloads that show this state document."""
    found: dict[str, bytes] = {}
    cards = cards_of(state, speech_of(state))
    for box, card in zip(state.incubators, cards.boxes, strict=True):
        below = f"{root}/{topic_name(box.name)}"
        # A topic of its own, sent again only when it is another one: its age changes all the time.
        kept = None if box.forecast is None else msgspec.to_builtins(box.forecast)
        if kept is not None:
            del kept["age_s"]
        found[f"{below}/forecast"] = _ENCODE(kept)
        topic = BoxTopic(state.t_ms, state.now, state.units, state.site, box, card, cards.alarms, state.utc)
        shown = msgspec.to_builtins(topic)
        del shown["incubator"]["forecast"]
        found[f"{below}/state"] = _ENCODE(shown)
        for alarm in box.alarms:
            found[f"{below}/alarm/{topic_name(alarm.key)}"] = _ENCODE(alarm)
    for alarm in state.alarms:
        found[f"{root}/alarm/{topic_name(alarm.key)}"] = _ENCODE(alarm)
    return found


class Publisher:
    """See the module text. Runs a thread of its own beside the client's.

    Args:
        site: the site's name.
        address, client_id: the broker.
        state: gives the state document as far as the journal has it.
        told: an event as JSON has it, with its wall times.
        act: does an act (raises KojimonError); None: no acts over MQTT. They are off too where a stranger can connect.
        incubators: names of the incubators.
        health: takes a change of `acts`: whether the broker keeps strangers out, where acts are wanted.
    """

    name = "publish"

    def __init__(
        self,
        site: str,
        address: Address,
        client_id: str,
        state: Callable[[], Document],
        told: Callable[[Event], Any],
        act: Callable[[PlainAct], object] | None,
        incubators: Sequence[str],
        health: Callable[[str, bool, str], None] = lambda *_: None,
    ) -> None:
        self._root = f"kojimon/{topic_name(site)}"
        self._state, self._told, self._act = state, told, act
        self._incubators = {topic_name(name): name for name in incubators}
        self._trial = Trial(address, self._tried, lambda: self._io.connected) if act is not None else None
        self._health = health
        notice = Notice(f"{self._root}/status", b"online", b"offline")
        filters = [f"{self._root}/alarm/+", f"{self._root}/+/alarm/+"]
        if act is not None:
            filters += [f"{self._root}/act", *(f"{self._root}/{name}/act" for name in self._incubators)]
        self._io = MqttIo("publish", address, client_id, notice, filters, self._heard, self._up)
        self._lock = threading.Lock()
        self._events: deque[Event] = deque()
        self._acts: deque[tuple[str, bytes]] = deque()
        self._shown: dict[str, bytes] = {}
        self._under_way: list[tuple[str, bytes, Ticket]] = []
        self._changed, self._urgent, self._state_s = True, True, float("-inf")
        self._dropped = self._published = self._acts_refused = 0
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="publish", daemon=True)

    # -- as a part of the daemon -------------------------------------------------------------------------------

    def start(self) -> None:
        """Connects, and keeps connected."""
        self._io.run()
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Sends what is left, says goodbye. Whether it ended in time."""
        self._stopping.set()
        self._wake.set()
        self._thread.join(timeout_s)
        self._io.stop()
        if self._trial is not None:
            self._trial.end()
        return not self._thread.is_alive()

    def committed(self, chunk: Chunk, _present: object) -> None:
        """A commit: its events are to be sent, the state shown anew. Called in the journal's thread."""
        with self._lock:
            self._events.extend(chunk.events)
            while len(self._events) > EVENTS_MOST:
                self._events.popleft()
                self._dropped += 1
            self._changed = True
            self._urgent = self._urgent or bool(chunk.events)
        if chunk.events:
            self._wake.set()

    def heartbeat(self, payload: bytes) -> bool:
        """Publishes a sign of life, retained. Whether it went out: one that is late is worth nothing."""
        return self._io.send(f"{self._root}/heartbeat", payload, True) is not None

    def facts(self) -> PublishHealth:
        """How the link is and what was sent."""
        return PublishHealth(
            **vars(self._io.facts()),
            published=self._published,
            events_waiting=len(self._events),
            events_dropped=self._dropped,
            acts_refused=self._acts_refused,
            acts_on=self._trial is not None and self._trial.safe is True,
        )

    # -- from the client's thread ---------------------------------------------------------------------------------

    def _up(self) -> None:
        """A new connection: everything retained is shown again, and the broker is tried again."""
        if self._trial is not None:
            self._trial.again()
        with self._lock:
            self._shown.clear()
            self._under_way.clear()
            self._changed = self._urgent = True
        self._wake.set()

    def _heard(self, message: Incoming) -> None:
        """What an earlier run left retained, or an act. A retained act is old, nobody asks for it now."""
        if "/alarm/" in message.topic:
            if message.retained and message.payload:
                with self._lock:
                    self._shown.setdefault(message.topic, message.payload)
                    self._changed = self._urgent = True
            return
        own = message.topic == f"{self._root}/act"
        name = message.topic.removeprefix(f"{self._root}/").removesuffix("/act")
        incubator = "" if own else self._incubators.get(name)
        if message.retained or incubator is None or len(message.payload) > ACT_BYTES_MOST:
            self._acts_refused += 1
            return
        with self._lock:
            if len(self._acts) >= ACTS_AT_ONCE:
                self._acts_refused += 1
                return
            self._acts.append((incubator, message.payload))
        self._wake.set()

    # -- the thread -------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait(WAIT_S)
            self._wake.clear()
            try:
                self._do_acts()
                self._send_events()
                self._show_state()
            except Exception:
                _LOG.exception("publishing goes on after a mistake")
        self._send_events()

    def _tried(self, safe: bool, text: str) -> None:
        self._health("acts", safe, text)
        if not safe:
            _LOG.warning("%s", text)
        self._wake.set()

    def _do_acts(self) -> None:
        while self._acts and self._act is not None and self._trial is not None and self._trial.safe is not None:
            with self._lock:
                incubator, payload = self._acts.popleft()
            if not self._trial.safe:
                self._acts_refused += 1
                continue
            try:
                body = act_body(payload, ActBody)
                self._act(PlainAct(body.kind, incubator, body.who, "mqtt", body.idempotency, body.data))
            except (ValueError, KojimonError) as error:
                self._acts_refused += 1
                _LOG.warning("an act over MQTT for %s: %s", incubator, error)

    def _send_events(self) -> None:
        while self._events:
            event = self._events[0]
            box = f"{topic_name(event.incubator)}/" if event.incubator else ""
            payload = _ENCODE(self._told(event))
            if self._io.send(f"{self._root}/{box}event", payload) is None:
                return
            self._published += 1
            with self._lock:
                if self._events and self._events[0] is event:
                    self._events.popleft()

    def _show_state(self) -> None:
        """Sends the retained topics that differ from what the broker has; those that are over are emptied."""
        self._settle()
        if not self._io.connected or not self._state_due():
            return
        wanted: Mapping[str, bytes] = retained_topics(self._state(), self._root)
        with self._lock:
            over = {topic: b"" for topic, payload in self._shown.items() if payload and topic not in wanted}
        complete = True
        for topic, payload in {**wanted, **over}.items():
            if self._shown.get(topic) == payload:
                continue
            ticket = self._io.send(topic, payload, retain=True)
            if ticket is None:
                complete = False
                break
            self._published += 1
            self._shown[topic] = payload
            self._under_way.append((topic, payload, ticket))
        with self._lock:
            self._changed = self._changed or not complete
            self._urgent = self._urgent or not complete

    def _state_due(self) -> bool:
        now_s = real_s()
        with self._lock:
            due = self._changed and (self._urgent or now_s - self._state_s >= STATE_EVERY_S)
            if due:
                self._changed = self._urgent = False
                self._state_s = now_s
        return due

    def _settle(self) -> None:
        """What the connection lost on the way is not shown yet."""
        waiting = []
        for topic, payload, ticket in self._under_way:
            if ticket.fate is Fate.WAITING:
                waiting.append((topic, payload, ticket))
            elif ticket.fate is Fate.LOST and self._shown.get(topic) == payload:
                del self._shown[topic]
                self._changed = self._urgent = True
        self._under_way = waiting
