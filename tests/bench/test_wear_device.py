"""Bytes that reach the block device in a day, by the kernel's counters on a loop device with ext4. Needs root.

The run is accelerated: a day's commits follow each other without the minute between them, each with as many rows as a
minute brings (four probes every ten seconds: 24), and with a forecast or without. Every commit is synced as in life.
What a slow run adds (ext4's own timed commits of an idle minute) is not in the figure.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.kept import pack, thin
from kojimon.forecast.recorded import Recorded, forecasts
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.records import Chunk, StoredReading
from kojimon.journal.writing.writer import Writer
from tests.bench.figures import record
from tests.forecast import bedtruth
from tests.parts.card import Card, new_card
from tests.parts.inputs import event_row, input_row

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


def made() -> list[dict[str, Any]]:
    """Forecasts of a warm batch as they are kept, every quarter of an hour from hour 18 to hour 28."""
    batch = bedtruth.WORLDS["layered"]([3], 0)[0]
    rows = zip(*(part.tolist() for part in (batch.t_s, batch.bed_c, batch.air_c, batch.room_c, batch.rh_pct)),
               strict=True)  # fmt: skip
    curve = Recorded(tuple(tuple(row) for row in rows)[: 28 * 60])
    every = list(forecasts(curve, 900.0, (43.0, 45.0), setup=ForecastSetup()))
    return [pack(thin(one)) for one in every if one.at_s >= 18 * 3600]


def day(writer: Writer, seq: int, first: int, minutes: int, outlooks: Sequence[dict[str, Any]] = ()) -> int:
    """So many minutes: readings every minute, the clock hourly, a state every ten minutes, forty events a day.

    Args:
        outlooks: one of them every minute.
    """
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
            inputs = [input_row(seq, rows[-1][1], "clock" if minute else "start", {**facts, "trusted": True})]
        if outlooks:
            seq += 1
            found = outlooks[minute % len(outlooks)]
            outlook = {"incubator": "box", "batch": "b1", "made_ms": rows[-1][1], "forecast": found}
            inputs.append(input_row(seq, rows[-1][1], "forecast", outlook))
        if minute % 36 == 0:
            events = [event_row(minute // 36 + 1, rows[-1][1], "stage", "box", "b1", "growing", {"label": "Growing"})]
        snapshot = SNAPSHOT if minute % 10 == 0 else None
        writer.submit(Chunk(readings=rows, inputs=inputs, events=events, snapshot=snapshot, horizon_ms=rows[-1][1]))
        assert writer.flush(30)
    return seq


@pytest.mark.parametrize("with_forecasts", [False, True], ids=["readings", "readings-and-forecasts"])
def test_bytes_to_the_card_in_a_day(card: Card, with_forecasts: bool) -> None:
    outlooks = made() if with_forecasts else []
    path = card.folder / "kitchen.journal"
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=8)
    writer.start()
    seq = day(writer, 0, 0, 240, outlooks)
    before, commits = card.written(), writer.facts().commits
    seq = day(writer, seq, 240, MINUTES, outlooks)
    written, facts = card.written() - before, writer.facts()
    commits = facts.commits - commits
    assert writer.stop(10)
    opened.lock.release()
    record(
        "written to the card a day" + (", with a forecast a minute" if outlooks else ""),
        f"{written / 1e6:.1f} MB: {written / commits / 1000:.1f} kB a commit, {commits} commits, slowest "
        f"{facts.sync_most_s * 1000:.0f} ms",
    )
    assert written / 1e6 <= AIM_MB
