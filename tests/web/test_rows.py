"""The journal through the API, held against the journal's own file."""

from __future__ import annotations

import io
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.errors import NotRunningError, UsageError
from kojimon.journal.reading.export import Style, batch_span, write_curve, write_json_lines
from kojimon.journal.reading.reader import Reader
from kojimon.journal.reading.rows import Parcel, parcel_of
from kojimon.model import InputRow
from kojimon.rehearsal import rehearse_batch
from kojimon.web.api import rows as door
from kojimon.web.client.local import Client
from kojimon.web.client.remote import RemoteJournal
from tests.daemon.running import Running, broker_site, running
from tests.parts.inputs import input_row


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A daemon with a batch two hours old and something of everything."""
    with running(broker_site(tmp_path_factory.mktemp("rows"))) as one:
        one.act("batch.start", name="first", rice_kg=2.0)
        one.put("k/bed", 31.0)
        one.tick(10)
        one.act("step.done", step="inoculate")
        for minute in range(120):
            one.put("k/bed", 31.0 + minute / 7)
            one.put("k/air", 29.0 if minute % 10 else 900.0)
            one.tick(60)
        one.act("batch.note", text="smells of chestnuts")
        one.tick(10)
        one.commit()
        yield one


@pytest.fixture
def file(live: Running) -> Iterator[Reader]:
    with closing(Reader(Path(live.daemon.settings.journal.path))) as reader:
        yield reader


def batch_id(live: Running) -> str:
    return str(live.client.get("/v1/batches")["batches"][0]["id"])


def until_row(file: Reader, after: int, last: int) -> list[Any]:
    """Rows as the file has them, without what the daemon wrote since (its health, its forecasts)."""
    rows = file.rows_after(after)
    return [row for row in rows if (row.seq if isinstance(row, InputRow) else row[0]) <= last]


@pytest.mark.parametrize("limit", [1, 7, 10, 2_000])
def test_all_rows_come_whatever_the_size_of_a_parcel(
    live: Running, file: Reader, limit: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    get = live.client.get
    monkeypatch.setattr(
        live.client, "get", lambda path, **q: get(path, **q, **({"limit": limit} if path.endswith("rows") else {}))
    )
    remote = RemoteJournal(live.client)
    assert list(remote.rows_after(0)) == until_row(file, 0, remote.last_seq())
    assert list(remote.rows_after(100)) == until_row(file, 100, remote.last_seq())
    stored = [tuple(row) for page in remote.stored_pages(5, 150) for row in page]
    assert stored == [row for page in file.stored_pages(5, 150) for row in page]


def test_it_answers_as_the_file_does(live: Running, file: Reader) -> None:
    before = file.progress()
    remote = RemoteJournal(live.client)
    (batch,) = file.batches()
    assert remote.batches() == [batch] and remote.batch(batch.id) == batch and remote.batch("none") is None
    known = (remote.last_seq(), remote.last_event(), remote.horizon_ms())
    assert all(low <= now <= high for low, now, high in zip(before, known, file.progress(), strict=True))
    assert (remote.probes(), remote.placings()) == (file.probes(), file.placings())
    assert remote.stamps().segments == file.stamps().segments
    for t_ms in (0, batch.started_t_ms, batch.started_t_ms + 1_800_001, file.horizon_ms() + 1):
        assert remote.seq_at(t_ms) == file.seq_at(t_ms)
    span = (batch.started_t_ms, batch.started_t_ms + 3_600_000)
    assert remote.probes_between(*span) == file.probes_between(*span)
    assert remote.events(limit=10**6) == file.events(limit=remote.last_event())
    assert remote.events(3, batch.id, ("note", "step-done"), 1) == file.events(3, batch.id, ("note", "step-done"), 1)
    start = next(row for row in file.rows_after(0) if isinstance(row, InputRow))
    assert remote.input(start.seq) == start
    assert remote.input(next(row[0] for row in file.rows_after(0) if isinstance(row, tuple))) is None


@pytest.mark.parametrize("write", [write_curve, write_json_lines])
@pytest.mark.parametrize("style", [Style(), Style(fahrenheit=True, zone="America/Chicago")])
def test_an_export_is_the_same_to_the_letter(live: Running, file: Reader, write: Any, style: Style) -> None:
    """Up to the last moment, at which the daemon may still add what it works out aside: a forecast."""
    texts, end_ms = [], file.horizon_ms()
    for journal in (RemoteJournal(live.client), file):
        out = io.StringIO()
        span = batch_span(journal, batch_id(live))._replace(t1_ms=end_ms)
        done = write(journal, out, span, style)
        texts.append((done, out.getvalue()))
    assert texts[0] == texts[1]
    assert texts[0][1].count("\n") > 120


def test_a_rehearsal_over_the_api_gives_the_batch_its_own_events(live: Running) -> None:
    remote = RemoteJournal(live.client)
    batch = batch_id(live)
    again = rehearse_batch(remote, batch)
    assert list(again.events) == remote.events(batch=batch, limit=10**6)


def test_what_comes_later_is_left_out(live: Running) -> None:
    remote = RemoteJournal(live.client)
    before = (list(remote.rows_after(0)), remote.events(limit=10**6))
    live.act("batch.note", text="later")
    live.commit()
    assert (list(remote.rows_after(0)), remote.events(limit=10**6)) == before
    anew = RemoteJournal(live.client)
    later = anew.events(limit=10**6)[len(before[1]) :]
    # The daemon's own threads may have had something to tell meanwhile: a broker that is not there, a message's way.
    assert [event.what.text for event in later if event.kind == "note"] == ["later"]
    assert later[0].no == before[1][-1].no + 1 and anew.last_event() == later[-1].no


def test_a_reader_that_rests_between_two_parcels_holds_nothing(live: Running, file: Reader) -> None:
    """Commits go on, the log beside the journal can be folded in, and the rest comes afterwards."""
    parcels = RemoteJournal(live.client).rows_after(0)
    first = next(parcels)
    for _ in range(3):
        live.put("k/bed", 35.0)
        live.tick(60)
        live.commit()
    with closing(sqlite3.connect(file.path)) as other:
        (busy, *_) = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0, "nobody reads what would be folded in"
    found = [first, *parcels]
    assert found == list(file.rows_after(0))[: len(found)]
    assert len(found) > 240


def test_one_parcel_is_bounded_and_quick(live: Running) -> None:
    began_s = time.process_time()  # the daemon's work, in this process
    parcel = live.client.get("/v1/journal/rows")
    assert time.process_time() - began_s < 2.0
    assert len(parcel["readings"]) <= door.ROWS_MOST and len(parcel["inputs"]) <= door.ROWS_MOST // 10
    with pytest.raises(UsageError, match="a whole number from 1 to 2000"):
        live.client.get("/v1/journal/rows", limit=2_001)
    assert live.client.get("/v1/journal/span", **{"from": 5, "to": 4})["probes"] == []


def test_kinds_name_what_is_wanted(live: Running) -> None:
    acts = live.client.get("/v1/journal/rows", kinds="act")
    assert acts["readings"] == [] and {row[2] for row in acts["inputs"]} == {"act"}
    both = live.client.get("/v1/journal/rows", kinds="reading,act")
    assert both["readings"] and both["inputs"] == acts["inputs"]


def test_without_a_daemon_it_says_so(tmp_path: Path) -> None:
    with pytest.raises(NotRunningError):
        RemoteJournal(Client(tmp_path / "nobody.sock"))


def test_a_parcel_ends_where_one_of_its_halves_was_cut() -> None:
    readings: list[Any] = [(seq, 0, 1, 1.0, None, 0) for seq in (1, 2, 4, 5)]
    inputs = [input_row(3, 0, "act", {}), input_row(9, 0, "act", {})]
    assert parcel_of(readings, inputs, 30) == Parcel(readings, inputs, None)
    assert parcel_of(readings, inputs, 4) == Parcel(readings, inputs[:1], 6)
    assert parcel_of(readings, inputs[:1], 10) == Parcel(readings[:2], inputs[:1], 4)
