"""Backups of a live journal: whole, checked, three generations, and a failed one costs no earlier one."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.errors import JournalError
from kojimon.journal.files import backup as saving
from kojimon.journal.files.backup import backup, check, photos_of, restore
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from tests.parts.inputs import event_row

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


def noted(path: Path, *photos: str) -> None:
    """A journal with a batch whose notes name photos, some of which are there."""
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    events = [event_row(1, 5, "batch-start", "box", "b1", "", {"name": "March"})]
    events += [event_row(no, no, "note", "box", "b1", "", {"photo": name}) for no, name in enumerate(photos, start=2)]
    writer.submit(Chunk(readings=[(1, 5, 1, 30.0, None, 0)], events=events, horizon_ms=9))
    assert writer.stop(5)
    opened.lock.release()
    photos_of(path).mkdir(exist_ok=True)


def test_photos_come_along_once_and_back(path: Path, tmp_path: Path) -> None:
    noted(path, "a.jpg", "b.jpg")
    stick = tmp_path / "stick"
    (photos_of(path) / "a.jpg").write_bytes(b"first")
    backup(path, stick)
    (photos_of(path) / "b.jpg").write_bytes(b"second")
    copy = backup(path, stick)
    assert sorted(photo.name for photo in photos_of(stick / path.name).iterdir()) == ["a.jpg", "b.jpg"]
    assert check(copy) == (1, 1, 2, ()) == check(path)
    elsewhere = tmp_path / "new-card" / path.name
    assert restore(stick, elsewhere) is None
    assert check(elsewhere) == (1, 1, 2, ())
    assert (photos_of(elsewhere) / "b.jpg").read_bytes() == b"second"
    with closing(Reader(elsewhere)) as reader:
        assert [row.name for row in reader.batches()] == ["March"]


def test_what_was_there_is_set_aside_with_what_hung_on_it(path: Path, tmp_path: Path) -> None:
    noted(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE progress SET in_use = 1")
        db.commit()
    copy = backup(path, tmp_path / "stick")
    later = path.with_name(f"{path.name}.last")
    later.write_bytes(b"of a batch that came after")
    with closing(sqlite3.connect(path)) as db:
        db.execute("DELETE FROM reading")
        db.commit()
    aside = restore(copy, path)
    assert aside is not None and aside.name.startswith("kitchen.journal.before-restore-20")
    assert (rows(path), rows(aside)) == (1, 0)
    assert not later.exists() and aside.with_name(f"{aside.name}.last").exists()
    opened = open_or_recover(path)
    assert (opened.story, opened.set_aside, opened.unclean) == ("", None, False)
    opened.lock.release()


def test_a_damaged_copy_or_a_journal_in_use_changes_nothing(path: Path, tmp_path: Path) -> None:
    noted(path)
    copy = backup(path, tmp_path / "stick")
    before = path.read_bytes()
    opened = open_or_recover(path)
    with pytest.raises(JournalError, match="in use by process"):
        restore(copy, path)
    opened.lock.release()
    content = copy.read_bytes()
    copy.write_bytes(content[:4096] + b"\xaa" * 4096 * 3 + content[4 * 4096 :])
    with pytest.raises(JournalError, match="is damaged"):
        restore(copy, path)
    with pytest.raises(JournalError, match="is damaged"):
        check(copy)
    with pytest.raises(JournalError, match="there is no journal"):
        restore(tmp_path / "nowhere", path)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM reading").fetchone() == (1,)
    assert len(path.read_bytes()) == len(before) and not list(tmp_path.glob("*restor*"))


def test_a_photo_that_is_named_and_not_there_is_said(path: Path) -> None:
    noted(path, "a.jpg")
    assert check(path).photos_missing == ("a.jpg",)


def test_copies_are_for_the_household_alone(path: Path, tmp_path: Path) -> None:
    noted(path, "a.jpg")
    (photos_of(path) / "a.jpg").write_bytes(b"first")
    copy = backup(path, tmp_path / "stick")
    photo = photos_of(tmp_path / "stick" / path.name) / "a.jpg"
    assert {file.stat().st_mode & 0o777 for file in (copy, photo)} == {0o600}


def test_a_pipe_at_the_journals_path_holds_up_no_backup(path: Path, tmp_path: Path) -> None:
    """The duty's thread would wait in it for ever."""
    os.mkfifo(path)
    with pytest.raises(JournalError, match="is a folder, a pipe or a device"):
        backup(path, tmp_path / "copies")
