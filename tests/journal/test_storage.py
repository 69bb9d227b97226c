"""Storage that fails: what the person is told, what goes on in memory, what is on the disk afterwards."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.errors import JournalError
from kojimon.journal.files.beside import Ballast, Lock
from kojimon.journal.files.damage import open_or_recover, set_aside
from kojimon.journal.files.last import Last, file_of, keep, kept
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing import storage as storing
from kojimon.journal.writing import writer as writing
from kojimon.journal.writing.trouble import HUNG
from kojimon.journal.writing.writer import Writer
from tests.parts.card import mounted, need_root, new_card
from tests.parts.inputs import event_row, input_row
from tests.parts.wait import DEADLINE_S, until

MakeWriter = Callable[..., Writer]


def reading(seq: int) -> Chunk:
    return Chunk(readings=[(seq, seq * 10, 1, 30.0, None, 0)], horizon_ms=seq * 10, urgent=True)


def stored(path: Path) -> list[int]:
    with closing(Reader(path)) as reader:
        return [row[0] for row in reader.rows_after(0) if isinstance(row, tuple)]


@pytest.fixture(autouse=True)
def quick_retry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(storing, "RETRY_FIRST_S", 0.02)
    monkeypatch.setattr(storing, "RETRY_MOST_S", 0.05)
    monkeypatch.setattr(storing, "BALLAST_LOOK_S", 0.0)


def fill(path: Path, rows: int = 3000, clean: bool = True) -> None:
    """A journal with a batch, a snapshot at row 100 and a tail."""
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    writer.register_probes(["top", "air"])
    start = {"boot": 1, "boot_id": "a", "boot_ms": 0, "wall_ms": 1_780_000_000_000, "trusted": True}
    writer.submit(
        Chunk(inputs=[input_row(1, 0, "start", start), input_row(2, 0, "settings", {"hash": "h", "setup": {}})])
    )
    event = event_row(1, 5, "batch-start", "box", "b1", "", {"name": "March"})
    first = [(seq, seq * 10, 1, 30.0, None, 0) for seq in range(3, 101)]
    writer.submit(Chunk(readings=first, events=[event], horizon_ms=1000, snapshot=b"state at 100"))
    writer.submit(Chunk(readings=[(seq, seq * 10, 1, 30.0, None, 0) for seq in range(101, rows)], horizon_ms=rows * 10))
    assert writer.stop(10)
    opened.lock.release()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        if not clean:
            db.execute("UPDATE progress SET in_use = 1")
            db.commit()


# One daemon a journal.


def test_a_second_daemon_is_refused(path: Path) -> None:
    first = open_or_recover(path)
    with pytest.raises(
        JournalError, match=rf"kitchen\.journal is in use by process {os.getpid()}; stop that one first"
    ):
        open_or_recover(path)
    first.lock.release()
    second = open_or_recover(path)
    second.lock.release()


def test_a_symbolic_link_to_a_journal_is_the_same_journal(path: Path) -> None:
    """Two daemons on one file by two names would write over each other's rows."""
    link = path.with_name("elsewhere.journal")
    opened = open_or_recover(path)
    link.symlink_to(path)
    with pytest.raises(JournalError, match=f"in use by process {os.getpid()}"):
        open_or_recover(link)
    opened.lock.release()
    open_or_recover(link).lock.release()


def test_a_held_journal_names_the_setting_that_would_help(path: Path) -> None:
    lock = Lock(path)
    lock.take()
    with pytest.raises(JournalError, match=r"give this one another journal\.file"):
        Lock(path).take()
    lock.release()


def test_the_lock_of_a_dead_process_is_free(path: Path) -> None:
    lock = Lock(path)
    lock.path.write_text("99999\n")
    lock.take()
    assert lock.path.read_text() == f"{os.getpid()}\n"
    lock.release()


def test_a_newer_journal_is_refused_and_the_lock_let_go(path: Path) -> None:
    fill(path, 200)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    for _ in range(2):
        with pytest.raises(JournalError, match="journal has version 99"):
            open_or_recover(path)


# Damage.


