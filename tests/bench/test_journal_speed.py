"""How fast the journal is read and written beside bare SQLite on the same file. Prints its figures."""

from __future__ import annotations

import sqlite3
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from pathlib import Path
from statistics import median

import pytest

from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from tests.bench.figures import record
from tests.parts.inputs import input_row

pytestmark = pytest.mark.bench

PROBES, SECONDS = 4, 48 * 3600
CHUNK_S = 60


def batch(writer: Writer) -> int:
    """48 hours of four probes at 1 Hz with an input every ten minutes. Returns the rows."""
    seq = 0
    for minute in range(SECONDS // CHUNK_S):
        inputs = []
        if minute % 10 == 0:
            seq += 1
            inputs = [input_row(seq, minute * 60_000, "health", {"what": "disk", "ok": True, "text": ""})]
        rows = []
        for second in range(CHUNK_S):
            for probe in range(1, PROBES + 1):
                seq += 1
                raw = 30 + seq % 160 / 16
                rows.append((seq, (minute * 60 + second) * 1000, probe, raw, raw - 0.25 if probe == 2 else None, 0))
        writer.submit(Chunk(readings=rows, inputs=inputs, horizon_ms=minute * 60_000))
        if minute % 50 == 0:
            assert writer.flush(60)
    assert writer.flush(60)
    return seq


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    path = tmp_path_factory.mktemp("speed") / "bench.journal"
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    rows = batch(writer)
    facts = writer.facts()
    print(f"\n{rows:,} rows in {facts.commits} commits; slowest commit {facts.sync_most_s * 1000:.1f} ms")
    assert writer.stop(10)
    opened.lock.release()
    yield path


def rate(work: Callable[[], Iterable[object]], rows: int) -> float:
    """Rows a second of processor time, the median of five runs."""
    taken = []
    for _ in range(5):
        begin = time.process_time()
        deque(work(), maxlen=0)
        taken.append(time.process_time() - begin)
    return rows / median(taken)


def bare(path: Path) -> Iterator[object]:
    with closing(sqlite3.connect(path)) as db:
        cursor = db.execute("SELECT seq, t_ms, probe, value, quality FROM reading")
        while page := cursor.fetchmany(20_000):
            yield from page


def test_reading_is_near_the_bare_fetch(journal: Path) -> None:
    with closing(Reader(journal)) as reader:
        rows = sum(1 for _ in reader.rows_after(0))
        by_row = rate(lambda: reader.rows_after(0), rows)
        by_page = rate(lambda: reader.pages_after(0), rows)
    plain = rate(lambda: bare(journal), rows)
    record(
        "reading the journal beside the bare fetch",
        f"row by row {by_row:,.0f}/s ({by_row / plain:.2f}), by page {by_page:,.0f}/s ({by_page / plain:.2f})",
        f"{plain:,.0f}/s",
    )
    assert rows == PROBES * SECONDS + SECONDS // 600
    assert by_row > 0.5 * plain and by_row > 300_000


def test_writing_is_near_the_bare_insert(tmp_path: Path) -> None:
    """Commits of 24 rows, as in a minute of four probes every ten seconds, against the same in bare SQLite."""
    commits, each = 300, 24
    parts = [
        [(n * each + k + 1, n * 60_000, 1 + k % 4, 30.0, None, 0) for k in range(each)] for n in range(commits)
    ]  # fmt: skip
    path = tmp_path / "ours.journal"
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    begin = time.perf_counter()
    for part in parts:
        writer.submit(Chunk(readings=part, horizon_ms=part[-1][1], urgent=True))
        assert writer.flush(30)
    ours = time.perf_counter() - begin
    assert writer.stop(10)
    opened.lock.release()
    with closing(sqlite3.connect(tmp_path / "bare", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("CREATE TABLE reading (seq INTEGER PRIMARY KEY, t_ms, probe, raw, value, quality)")
        begin = time.perf_counter()
        for part in parts:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?)", part)
            db.execute("COMMIT")
        plain = time.perf_counter() - begin
    bare_ms, ours_ms = plain / commits * 1000, ours / commits * 1000
    record("a synced commit of 24 rows", f"{ours / plain:.1f} times: {ours_ms:.2f} ms", f"{bare_ms:.2f} ms")
    assert ours < 3 * plain + 0.5
