"""Backups of a live journal: whole, checked, three generations, and a failed one costs no earlier one."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.errors import JournalError
from kojimon.journal import backup as saving
from kojimon.journal.backup import backup
from kojimon.journal.files import open_or_recover
from kojimon.journal.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writer import Writer

MakeWriter = Callable[..., Writer]


def generations(journal: Path, folder: Path) -> list[Path]:
    """The copies there are, newest first."""
    return sorted(folder.glob(f"{journal.name}.[0-9]*"), key=lambda path: int(path.suffix[1:]))


def store(writer: Writer, seq: int) -> None:
    writer.submit(Chunk(readings=[(seq, seq, 1, 30.0, None, 0)], urgent=True))
    assert writer.flush(60)


def rows(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])


def test_the_newest_rows_are_in_it_and_three_generations_are_kept(
    path: Path, tmp_path: Path, make_writer: MakeWriter
) -> None:
    writer, folder = make_writer(), tmp_path / "stick" / "kojimon"
    for n in range(1, 6):
        store(writer, n)
        assert backup(path, folder) == folder / "kitchen.journal.1"
    found = generations(path, folder)
    assert [copy.name for copy in found] == ["kitchen.journal.1", "kitchen.journal.2", "kitchen.journal.3"]
    assert [rows(copy) for copy in found] == [5, 4, 3]
    assert sorted(item.name for item in folder.iterdir()) == [copy.name for copy in found], "nothing else is left"


def test_a_copy_is_a_journal(path: Path, tmp_path: Path, make_writer: MakeWriter) -> None:
    store(make_writer(), 1)
    copy = backup(path, tmp_path / "stick")
    opened = open_or_recover(copy)
    assert opened.trouble == "" and opened.set_aside is None
    with closing(Reader(copy)) as reader:
        assert list(reader.rows_after(0)) == [(1, 1, 1, 30.0, 0)]
    opened.lock.release()


def test_commits_during_the_copy_neither_hold_it_up_nor_get_torn(
    path: Path, tmp_path: Path, make_writer: MakeWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(saving, "PAGES_A_STEP", 1)
    writer = make_writer()
    writer.submit(Chunk(readings=[(n, n, 1, 30.0, None, 0) for n in range(1, 1000)], urgent=True))
    assert writer.flush(60)
    seq = [1000]

    def stopping() -> bool:
        store(writer, seq[0])
        seq[0] += 1
        return False

    copy = backup(path, tmp_path / "stick", stopping)
    assert seq[0] > 1005 and rows(copy) == 999, "one consistent view"


def test_stopped_half_way_leaves_the_earlier_one(path: Path, tmp_path: Path, make_writer: MakeWriter) -> None:
    store(make_writer(), 1)
    copy = backup(path, tmp_path / "stick")
    before = copy.read_bytes()
    with pytest.raises(JournalError, match="stopped half-way; the earlier ones are untouched"):
        backup(path, tmp_path / "stick", lambda: True)
    assert copy.read_bytes() == before and generations(path, tmp_path / "stick") == [copy]


def test_a_folder_that_cannot_be_used(path: Path, tmp_path: Path, make_writer: MakeWriter) -> None:
    store(make_writer(), 1)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(JournalError, match=r"no backup into .*file: .*File exists"):
        backup(path, tmp_path / "file")
    with pytest.raises(JournalError, match="is the journal's own; name another one"):
        backup(path, tmp_path)


def test_a_damaged_journal_does_not_replace_a_sound_copy(path: Path, tmp_path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    writer.submit(Chunk(readings=[(n, n, 1, 30.0, None, 0) for n in range(1, 5000)], urgent=True))
    assert writer.stop(5)
    copy = backup(path, tmp_path / "stick")
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.seek(path.stat().st_size - 4096)
        file.write(b"\xaa" * 4096)
    with pytest.raises(JournalError, match="no backup"):
        backup(path, tmp_path / "stick")
    assert generations(path, tmp_path / "stick") == [copy] and rows(copy) == 4999