def recovered(path: Path) -> None:
    """Whatever was damaged: it opens, it says so, it takes and keeps new rows."""
    opened = open_or_recover(path)
    assert opened.trouble == ""
    with closing(Reader(path)) as reader:
        seq = reader.last_seq()
    writer = Writer(path, ballast_mb=0)
    writer.start()
    numbers = writer.register_probes(["new", "top"])
    assert len(set(numbers.values())) == 2
    writer.submit(reading(seq + 1))
    assert writer.stop(10)
    opened.lock.release()
    assert stored(path)[-1] == seq + 1
    if opened.set_aside:
        assert opened.set_aside.name.startswith(("kitchen.journal.corrupt-", "kitchen.journal.empty-"))
        assert opened.set_aside.exists()


def test_after_an_orderly_stop_nothing_is_checked_or_set_aside(path: Path) -> None:
    fill(path, 200)
    opened = open_or_recover(path)
    assert (opened.unclean, opened.set_aside, opened.trouble) == (False, None, "")
    opened.lock.release()


def test_a_journal_that_says_it_got_to_a_far_year_is_damaged(path: Path) -> None:
    """The engine would run through all the years until then."""
    fill(path, 200)
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE progress SET horizon_ms = 1000 * 365 * 86400000")
        db.commit()
    opened = open_or_recover(path)
    opened.lock.release()
    with closing(Reader(path)) as reader:
        assert opened.set_aside is not None and reader.horizon_ms() < 86_400_000


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda path: os.truncate(path, path.stat().st_size // 2), id="truncated to half"),
        pytest.param(lambda path: path.write_bytes(b""), id="no bytes"),
        pytest.param(lambda path: path.write_bytes(os.urandom(50_000)), id="rubbish"),
        pytest.param(lambda path: path.write_bytes(b"\0" * 50_000), id="zeros"),
    ],
)
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(path: Path, damage: Callable[[Path], None]) -> None:
    fill(path, clean=False)
    damage(path)
    recovered(path)
    recovered(path)


def test_a_random_page_overwritten_anywhere(path: Path) -> None:
    fill(path, clean=False)
    sound = path.read_bytes()
    chance = random.Random(20)
    for page in range(len(sound) // 4096):
        for name in path.parent.iterdir():
            name.unlink()
        path.write_bytes(sound[: page * 4096] + chance.randbytes(4096) + sound[(page + 1) * 4096 :])
        recovered(path)


@pytest.mark.parametrize("part", [0.5, 1.0], ids=["in the middle", "the last"])
def test_what_can_be_read_of_a_damaged_journal_comes_along(path: Path, part: float) -> None:
    """A page of readings is gone: batch, snapshot, numbers, settings and the tail on both sides are carried over."""
    fill(path, clean=False)
    with closing(sqlite3.connect(path)) as db:
        if not db.execute("SELECT 1 FROM pragma_module_list WHERE name = 'dbstat'").fetchone():
            pytest.skip("this SQLite cannot say which page holds what (dbstat)")
        leaves = "SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf' ORDER BY pageno"
        pages = [row[0] for row in db.execute(leaves)]
    with path.open("r+b") as file:
        file.seek((pages[round(part * (len(pages) - 1))] - 1) * 4096)
        file.write(b"\xaa" * 4096)
    opened = open_or_recover(path)
    assert opened.set_aside is not None and opened.unclean
    opened.lock.release()
    with closing(Reader(path)) as reader:
        assert [row.id for row in reader.batches()] == ["b1"] and reader.events()[0].kind == "batch-start"
        assert reader.last_snapshot() == (100, 1000, b"state at 100")
        assert [row.name for row in reader.probes()] == ["top", "air"]
        assert reader.settings("h") is not None
        assert reader.stamps().utc_ms(0) == (1_780_000_000_000, True)
        assert reader.last_seq() == 2999, "numbers go on after the highest, none is given twice"
        tail = [row[0] for row in reader.rows_after(100)]  # type: ignore[index]
        assert tail[0] == 101 and 1500 < len(tail) < 2899, "all but a page"
        assert (tail[-1] == 2999) == (part < 1)
        assert reader.thinned()[0].reason == "corrupt"


def test_damage_found_while_running(path: Path, make_writer: MakeWriter) -> None:
    told: list[str] = []
    lost: list[tuple[str, str]] = []
    broken = [False]

    def step(name: str) -> None:
        if name == "rows-written" and broken[0]:
            broken[0] = False
            raise failure(sqlite3.SQLITE_CORRUPT, sqlite3.DatabaseError)

    def replaced(what: str, aside: Path | None) -> None:
        lost.append((what, aside.name if aside else ""))

    writer = make_writer(step=step, on_trouble=told.append, on_replaced=replaced)
    numbers = writer.register_probes(["top"])
    with closing(Reader(path)) as reader:
        writer.submit(Chunk(readings=reading(1).readings, horizon_ms=10, snapshot=b"s1", urgent=True))
        assert writer.flush(60) and reader.last_seq() == 1
        broken[0] = True
        writer.submit(reading(2))
        assert writer.flush(60)
        assert reader.last_seq() == 2, "a reader follows to the new file"
        assert reader.last_snapshot() == (1, 10, b"s1")
    assert not any(told), "not told as a trouble that is over after 0 s"
    assert writer.register_probes(["top"]) == numbers
    assert [what for what, _ in lost] == ["The journal was damaged"]
    assert path.with_name(lost[0][1]).exists() and lost[0][1].startswith("kitchen.journal.corrupt-20")


def test_what_is_kept_beside_the_journal_is_believed_whole_or_not_at_all(path: Path) -> None:
    last = Last(7, 3, 70, b"state at 7")
    keep(path, last)
    whole = file_of(path).read_bytes()
    assert kept(path) == last
    for at in range(len(whole)):
        for harmed in (whole[:at], whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]):
            file_of(path).write_bytes(harmed)
            assert kept(path) is None, at


