"""Bytes that reach the block device in a day, by the kernel's counters on a loop device with ext4. Needs root.

The run is accelerated: a day's commits follow each other without the minute between them, each with as many rows as a
minute brings (four probes every ten seconds: 24). Every commit is synced as in life. What a slow run adds (ext4's own
timed commits of an idle minute) is not in the figure.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from kojimon.journal.files import open_or_recover
from kojimon.journal.records import Chunk, StoredReading
from kojimon.journal.writer import Writer
from kojimon.model import Event, InputRow
from tests.parts.card import Card, new_card

pytestmark = [pytest.mark.bench, pytest.mark.slow]

MINUTES = 24 * 60
AIM_MB = 40
SNAPSHOT = os.urandom(6000)
"""A state of some kilobytes that does not compress away."""


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    with new_card(tmp_path, 256) as made:
        yield made


def minute_of(seq: int, minute: int) -> list[StoredReading]:
    """24 readings, one probe in four calibrated."""
    t_ms = 5_000_000_000 + minute * 60_000
    rows: list[StoredReading] = []
    for turn in range(6):
        for probe in range(1, 5):
            seq += 1
            raw = 30 + seq % 97 / 16
            rows.append((seq, t_ms + turn * 10_000 + probe, probe, raw, raw + 0.2 if probe == 1 else None, 0))
    return rows


def day(writer: Writer, seq: int, first: int, minutes: int) -> int:
    """So many minutes: readings every minute, the clock hourly, a state every ten minutes, forty events a day."""
    for minute in range(first, first + minutes):
        rows = minute_of(seq, minute)
        seq = rows[-1][0]
        inputs, events = [], []
        if minute % 60 == 0:
            seq += 1
            facts = {
                "boot": 1,
                "boot_id": "b",
                "boot_ms": minute * 60_000,
                "wall_ms": 1_780_000_000_000 + minute * 60_000,
            }
            inputs = [InputRow(seq, rows[-1][1], "clock" if minute else "start", {**facts, "trusted": True})]
        if minute % 36 == 0:
            events = [Event(minute // 36 + 1, rows[-1][1], "stage", "box", "b1", "growing", {"label": "Growing"})]
        snapshot = SNAPSHOT if minute % 10 == 0 else None
        writer.submit(Chunk(readings=rows, inputs=inputs, events=events, snapshot=snapshot, horizon_ms=rows[-1][1]))
        assert writer.flush(30)
    return seq


def test_bytes_to_the_card_in_a_day(card: Card) -> None:
    path = card.folder / "kitchen.journal"
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=8)
    writer.start()
    seq = day(writer, 0, 0, 240)
    before, commits = card.written(), writer.facts().commits
    seq = day(writer, seq, 240, MINUTES)
    written, facts = card.written() - before, writer.facts()
    commits = facts.commits - commits
    assert writer.stop(10)
    opened.lock.release()
    print(f"\n{written / 1e6:.1f} MB a day to the device ({written / commits / 1000:.1f} kB a commit of 24 readings, "
          f"{commits} commits, slowest {facts.sync_most_s * 1000:.0f} ms); aim {AIM_MB} MB")  # fmt: skip
    assert written / 1e6 <= AIM_MB
