"""What is written is read back equal; commits, jobs, refusals and hangs of the writer."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon.contract.inputs import Prior
from kojimon.errors import JournalError
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.facts import facts_of
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk, Delivery, StoredReading, Unacked
from kojimon.journal.writing.store import UNACKED_CLEARED_EVERY, UNACKED_KEPT
from kojimon.journal.writing.writer import Writer
from kojimon.model import Event, InputRow, Message, Priority, ReadingRow
from kojimon.settings.spec import Probe
from tests.parts.inputs import event_row, input_row
from tests.parts.opened import outbox, reading
from tests.parts.wait import until

MakeWriter = Callable[..., Writer]


def read_back(stored: StoredReading) -> ReadingRow:
    """A row as the engine was given it, from how it was stored (live = replay)."""
    seq, t_ms, probe, raw, value, quality = stored
    return ReadingRow(seq, t_ms, probe, raw if value is None else value, quality)


def start_row(seq: int = 1, wall_ms: int = 1_780_000_000_000) -> InputRow:
    facts = {"boot": 1, "boot_id": "a", "boot_ms": 0, "wall_ms": wall_ms, "trusted": True, "gap_ms": 0}
    return input_row(seq, 0, "start", facts)


numbers = st.none() | st.floats(allow_nan=False, width=64)
plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", max_size=3), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip
bodies = st.dictionaries(st.text("abcd", min_size=1, max_size=4), plain, max_size=4)


@st.composite
def chunks(draw: st.DrawFn) -> list[Chunk]:
    found, seq, event_no, t_ms = [], 0, 0, 0
    for _ in range(draw(st.integers(1, 4))):
        rows: list[StoredReading] = []
        inputs: list[InputRow] = []
        for _ in range(draw(st.integers(0, 6))):
            seq, t_ms = seq + draw(st.integers(1, 3)), t_ms + draw(st.integers(0, 2**40))
            if draw(st.booleans()):
                rows.append(
                    (seq, t_ms, draw(st.integers(1, 9)), draw(numbers), draw(numbers), draw(st.integers(0, 13)))
                )
            else:
                kind = draw(st.sampled_from(["of-tomorrow", "settings"]))
                body = {"hash": f"h{seq}", "setup": draw(bodies)} if kind == "settings" else draw(bodies)
                inputs.append(input_row(seq, t_ms, kind, body))
        events = [
            event_row(event_no + n, t_ms, "of-tomorrow", "box", "b1", "k", draw(bodies))
            for n in range(1, draw(st.integers(1, 3)))
        ]
        event_no += len(events)
        found.append(Chunk(readings=rows, inputs=inputs, events=events, horizon_ms=t_ms))
    return found


@given(chunks())
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_every_row_comes_back_equal(tmp_path_factory: pytest.TempPathFactory, written: list[Chunk]) -> None:
    path = tmp_path_factory.mktemp("j") / "kitchen.journal"
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    for chunk in written:
        writer.submit(chunk)
    assert writer.stop(10)
    opened.lock.release()
    with closing(Reader(path)) as reader:
        wanted: list[Any] = [read_back(row) for chunk in written for row in chunk.readings]
        wanted += [row for chunk in written for row in chunk.inputs]
        wanted.sort(key=lambda row: row[0] if isinstance(row, tuple) else row.seq)
        assert list(reader.rows_after(0)) == wanted
        assert [row for page in reader.pages_after(0, page_rows=2) for row in page] == wanted
        assert reader.events() == [event for chunk in written for event in chunk.events]
        assert reader.horizon_ms() == written[-1].horizon_ms
        assert reader.last_seq() == max(chunk.last_seq() for chunk in written)


def test_callbacks_come_after_the_commit_and_in_order(path: Path, make_writer: MakeWriter) -> None:
    seen: list[tuple[int, int]] = []

    def committed(chunk: Chunk) -> None:
        with closing(sqlite3.connect(path)) as db:
            seen.append((chunk.horizon_ms, db.execute("SELECT count(*) FROM reading").fetchone()[0]))

    writer = make_writer(on_committed=committed)
    for n in range(1, 6):
        writer.submit(Chunk(readings=[(n, n, 1, 30.0, None, 0)], horizon_ms=n))
    assert writer.flush(60)
    until(lambda: len(seen) == 5, what="five callbacks")
    assert [horizon for horizon, _ in seen] == [1, 2, 3, 4, 5]
    assert all(count >= horizon for horizon, count in seen), "on the disk before it is told"


def test_a_reading_waits_an_event_takes_it_along(path: Path, make_writer: MakeWriter) -> None:
    stored: list[Chunk] = []
    writer = make_writer(on_committed=stored.append, commit_every_s=3600)
    writer.submit(Chunk(readings=[(1, 1, 1, 30.0, None, 0)]))
    until(lambda: len(stored) == 1, what="the lone first reading")
    writer.submit(Chunk(readings=[(2, 2, 1, 30.0, None, 0)]))
    assert writer.facts().waiting_rows == 1
    writer.submit(Chunk(events=[event_row(1, 2, "note", "", "", "", {})]))
    until(lambda: len(stored) == 3, what="the event and what waited")
    assert writer.facts().commits == 2


def test_probe_numbers_are_for_ever_and_a_move_is_kept(path: Path, make_writer: MakeWriter) -> None:
    def probe(name: str, tray: str) -> Probe:
        return Probe(name=name, incubator="box", place="bed", quantity="temperature", source="s", tray=tray)

    writer = make_writer()
    assert writer.register_probes(["top", "air"], [probe("top", "upper")]) == {"top": 1, "air": 2}
    writer.submit(Chunk(readings=[(1, 1, 1, 30.0, None, 0)], horizon_ms=1))
    writer.flush(5)
    assert writer.register_probes(["room", "top"], [probe("top", "lower")]) == {"room": 3, "top": 1}
    assert writer.register_probes(["air", "room", "top"], [probe("top", "lower")]) == {"air": 2, "room": 3, "top": 1}
    with closing(Reader(path)) as reader:
        assert [(row.no, row.name, row.tray) for row in reader.probes()] == [
            (1, "top", "lower"),
            (2, "air", ""),
            (3, "room", ""),
        ]
        assert [(row.from_seq, row.tray) for row in reader.placings()] == [(0, "upper"), (2, "lower")]


def test_the_small_tables_ride_along(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    event = event_row(1, 5, "alarm", "box", "", "limit/bed/temperature/high", {})
    writer.submit(Chunk(
        inputs=[start_row()], events=[event], horizon_ms=5, snapshot=b"state", cursors={"mirror": 7},
        duties={"backup": 9}, messages=[Message("a#1", 1, Priority.WAKE), Message("b#1", 1, Priority.TELL)],
        deliveries=[Delivery("a#1", "phone", "failed", 6, "no answer")],
    ))  # fmt: skip
    writer.submit(Chunk(horizon_ms=8, deliveries=[Delivery("a#1", "phone", "sent", 8)], settled={"a#1": 8}))
    assert writer.flush(60)
    with closing(Reader(path)) as reader:
        assert reader.waiting() == 1
        assert {row.id: row.settled_t_ms for row in outbox(path)} == {"a#1": 8, "b#1": None}
        assert reader.cursor("mirror") == 7 and reader.cursor("other") == 0
        assert reader.duties() == {"backup": 9}
        assert reader.last_snapshot() == (1, 5, b"state")
        assert reader.clock_rows()[-1].boot_id == "a"
        assert reader.stamps().utc_ms(5) == (1_780_000_000_005, True)
        assert reader.last_input("start") == start_row()


def test_two_snapshots_are_kept(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    for n in range(1, 6):
        writer.submit(Chunk(readings=[(n, n, 1, 30.0, None, 0)], horizon_ms=n, snapshot=bytes([n])))
    writer.flush(5)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT seq FROM snapshot").fetchall() == [(4,), (5,)]


def test_acknowledgements_in_doubt_are_those_of_the_latest_messages(path: Path, make_writer: MakeWriter) -> None:
    """However small the commits: several may go through before one acknowledgement leaves the machine."""
    writer = make_writer()
    commits = UNACKED_KEPT // 10 + 3 * UNACKED_CLEARED_EVERY
    for n in range(commits):
        rows = [Unacked("broker", 10 * n + i, b"%d" % (10 * n + i)) for i in range(10)]
        rows += [Unacked("other", 1, b"o")] if n == 0 else []
        writer.submit(Chunk(readings=[(n + 1, n, 1, 30.0, None, 0)], receipts=[("broker", n)], unacked=rows))
        assert writer.flush(60)
    with closing(Reader(path)) as reader:
        kept = [row.packet_id for row in reader.unacked("broker")]
        assert kept == list(range(kept[0], 10 * commits))
        assert UNACKED_KEPT <= len(kept) < UNACKED_KEPT + 10 * (UNACKED_CLEARED_EVERY + 1)
        assert reader.unacked("other") == [Unacked("other", 1, b"o")], "another source's rows stay"


def test_settings_are_stored_once_a_hash(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    body = {"setup": {"probes": [1, 2.5, None]}, "settings": {"site": "home\n"}}
    told = input_row(1, 1, "settings", {"hash": "abc", **body}).what
    for seq in (1, 2):
        writer.submit(Chunk(inputs=[input_row(seq, seq, "settings", {"hash": "abc", **body})], horizon_ms=seq))
    writer.flush(5)
    with closing(Reader(path)) as reader, closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT hash, seq FROM settings").fetchall() == [("abc", 1)]
        assert reader.settings("abc") == told and reader.settings("nope") is None
        assert [row.what for row in reader.rows_after(0) if isinstance(row, InputRow)] == 2 * [told]


def batch_event(no: int, kind: str, key: str = "", **data: Any) -> Event:
    return event_row(no, no * 100, kind, "box", "b1", key, data)


def test_batches_follow_their_events(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()

    def hour0(*events: Event) -> int | None:
        writer.submit(Chunk(events=events))
        assert writer.flush(60)
        with closing(Reader(path)) as reader:
            row = reader.batch("b1")
            assert row is not None
            return row.hour0_t_ms

    assert (
        hour0(batch_event(1, "batch-start", name="March", schedule="home-trays", rice_kg=1.5, note="new starter"))
        is None
    )
    assert hour0(batch_event(2, "step-done", "inoculate", mark=1, at_ms=150)) == 150
    assert hour0(batch_event(3, "step-corrected", "inoculate", mark=1, at_ms=120)) == 120
    assert hour0(batch_event(4, "step-done", "mix", mark=2, at_ms=10)) == 120
    assert hour0(batch_event(5, "step-undone", "inoculate", mark=1, at_ms=120)) is None
    assert hour0(batch_event(6, "step-done", "inoculate", mark=3, at_ms=600)) == 600
    assert hour0(batch_event(7, "batch-harvest", yield_kg=1.8, note="sweet")) == 600
    with closing(Reader(path)) as reader:
        assert reader.batches() == [
            ("b1", "box", "March", "home-trays", 1.5, 100, 600, 700, "harvest", 1.8, "new starter; sweet"),
        ]  # fmt: skip
        assert reader.batches("other") == []


def test_a_row_that_cannot_be_stored_is_left_out_alone(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer(commit_every_s=3600)
    writer.submit(Chunk(readings=[(1, 1, 1, 30.0, None, 0)]))
    writer.flush(5)
    writer.submit(Chunk(readings=[(2, 2, 1, 31.0, None, 0)]))
    writer.submit(Chunk(inputs=[InputRow(3, 3, Prior(prior={"what": object()}))]))
    writer.submit(Chunk(readings=[(4, 4, 1, 32.0, None, 0)]))
    assert writer.flush(60)
    assert writer.facts().refused_chunks == 1 and writer.facts().trouble == ""
    with closing(Reader(path)) as reader:
        assert [row[0] for row in reader.rows_after(0) if isinstance(row, tuple)] == [1, 2, 4]


def test_a_callback_that_fails_does_not_end_the_thread(make_writer: MakeWriter) -> None:
    def broken(_chunk: Chunk) -> None:
        raise RuntimeError("a sink is broken")

    writer = make_writer(on_committed=broken)
    for n in (1, 2):
        writer.submit(Chunk(readings=[(n, n, 1, 30.0, None, 0)]))
        assert writer.flush(60)
    assert writer.facts().commits == 2


def test_a_commit_that_hangs_is_visible_and_holds_nobody_up(make_writer: MakeWriter) -> None:
    let_go = threading.Event()
    writer = make_writer(step=lambda name: let_go.wait(60) and None if name == "before-commit" else None)
    writer.submit(Chunk(readings=[(1, 1, 1, 30.0, None, 0)]))
    until(lambda: writer.busy_s() > 0.05, what="busy_s grows")
    for n in range(2, 2000):
        writer.submit(Chunk(readings=[(n, n, 1, 30.0, None, 0)]))
    assert writer.busy_s() > 0.05 and writer.facts().commits == 0, "submit does not wait for the disk"
    assert not writer.flush(0.05)
    with pytest.raises(JournalError, match="did not answer within"):
        writer.run(lambda db: db.execute("SELECT 1").fetchone(), timeout_s=0.05)
    let_go.set()
    assert writer.flush(60) and writer.busy_s() == 0 and writer.facts().rows == 1999


def test_a_job_is_one_transaction_and_its_error_comes_through(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()

    def half(db: sqlite3.Connection) -> None:
        db.execute("INSERT INTO sink VALUES ('half', 1)")
        raise ValueError("changed my mind")

    with pytest.raises(ValueError, match="changed my mind"):
        writer.run(half)
    writer.run(lambda db: db.execute("INSERT INTO sink VALUES ('whole', 2)").rowcount)
    with closing(Reader(path)) as reader:
        assert (reader.cursor("half"), reader.cursor("whole")) == (0, 2)
    assert writer.facts().trouble == ""


def test_any_sqlite_tool_reads_while_the_daemon_writes(path: Path, make_writer: MakeWriter) -> None:
    probe = Probe(name="top", incubator="box", place="bed", quantity="temperature", source="s", tray="upper")
    writer = make_writer()
    writer.register_probes(["top"], [probe])
    event = event_row(1, 1500, "note", "box", "b1", "", {"text": "white"})
    writer.submit(
        Chunk(
            inputs=[start_row()], readings=[(2, 1500, 1, 30.25, None, 0), (3, 1600, 1, 85.0, None, 4)], events=[event]
        )
    )
    writer.flush(5)
    with closing(sqlite3.connect(path)) as tool:
        rows = tool.execute("SELECT utc, clock, probe, place, tray, value, quality FROM readings").fetchall()
        assert rows == [
            ("2026-05-28T20:26:41.500Z", "trusted", "top", "bed", "upper", 30.25, "good"),
            ("2026-05-28T20:26:41.600Z", "trusted", "top", "bed", "upper", 85.0, "sentinel"),
        ]
        assert tool.execute("SELECT utc, kind, data FROM events").fetchall() == [
            ("2026-05-28T20:26:41.500Z", "note", '{"text":"white"}')
        ]
        tool.execute("BEGIN")
        tool.execute("SELECT count(*) FROM reading").fetchall()
        writer.submit(Chunk(readings=[(4, 1700, 1, 30.5, None, 0)]))
        assert writer.flush(60), "a reader with an open view holds no writer up"


def test_stop_marks_the_journal_as_closed(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    writer.submit(Chunk(readings=[(1, 1, 1, 30.0, None, 0)]))
    with closing(sqlite3.connect(path)) as db:
        until(lambda: db.execute("SELECT in_use FROM progress").fetchone() == (1,), what="in use")
        assert writer.stop(5)
        assert db.execute("SELECT in_use, last_seq FROM progress").fetchone() == (0, 1)


def test_series_and_position_by_time(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    rows: list[StoredReading] = [(10 + 3 * n, 1000 * (n // 2), 1 + n % 2, 20.0 + n, None, 0) for n in range(100)]
    writer.submit(Chunk(readings=rows))
    writer.flush(5)
    with closing(Reader(path)) as reader:
        for t_ms in (-5, 0, 1, 999, 1000, 25_000, 49_000, 49_001, 10**9):
            found = reader.seq_at(t_ms)
            assert all((seq >= found) == (at_ms >= t_ms) for seq, at_ms, *_ in rows)
        assert reader.series(2, 1000, 3000) == [(1000, 23.0, 0), (2000, 25.0, 0)]
        assert reader.series(9, 0, 10**9) == []
        files = [file for file in path.parent.iterdir() if file.name in (path.name, f"{path.name}-wal")]
        assert len(files) == 2 and facts_of(reader).bytes == sum(file.stat().st_size for file in files)


def test_a_reader_of_nothing_says_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal"):
        reading(tmp_path / "none.journal")