def test_set_aside_takes_the_next_free_name(path: Path) -> None:
    for number in (1, 2):
        path.write_bytes(b"x")
        path.with_name(path.name + "-wal").write_bytes(b"w")
        for file in (path, path.with_name(path.name + "-wal")):
            os.utime(file, (1_790_000_000, 1_790_000_000))
        aside = set_aside(path)
        assert aside.name == f"kitchen.journal.corrupt-2026-09-21-{number}"
        assert aside.with_name(aside.name + "-wal").exists() and not path.exists()


# Input and output errors.


def failure(code: int, kind: type[sqlite3.Error] = sqlite3.OperationalError) -> sqlite3.Error:
    error = kind("told to fail")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize("point", ["before-begin", "rows-written", "before-commit", "after-commit"])
@pytest.mark.parametrize("times", [1, 5])
def test_io_errors_lose_nothing(path: Path, make_writer: MakeWriter, point: str, times: int) -> None:
    """The sync fails once, or for a while, perhaps after the commit got through: each row is there once."""
    told: list[str] = []
    acknowledged: list[int] = []
    left = [0]

    def step(name: str) -> None:
        if name == point and left[0]:
            left[0] -= 1
            raise failure(sqlite3.SQLITE_IOERR | (4 << 8))

    writer = make_writer(step=step, on_trouble=told.append, on_committed=lambda c: acknowledged.append(c.last_seq()))
    writer.submit(reading(1))
    assert writer.flush(60)
    left[0] = times
    for seq in (2, 3, 4):
        writer.submit(reading(seq))
    until(lambda: len(acknowledged) == 4, what="all acknowledged")
    assert stored(path) == acknowledged == [1, 2, 3, 4]
    assert next(text for text in told if text).startswith("The card cannot be written. Check it")
    until(lambda: told[-1] == "", what="told that it works again")
    assert len(told) == 2, "told once, not at each try"


def test_a_card_that_hangs_is_told_once_and_so_is_its_end(
    path: Path, make_writer: MakeWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "HUNG_S", 0.0)
    told: list[str] = []
    hangs, goes_on = threading.Event(), threading.Event()

    def step(name: str) -> None:
        if name == "before-commit" and not goes_on.is_set():
            hangs.set()
            assert goes_on.wait(DEADLINE_S)

    writer = make_writer(step=step, on_trouble=told.append)
    writer.submit(reading(1))
    assert hangs.wait(DEADLINE_S)
    told.clear()
    for seq in (2, 3):
        writer.submit(reading(seq))
    assert told == [HUNG] and writer.facts().trouble == HUNG
    monkeypatch.setattr(writing, "HUNG_S", 1e9)
    goes_on.set()
    assert writer.flush(60) and told == [HUNG, ""] and stored(path) == [1, 2, 3]


