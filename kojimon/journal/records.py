"""What goes into the journal and comes out of it, as plain frozen records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

from msgspec import Struct

from kojimon.model import Event, InputRow, Message

StoredReading = tuple[int, int, int, float | None, float | None, int]
"""(seq, t_ms, probe, raw, value, quality); value None where it equals raw. NaN has no place in it: give None."""


class Placed(Protocol):
    """Where a probe sits and what it measures; `settings.spec.Probe` has this shape."""

    @property
    def name(self) -> str: ...
    @property
    def incubator(self) -> str: ...
    @property
    def place(self) -> str: ...
    @property
    def tray(self) -> str: ...
    @property
    def quantity(self) -> str: ...


class Unacked(NamedTuple):
    """A message that is stored but whose acknowledgement may not have reached the sender.

    After a kill the source drops a redelivery (DUP) that matches packet_id and payload_hash.
    """

    source: str
    packet_id: int
    payload_hash: bytes


class Delivery(NamedTuple):
    """One attempt to hand a message to a person over one channel.

    `state` is `sent`, `failed` (will be tried again) or `given-up`. None of them settles the message: with several
    channels only the plan knows when nobody has to be told any more (`Chunk.settled`).
    """

    message: str
    channel: str
    state: str
    t_ms: int
    text: str = ""


class Chunk(Struct, frozen=True):
    """What one turn of the core brings forth; committed as a whole or not at all.

    Attributes:
        readings: StoredReading tuples in seq order.
        inputs: the other inputs of the turn. The journal derives the clock table from `start` and `clock`
            and stores the body of `settings` once a hash.
        events: what the engine stated. The journal derives the batch table from them.
        messages: what people are to be told (outbox).
        horizon_ms: engine time up to which the engine has run.
        receipts: (source, receipt) pairs to be acknowledged once this is on the disk; 20 outstanding force a commit.
        snapshot: the engine's encoded state after this turn; at most every ten minutes and at stop.
        urgent: commit at once.
        unacked: identity of the messages behind `receipts`, for redelivery after a kill.
        deliveries: how attempts to tell people went.
        settled: ids of messages of which nobody has to be told any more, with the engine time of that.
        cursors: sink name to the last seq it has taken over.
        duties: calendar duty name to the UTC (ms) of its last run.
    """

    readings: Sequence[StoredReading] = ()
    inputs: Sequence[InputRow] = ()
    events: Sequence[Event] = ()
    messages: Sequence[Message] = ()
    horizon_ms: int = 0
    receipts: Sequence[tuple[str, int]] = ()
    snapshot: bytes | None = None
    urgent: bool = False
    unacked: Sequence[Unacked] = ()
    deliveries: Sequence[Delivery] = ()
    settled: Mapping[str, int] = {}
    cursors: Mapping[str, int] = {}
    duties: Mapping[str, int] = {}

    def last_seq(self) -> int:
        """Highest seq in here; 0 when it carries no row."""
        last_reading = self.readings[-1][0] if self.readings else 0
        last_input = self.inputs[-1].seq if self.inputs else 0
        return max(last_reading, last_input)

    def rows(self) -> int:
        """Rows counted against the queue's bound."""
        return len(self.readings) + len(self.inputs) + len(self.events) + len(self.messages)


class Snapshot(NamedTuple):
    """Encoded engine state after the row `seq`, having run to `horizon_ms`."""

    seq: int
    horizon_ms: int
    state: bytes


class ProbeRow(NamedTuple):
    """A probe as last placed. The number is for ever; empty texts where nobody said."""

    no: int
    name: str
    incubator: str
    place: str
    tray: str
    quantity: str


class Placing(NamedTuple):
    """Where a probe sat from the row `from_seq` on."""

    probe: int
    from_seq: int
    incubator: str
    place: str
    tray: str
    quantity: str


class BatchRow(NamedTuple):
    """One batch. Times are engine ms; `outcome` is "", `harvest` or `discard`."""

    id: str
    incubator: str
    name: str
    schedule: str
    rice_kg: float | None
    started_t_ms: int
    hour0_t_ms: int | None
    ended_t_ms: int | None
    outcome: str
    yield_kg: float | None
    note: str


class ClockRow(NamedTuple):
    """The machine's clocks at one engine time. `kind` is `start` or `clock`; `gap_ms` the time off before a start."""

    seq: int
    t_ms: int
    kind: str
    boot: int
    boot_id: str
    boot_ms: int
    wall_ms: int
    trusted: bool
    step_ms: int
    gap_ms: int


class ThinnedSpan(NamedTuple):
    """A span of seq from which readings were left out; `reason` is `idle`, `memory` or `corrupt`."""

    from_seq: int
    to_seq: int
    reason: str
    dropped: int


class OutboxRow(NamedTuple):
    """A message and where it stands; `settled_t_ms` is None as long as somebody still has to be told."""

    id: str
    event: int
    priority: str
    t_ms: int
    settled_t_ms: int | None
