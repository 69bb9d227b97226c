"""Thinning idle readings to minutes; batches are kept in full."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing import thin as thinning
from kojimon.journal.writing.thin import middle_keepers, thin
from kojimon.journal.writing.writer import Writer
from tests.parts.inputs import event_row

HOUR = 3_600_000
DAY = 24 * HOUR
MakeWriter = Callable[..., Writer]


def fill(writer: Writer, until_ms: int, every_ms: int = 20_000) -> list[tuple[int, int, int]]:
    """Two probes, a batch from day 3 to day 5; returns (seq, t_ms, probe)."""
    rows, seq = [], 0
    for t_ms in range(0, until_ms, every_ms):
        for probe in (1, 2):
            seq += 1
            rows.append((seq, t_ms + probe, probe))
    for begin in range(0, len(rows), 10_000):
        part = rows[begin : begin + 10_000]
        writer.submit(Chunk(readings=[(seq, t_ms, probe, 20.0 + seq % 7, None, 0) for seq, t_ms, probe in part]))
        assert writer.flush(60)
    start = event_row(1, 3 * DAY, "batch-start", "box", "b1", "", {})
    end = event_row(2, 5 * DAY, "batch-harvest", "box", "b1", "", {})
    writer.submit(Chunk(events=[start, end]))
    assert writer.flush(60)
    return rows


def left(path: Path) -> list[tuple[int, int, int, float | None, int]]:
    with closing(Reader(path)) as reader:
        return [row for row in reader.rows_after(0) if isinstance(row, tuple)]


def test_idle_days_thin_to_minutes_and_a_batch_stays(
    path: Path, make_writer: MakeWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "SLICE_ROWS", 1000)
    writer = make_writer()
    rows = fill(writer, 8 * DAY)
    before = {row[0]: row for row in left(path)}
    dropped = thin(writer, 7 * DAY)
    after = left(path)
    assert len(before) - len(after) == dropped > 0
    assert all(before[row[0]] == row for row in after), "what stays is untouched"
    kept = {row[0] for row in after}
    assert kept >= {seq for seq, t_ms, _ in rows if 2 * DAY <= t_ms <= 6 * DAY}, "the batch and a day around it"
    assert kept >= {seq for seq, t_ms, _ in rows if t_ms >= 7 * DAY}, "what is not old yet"
    idle = Counter((row[2], row[1] // 60_000) for row in after if row[1] < 2 * DAY - 60_000)
    assert set(idle.values()) == {1}, "one a minute and probe, also across slices"
    assert len(idle) == 2 * (2 * 24 * 60 - 1)
    with closing(Reader(path)) as reader:
        spans = reader.thinned()
        assert [span.reason for span in spans] == ["idle", "idle"], "one span a stretch, whatever the slices"
        assert sum(span.dropped for span in spans) == dropped
        gone = set(before) - kept
        assert all(any(span.from_seq <= seq <= span.to_seq for span in spans) for seq in gone)
    assert thin(writer, 7 * DAY) == 0, "done is done"
    assert thin(writer, 8 * DAY) > 0, "and goes on where it was"


def test_an_open_batch_is_kept(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    writer.submit(Chunk(
        readings=[(n, n * 10_000, 1, 20.0, None, 0) for n in range(1, 1000)],
        events=[event_row(1, 0, "batch-start", "box", "b1", "", {})],
    ))  # fmt: skip
    assert writer.flush(60)
    assert thin(writer, 99 * DAY) == 0 and len(left(path)) == 999


def test_commits_go_in_between_and_it_can_be_stopped(
    path: Path, make_writer: MakeWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "SLICE_ROWS", 100)
    writer = make_writer()
    fill(writer, DAY // 4)
    asked = [0]

    def stopping() -> bool:
        asked[0] += 1
        writer.submit(Chunk(readings=[(10**6 + asked[0], DAY, 1, 1.0, None, 0)], urgent=True))
        return asked[0] > 3

    assert 0 < thin(writer, DAY, stopping) < 3 * 100
    assert writer.flush(60)
    assert sum(row[0] > 10**6 for row in left(path)) == 4


readings = st.lists(
    st.tuples(st.integers(0, 300_000), st.integers(1, 2), st.none() | st.floats(0, 90), st.sampled_from([0, 0, 0, 4])),
    min_size=1,
)  # fmt: skip


@given(readings)
def test_what_stays_of_a_minute(drawn: list[tuple[int, int, float | None, int]]) -> None:
    rows = [
        (seq, t_ms, probe, value, quality)
        for seq, (t_ms, probe, value, quality) in enumerate(sorted(drawn, key=lambda r: r[0]), 1)
    ]
    kept = {row[0]: row for row in rows if row[0] in middle_keepers(rows)}
    groups = {(row[2], row[1] // 60_000) for row in rows}
    assert {(row[2], row[1] // 60_000) for row in kept.values()} == groups and len(kept) == len(groups)
    for row in kept.values():
        group = [other for other in rows if (other[2], other[1] // 60_000) == (row[2], row[1] // 60_000)]
        good = [other[3] for other in group if other[4] == 0 and other[3] is not None]
        if good:
            assert row[4] == 0 and row[3] is not None
            assert sum(value <= row[3] for value in good) >= len(good) / 2
            assert sum(value >= row[3] for value in good) >= len(good) / 2


def test_a_spike_does_not_stand_for_its_minute() -> None:
    rows = [(1, 0, 1, 30.0, 0), (2, 10_000, 1, 80.0, 0), (3, 20_000, 1, 30.1, 0), (4, 30_000, 1, 85.0, 4)]
    assert middle_keepers(rows) == {3}


@pytest.mark.parametrize("order", [(30.0, 31.0, 32.0, 33.0), (33.0, 30.0, 32.0, 31.0)])
def test_of_two_middle_readings_the_lower_one_stays(order: tuple[float, ...]) -> None:
    """A minute with an even count: a reading that was taken, and always the same one of two."""
    rows = [(seq, seq * 10_000, 1, value, 0) for seq, value in enumerate(order, 1)]
    (kept,) = middle_keepers(rows)
    assert order[kept - 1] == 31.0