@pytest.mark.parametrize("late", [False, True])
def test_a_journal_closed_with_rows_left_is_not_marked_as_whole(
    path: Path, make_writer: MakeWriter, late: bool
) -> None:
    """The next start must know that the end of the record is missing."""
    stopped = threading.Event()

    def step(name: str) -> None:
        if name == "called-back":
            assert stopped.wait(DEADLINE_S)

    committed = threading.Event()
    writer = make_writer(step=step, on_committed=lambda _chunk: committed.set())
    writer.submit(reading(1))
    assert committed.wait(DEADLINE_S)
    if late:
        writer.submit(reading(2))
    assert not writer.stop(0.0), "its thread is still busy with the first"
    stopped.set()
    until(lambda: not writer.alive(), what="its end")
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT in_use FROM progress").fetchone() == (int(late),)


def test_the_last_commit_is_written_again_when_the_disk_forgot_it(path: Path, make_writer: MakeWriter) -> None:
    """After a failed sync the pages may be gone although the commit before was acknowledged."""
    broken = [False]

    def step(name: str) -> None:
        if name == "before-begin" and broken[0]:
            broken[0] = False
            with closing(sqlite3.connect(path, isolation_level=None)) as db:
                db.execute("BEGIN IMMEDIATE")
                db.execute("DELETE FROM reading WHERE seq = 2")
                db.execute("UPDATE progress SET commit_no = commit_no - 1")
                db.execute("COMMIT")
            raise failure(sqlite3.SQLITE_IOERR)

    writer = make_writer(step=step)
    for seq in (1, 2):
        writer.submit(reading(seq))
        assert writer.flush(60)
    broken[0] = True
    writer.submit(reading(3))
    assert writer.flush(60)
    assert stored(path) == [1, 2, 3]


def test_no_folder_at_start_then_it_comes(tmp_path: Path) -> None:
    """Where the folder should be lies a file: recording goes on in memory and is written once the folder is there."""
    folder = tmp_path / "state"
    folder.write_text("not a folder")
    path = folder / "kitchen.journal"
    opened = open_or_recover(path)
    assert opened.trouble.startswith("The card cannot be written")
    told: list[str] = []
    writer = Writer(path, ballast_mb=0, on_trouble=told.append)
    writer.start()
    assert writer.register_probes(["top", "air"]) == {"top": 1, "air": 2}
    with pytest.raises(JournalError, match="cannot be written now"):
        writer.run(lambda db: None)
    writer.submit(reading(1))
    assert told and "folder" in told[0]
    folder.unlink()
    folder.mkdir()
    assert writer.flush(60)
    assert stored(path) == [1] and told[-1] == ""
    with closing(Reader(path)) as reader:
        assert [(row.no, row.name) for row in reader.probes()] == [(1, "top"), (2, "air")]
    assert writer.stop(5)
    opened.lock.release()


def test_a_journal_that_comes_back_with_other_numbers_is_set_aside(tmp_path: Path) -> None:
    """Numbers were given in memory; the journal that appears later gives them otherwise: mixing them would lie."""
    folder, away = tmp_path / "state", tmp_path / "away"
    folder.mkdir()
    path = folder / "kitchen.journal"
    fill(path, 200)
    folder.rename(away)
    folder.write_text("not a folder")
    writer = Writer(path, ballast_mb=0)
    writer.start()
    assert writer.register_probes(["air", "top"]) == {"air": 1, "top": 2}
    writer.submit(reading(1))
    folder.unlink()
    away.rename(folder)
    assert writer.flush(60) and writer.stop(5)
    assert len(list(folder.glob("kitchen.journal.unread-20*"))) == 1
    with closing(Reader(path)) as reader:
        assert [(row.no, row.name) for row in reader.probes()] == [(1, "air"), (2, "top")]
    assert stored(path) == [1]


