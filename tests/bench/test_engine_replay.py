"""Replay of a whole batch from the journal beside the bare fetch of the same rows, in one run. Prints its figures."""

from __future__ import annotations

import random
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from kojimon.core.boot import restore
from kojimon.engine import advance, initial_state
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from kojimon.model import InputRow
from tests.bench.figures import record
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, H, Rows

pytestmark = pytest.mark.bench

HOURS = 48
WANTED_A_SECOND = 300_000
WANTED_OF_BARE = 0.1


def batch() -> list[Any]:
    """48 h of four probes at 1 Hz: a koji that warms itself, noise, a thermostat's ripple, three mixes."""
    source, rows = random.Random(11), Rows()
    rows.act("batch.start", name="bench")
    rows.act("step.done", step="inoculate", value_c=31.0)
    mixes = {24 * 3600, 30 * 3600, 36 * 3600}
    for second in range(1, HOURS * 3600 + 1):
        rows.at(second)
        hour = second / H
        bed = 30.0 + min(max(0.0, hour - 14) * 0.7, 8.5)
        for probe, value in ((BED, bed), (MIDDLE, bed - 0.4), (AIR, 30 + 0.4 * (second // 300 % 2)), (HUMIDITY, 85.0)):
            rows.read(probe, round((value + source.gauss(0, 0.05)) * 16) / 16)
        if second in mixes:
            rows.act("step.done", step="mix")
    return rows.take()


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    path = tmp_path_factory.mktemp("replay") / "bench.journal"
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    rows, state, count = batch(), initial_state(), 0
    for start in range(0, len(rows), 4_000):
        part = rows[start : start + 4_000]
        until = part[-1].t_ms if isinstance(part[-1], InputRow) else part[-1][1]
        state, outcome = advance(state, part, until)
        readings = [(seq, t, no, value, None, q) for seq, t, no, value, q in (r for r in part if type(r) is tuple)]
        inputs = [row for row in part if isinstance(row, InputRow)]
        count += len(readings)
        writer.submit(Chunk(readings=readings, inputs=inputs, events=outcome.events, horizon_ms=until))
        if start % 40_000 == 0:
            assert writer.flush(60)
    assert writer.flush(60)
    assert writer.stop(10)
    opened.lock.release()
    return path, count


def bare(path: Path) -> float:
    with closing(sqlite3.connect(path)) as db:
        begin = time.process_time()
        cursor = db.execute("SELECT seq, t_ms, probe, value, quality FROM reading")
        while cursor.fetchmany(20_000):
            pass
        return time.process_time() - begin


def replay(path: Path) -> float:
    with closing(Reader(path)) as reader:
        begin = time.process_time()
        rows = restore(reader).rows
        assert rows > 0
        return time.process_time() - begin


def test_replay_speed(journal: tuple[Path, int]) -> None:
    path, count = journal
    pairs = [(replay(path), bare(path)) for _ in range(3)]
    seconds, fetch = median(pair[0] for pair in pairs), median(pair[1] for pair in pairs)
    ratio = median(pair[1] / pair[0] for pair in pairs)
    fetched = f"fetch {count / fetch:,.0f}/s"
    record("replay of 48 h x 4 probes at 1 Hz", f"{count / seconds:,.0f}/s", fetched)
    record("replay beside the bare fetch", f"{ratio:.2f} of it", fetched)
    assert ratio >= WANTED_OF_BARE
