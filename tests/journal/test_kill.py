"""kill -9 of a real process at each numbered point of a commit: what was acknowledged is there, once, and whole."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from tests.parts.opened import outbox

CHILD = Path(__file__).with_name("crashing_child.py")
POINTS = ("before-begin", "rows-written", "before-commit", "after-commit", "called-back")


def run_until_killed(path: Path, point: str, passes: int) -> tuple[list[int], list[int], int]:
    """(readings, events, horizon) that the child said were on the disk before it died."""
    done = subprocess.run(
        [sys.executable, str(CHILD), str(path), point, str(passes)], capture_output=True, timeout=60, check=False
    )
    assert done.returncode == -signal.SIGKILL, (done.returncode, done.stdout[-200:], done.stderr[-2000:])
    readings: list[int] = []
    events: list[int] = []
    horizon_ms = 0
    for line in done.stdout.decode().splitlines():
        seqs, numbers, horizon = line.split("|")
        readings += [int(seq) for seq in seqs.split()]
        events += [int(no) for no in numbers.split()]
        horizon_ms = max(horizon_ms, int(horizon))
    return readings, events, horizon_ms


@pytest.mark.slow
@pytest.mark.parametrize("point", POINTS)
def test_nothing_acknowledged_is_lost(path: Path, point: str) -> None:
    acknowledged: list[int] = []
    stated: list[int] = []
    for passes in (0, 1, 5, 23):
        readings, events, horizon_ms = run_until_killed(path, point, passes)
        acknowledged += readings
        stated += events
        opened = open_or_recover(path)
        assert opened.unclean and opened.set_aside is None and opened.trouble == ""
        with closing(Reader(path)) as reader:
            stored = [row[0] for row in reader.rows_after(0) if isinstance(row, tuple)]
            numbers = [event.no for event in reader.events(limit=10**6)]
            assert set(acknowledged) <= set(stored)
            assert stored == list(range(1, len(stored) + 1)), "each once, without a hole"
            assert set(stated) <= set(numbers) and numbers == list(range(1, len(numbers) + 1))
            assert [row.id for row in outbox(path)] == [f"event-{no}" for no in numbers], "event and message together"
            assert [row.id for row in reader.batches()] == [f"b{no}" for no in numbers], "event and batch row together"
            assert (reader.last_seq(), reader.last_event()) == (len(stored), len(numbers))
            assert reader.horizon_ms() == 10 * len(stored) >= horizon_ms
            snapshot = reader.last_snapshot()
            assert snapshot is None or snapshot.state == b"%d" % snapshot.seq, "a snapshot says which row it stands at"
            unacked = {row.payload_hash for row in reader.unacked("broker")}
            last = [seq for seq in stored if seq > len(stored) - 5 and seq % 5 == 0]
            assert {b"%d" % seq for seq in last} <= unacked, "what may not have been acknowledged can be recognised"
        opened.lock.release()


def test_a_killed_daemon_leaves_no_lock(path: Path) -> None:
    run_until_killed(path, "before-commit", 0)
    opened = open_or_recover(path)
    assert opened.unclean
    opened.lock.release()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA quick_check").fetchone() == ("ok",)