def test_another_program_holds_the_write_lock(
    path: Path, make_writer: MakeWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kojimon.journal.writing.store.BUSY_MS", 50)
    told: list[str] = []
    writer = make_writer(on_trouble=told.append)
    writer.submit(reading(1))
    assert writer.flush(60)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        writer.submit(reading(2))
        until(lambda: told, what="the person is told")
        assert told[0].startswith("Another program has locked the journal. Close it")
        other.execute("ROLLBACK")
    assert writer.flush(60) and stored(path) == [1, 2]
    until(lambda: told[-1] == "", what="told that it works again")


def test_full_by_a_page_limit_then_room_again(path: Path, make_writer: MakeWriter) -> None:
    told: list[str] = []
    writer = make_writer(on_trouble=told.append)
    writer.submit(reading(1))
    assert writer.flush(60)
    pages = writer.run(lambda db: db.execute("PRAGMA page_count").fetchone()[0])
    writer.run(lambda db: db.execute(f"PRAGMA max_page_count = {pages}").fetchone())
    rows = [(seq, seq, 1, 30.0, None, 0) for seq in range(2, 1000)]
    writer.submit(Chunk(readings=rows, urgent=True))
    until(lambda: told and told[-1] == "", what="full, then a new connection without the limit")
    assert told[0].startswith("The card is full. Free some space")
    assert writer.flush(60) and stored(path) == list(range(1, 1000))


# A really full disk.


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MB in memory; needs root."""
    folder = tmp_path / "card"
    folder.mkdir()
    need_root()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(f"no small file system: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_card(small_disk: Path) -> None:
    """The ballast goes first and recording goes on; then memory; with space again all is written, ballast is back."""
    path = small_disk / "kitchen.journal"
    told: list[str] = []
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0.5, on_trouble=told.append)
    writer.start()
    writer.submit(reading(1))
    assert writer.flush(60)
    ballast = path.with_name("kitchen.journal.ballast")
    until(ballast.exists, what="ballast")
    filler = small_disk / "other"
    with filler.open("wb") as file:
        space = os.statvfs(small_disk)
        os.posix_fallocate(file.fileno(), 0, space.f_bavail * space.f_frsize)
    sent = 1
    while not told:
        writer.submit(Chunk(readings=[(sent + n, sent + n, 1, 30.0, None, 0) for n in range(1, 501)], urgent=True))
        sent += 500
        writer.flush(0.3)
    assert told == [storing.NEARLY_FULL] and not ballast.exists()
    assert stored(path) == list(range(1, sent + 1)), "the ballast made room"
    while len(told) < 2:
        writer.submit(Chunk(readings=[(sent + n, sent + n, 1, 30.0, None, 0) for n in range(1, 501)], urgent=True))
        sent += 500
        writer.flush(0.3)
    assert told[1].startswith("The card is full")
    event = event_row(1, sent, "alarm", "", "", "limit/bed/temperature/high", {})
    writer.submit(Chunk(events=[event]))
    assert not writer.flush(0.2), "in memory"
    filler.unlink()
    assert writer.flush(60)
    assert stored(path) == list(range(1, sent + 1))
    with closing(Reader(path)) as reader:
        assert reader.events() == [event]
    until(ballast.exists, what="ballast again")
    assert told[-1] == ""
    assert writer.stop(5)
    opened.lock.release()


@pytest.mark.parametrize("clean", [True, False])
def test_a_card_that_is_read_only_at_start(small_disk: Path, clean: bool) -> None:
    """The past is read, numbers stay what they are, recording goes on in memory until the card can be written again."""
    path = small_disk / "kitchen.journal"
    fill(path, 500, clean=clean)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    opened = open_or_recover(path)
    assert opened.trouble.startswith("The card is read-only") and opened.unclean
    with pytest.raises(JournalError, match="in use by process"):
        open_or_recover(path)
    with closing(Reader(path)) as reader:
        assert reader.last_seq() == 499 and reader.last_snapshot() == (100, 1000, b"state at 100")
        told: list[str] = []
        writer = Writer(path, ballast_mb=0, on_trouble=told.append)
        writer.start()
        assert writer.register_probes(["air", "room"]) == {"air": 2, "room": 3}
        writer.submit(reading(500))
        assert not writer.flush(0.1) and told[0]
        subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
        assert writer.flush(60) and told[-1] == ""
        assert reader.last_seq() == 500, "the same reader sees what is written from now on"
        assert [(row.no, row.name) for row in reader.probes()] == [(1, "top"), (2, "air"), (3, "room")]
    assert writer.stop(5)
    opened.lock.release()


def test_a_damaged_journal_on_a_read_only_card_ends_no_start(small_disk: Path) -> None:
    path = small_disk / "kitchen.journal"
    fill(path, 500, clean=False)
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xaa" * 20_000)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    opened = open_or_recover(path)
    opened.lock.release()
    assert opened.trouble.startswith("The card is read-only") and opened.unclean


def test_a_card_whose_file_system_gives_up(tmp_path: Path) -> None:
    """ext4 meets an error and takes no more writes, though it says it is writable: memory, and nothing is lost."""
    with new_card(tmp_path, 32) as card:
        switch = Path("/sys/fs/ext4") / card.device_name / "trigger_fs_error"
        if not switch.exists():
            pytest.skip("this kernel cannot be told to fail")
        subprocess.run(["mount", "-o", "remount,errors=remount-ro", str(card.folder)], check=True)
        path = card.folder / "kitchen.journal"
        opened = open_or_recover(path)
        told: list[str] = []
        writer = Writer(path, ballast_mb=0, on_trouble=told.append)
        writer.start()
        writer.submit(reading(1))
        assert writer.flush(60)
        switch.write_text("a test\n")
        writer.submit(reading(2))
        assert not writer.flush(0.3)
        until(lambda: told and told[0], what="the person is told")
        assert told[0].startswith("The card is read-only"), "as the kernel has it, though it is mounted as writable"
        assert writer.facts().waiting_rows == 1
        assert not writer.stop(0.3), "not everything is on the disk, and it says so"
        opened.lock.release()
    with mounted(card.image, tmp_path / "after") as card:
        path = card.folder / "kitchen.journal"
        opened = open_or_recover(path)
        opened.lock.release()
        assert opened.trouble == "" and opened.unclean
        assert stored(path) == [1], "what was acknowledged is there"


def test_ballast_is_made_of_real_blocks_and_only_where_there_is_room(path: Path) -> None:
    ballast = Ballast(path, 1_000_000)
    assert ballast.make() and ballast.path.stat().st_blocks * 512 >= 1_000_000
    assert ballast.make() and ballast.give_up() and not ballast.path.exists()
    assert not ballast.give_up()
    assert not Ballast(path, 2**60).make(), "more than the disk has"
    assert Ballast(path, 0).make() and not ballast.path.exists(), "none wanted"


def test_a_lock_file_that_was_removed_lets_no_second_daemon_in(path: Path) -> None:
    opened = open_or_recover(path)
    opened.lock.path.unlink()
    with pytest.raises(JournalError, match="in use by another process"):
        open_or_recover(path)
    opened.lock.release()
    open_or_recover(path).lock.release()


def test_a_hard_link_to_a_journal_is_the_same_journal(path: Path) -> None:
    opened = open_or_recover(path)
    other = path.with_name("other.journal")
    os.link(path, other)
    with pytest.raises(JournalError, match="perhaps by another name of the file"):
        open_or_recover(other)
    opened.lock.release()


@pytest.mark.parametrize("make", ["folder", "pipe", "link"])
def test_what_lies_where_the_ballast_belongs_is_moved_and_not_written_through(path: Path, make: str) -> None:
    ballast, precious = Ballast(path, 100_000), path.with_name("precious")
    precious.write_text("precious")
    {"folder": Path.mkdir, "pipe": os.mkfifo, "link": lambda file: file.symlink_to(precious)}[make](ballast.path)
    assert ballast.make() and ballast.path.stat().st_size == 100_000 and not ballast.path.is_symlink()
    assert precious.read_text() == "precious"
