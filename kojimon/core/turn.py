"""What one turn of the core gathers, and what readers see of it."""

from __future__ import annotations

from collections.abc import Sequence
from threading import Event as Signal
from typing import NamedTuple, Protocol

from kojimon.contract.inputs import What
from kojimon.core.acts import PendingAct
from kojimon.core.advance import Row
from kojimon.core.clockwatch import Sight
from kojimon.engine.state import State
from kojimon.journal.records import Chunk, StoredReading, Unacked
from kojimon.model import Arrival, InputRow, Measured, Outcome

UNHURRIED = ("gap", "forecast")
"""Inputs that do not call for a commit of their own."""

RECEIPT_BYTES = 8


class Pipeline(Protocol):
    """Decodes, calibrates and judges what arrived (`probes.pipeline.Pipeline`)."""

    def take(self, arrival: Arrival, t_ms: int) -> list[Measured]:
        """The readings in one arrival."""

    def counts(self) -> dict[str, int]:
        """What could not be used, by reason."""


class Journal(Protocol):
    """What the core needs of the journal's writer."""

    def submit(self, chunk: Chunk) -> None:
        """Queues a chunk for the next commit."""


class Present(NamedTuple):
    """The daemon's state at one moment. Immutable; any thread may read it."""

    state: State
    t_ms: int
    seq: int
    sight: Sight


class Drive:
    """A request of the driver: run the engine up to the clock's present, everything that has arrived included."""

    def __init__(self) -> None:
        self.events = 0
        self.done = Signal()


Request = PendingAct | Drive


class TurnRows:
    """Rows of one turn, numbered as they come."""

    def __init__(self, seq: int) -> None:
        self.seq = seq
        self.rows: list[Row] = []
        self.readings: list[StoredReading] = []
        self.inputs: list[InputRow] = []
        self.receipts: list[tuple[str, int]] = []
        self.unacked: list[Unacked] = []
        self.acts: dict[int, PendingAct] = {}

    def add_input(self, t_ms: int, what: What) -> int:
        """Adds an input row. Returns its number."""
        self.seq += 1
        row = InputRow(self.seq, t_ms, what)
        self.rows.append(row)
        self.inputs.append(row)
        return self.seq

    def add_readings(self, t_ms: int, measured: Sequence[Measured]) -> None:
        """Adds readings. The engine gets what a replay will read back: the raw value where no other is kept."""
        for probe, raw, value, quality in measured:
            self.seq += 1
            kept = None if value == raw else value
            self.readings.append((self.seq, t_ms, probe, raw, kept, quality))
            self.rows.append((self.seq, t_ms, probe, raw if kept is None else kept, quality))

    def add_receipt(self, arrival: Arrival) -> None:
        """Notes that the source of this arrival waits for its commit.

        A receipt is a hash of the content above the 16 bits of the packet number; the journal keeps it whole, so that
        a redelivery after a kill is known again (`receipts_of`).
        """
        receipt = arrival.receipt
        self.receipts.append((arrival.source, receipt))
        self.unacked.append(Unacked(arrival.source, receipt & 0xFFFF, receipt.to_bytes(RECEIPT_BYTES, "big")))

    def chunk(self, outcome: Outcome, horizon_ms: int, snapshot: bytes | None, urgent: bool) -> Chunk:
        """Everything of this turn, for one transaction."""
        hurry = urgent or bool(outcome.events) or any(row.kind not in UNHURRIED for row in self.inputs)
        return Chunk(
            readings=self.readings,
            inputs=self.inputs,
            events=outcome.events,
            messages=outcome.messages,
            horizon_ms=horizon_ms,
            receipts=self.receipts,
            snapshot=snapshot,
            urgent=hurry,
            unacked=self.unacked,
        )


def receipts_of(unacked: Sequence[Unacked]) -> list[int]:
    """The receipts that the journal kept of a source's last commits."""
    return [int.from_bytes(one.payload_hash, "big") for one in unacked]
