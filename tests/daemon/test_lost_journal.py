"""A journal that is damaged, cut off, emptied, gone or not ours: it starts, the batch goes on, and somebody is told."""

from __future__ import annotations

import os
import random
import shutil
import socket
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.clock import ManualClock, real_s
from kojimon.contract.acts import PlainAct
from kojimon.core import loop
from kojimon.daemon.house import House
from kojimon.errors import JournalError
from kojimon.journal.files.beside import Lock
from kojimon.journal.reading.reader import Reader
from kojimon.journal.writing.outbox import load_outbox
from kojimon.model import Arrival
from kojimon.settings.spec import Settings
from kojimon.sockets import name_of
from tests.daemon.running import WALL_MS, broker_site
from tests.parts.inputs import says
from tests.parts.opened import reading
from tests.parts.size import size
from tests.parts.wait import DEADLINE_S, until

STORY = "/health/journal"
PAGE = 4096
START_S = 60.0
"""Longest start that is allowed."""


class Kitchen:
    """Journal and core of one box, time driven by the test."""

    def __init__(self, folder: Path, wall_ms: int = WALL_MS) -> None:
        folder.mkdir(exist_ok=True)
        self.clock = ManualClock(wall_ms)
        self.settings: Settings = broker_site(folder)
        self.house = House(self.settings, self.clock, driven=True)
        self.house.start()
        self.tick()

    def tick(self, seconds: float = 0.0) -> None:
        self.clock.advance(round(seconds * 1000))
        self.house.core.run_to_present(DEADLINE_S)

    def read(self, koji_c: float) -> None:
        for topic, value in (("k/bed", koji_c), ("k/bed-2", koji_c), ("k/air", 31.0), ("k/room", 20.0)):
            self.house.intake.put(Arrival("mqtt", self.clock.boot_ms(), topic, f"{value}".encode()))
        self.tick(10)

    def act(self, kind: str, **data: Any) -> None:
        done = threading.Event()

        def work() -> None:
            self.house.act(PlainAct(kind, "", "me", "cli", "", data))
            done.set()

        threading.Thread(target=work).start()
        until(lambda: self.tick() or done.wait(0.05), what=kind)

    def state(self) -> Any:
        return self.house.core.present().state

    def batch(self) -> str:
        """Name of the open batch, "" without one; its stage, its limits and its marks go with it."""
        found = self.state().batches.get("box")
        return "" if found is None else f"{found.name}, {len(self.marks())} done, {self.stage()}"

    def marks(self) -> list[Any]:
        return [mark for step in self.box().steps for mark in step.marks]

    def stage(self) -> str:
        stage = self.box().stage
        return stage.name if stage else "no stage"

    def box(self) -> Any:
        return self.house.state().incubators[0]

    def alarm(self) -> tuple[bool, str]:
        """Whether the alarm about the journal stands, and its priority."""
        record = self.state().alarms.get(STORY)
        return (False, "") if record is None or not record.active else (True, str(record.priority))

    def told(self) -> str:
        with closing(Reader(self.house.path)) as reader:
            texts = [str(says(event).get("text")) for event in reader.events(limit=10_000) if event.key == STORY[1:]]
        return texts[-1] if texts else ""

    def commit(self) -> None:
        assert self.house.writer.flush(DEADLINE_S)

    def close(self) -> bool:
        return self.house.close("test")


def in_batch(folder: Path, rounds: int = 60) -> Kitchen:
    """A batch with a step done, and readings after the last snapshot."""
    one = Kitchen(folder)
    one.read(31.0)
    one.act("batch.start", name="March")
    one.act("step.done", step="inoculate", value_c=31.0)
    for number in range(rounds):
        one.read(31 + min(number, 60) / 100)
    one.commit()
    return one


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small journal of an open batch."""
    return both_ends(tmp_path_factory.mktemp("sound"), 60)


@pytest.fixture(scope="module")
def two_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One of 48 h with four probes at ten seconds; of ten minutes where little is tried."""
    return both_ends(tmp_path_factory.mktemp("two-days"), size(60, 17_280))


def both_ends(folder: Path, rounds: int) -> Path:
    """Two folders with a journal of an open batch: killed, and marked as stopped in order though rows came after."""
    one = in_batch(folder / "run", rounds)
    shutil.copytree(folder / "run", folder / "killed", ignore=shutil.ignore_patterns("*-shm", "run", "*.lock"))
    assert one.close()
    shutil.copytree(folder / "killed", folder / "stopped")
    with closing(sqlite3.connect(folder / "stopped" / "kojimon.journal")) as db:
        db.execute("UPDATE progress SET in_use = 0")
        db.commit()
    with closing(sqlite3.connect(folder / "killed" / "kojimon.journal")) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("UPDATE progress SET in_use = 1")
        db.commit()
    (folder / "killed" / "kojimon.journal-wal").touch()  # a kill leaves one behind
    return folder


def starts(folder: Path, damaged: bytes | None = None) -> str:
    """Starts on what lies in a folder, and takes and keeps a reading. Returns what was told about the journal."""
    began_s, before = real_s(), set(folder.iterdir())
    one = Kitchen(folder, WALL_MS + 3_600_000)
    assert real_s() - began_s < START_S
    try:
        assert one.batch().startswith("March, 1 done, "), "the batch goes on, with its limits and steps"
        assert one.stage() != "no stage"
        one.read(45.6)
        for _ in range(40):
            one.read(45.6)
        assert one.state().alarms["box/limit/bed/temperature/high"].active, "it alarms"
        one.commit()
        told, standing = one.told(), one.alarm()[0]
        fresh = {*folder.iterdir()} - before
        asides = [path for path in fresh if ".corrupt-" in path.name and not path.name.endswith("-wal")]
        if asides:
            assert standing and told
            assert damaged is None or any(path.read_bytes() == damaged for path in asides), "the original is kept"
    finally:
        assert one.close()
    return told


def copy(sound: Path, which: str, folder: Path) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(sound / which, folder)
    return folder / "kojimon.journal"


@pytest.mark.parametrize("which", ["killed", "stopped"])
def test_each_page_damaged(sound: Path, tmp_path: Path, which: str) -> None:
    """Random bytes over one page after the other; the full run takes all of them, the usual one every third."""
    chance, whole = random.Random(14), (sound / which / "kojimon.journal").read_bytes()
    pages = range(0, len(whole) // PAGE, size(3, 1))
    for page in pages:
        path = copy(sound, which, tmp_path / "one")
        damaged = whole[: page * PAGE] + chance.randbytes(PAGE) + whole[(page + 1) * PAGE :]
        path.write_bytes(damaged)
        starts(path.parent, damaged)


def test_stretches_of_bytes_damaged(two_days: Path, tmp_path: Path) -> None:
    """From one byte to three pages, anywhere."""
    chance, whole = random.Random(15), (two_days / "killed" / "kojimon.journal").read_bytes()
    for _ in range(size(24, 500)):
        path = copy(two_days, chance.choice(["killed", "stopped"]), tmp_path / "one")
        length = round(2 ** chance.uniform(0, 13.6))
        at = chance.randrange(len(whole) - length)
        whole = path.read_bytes()
        damaged = whole[:at] + chance.randbytes(length) + whole[at + length :]
        path.write_bytes(damaged)
        starts(path.parent, damaged)


@pytest.mark.parametrize("left", [0, 1, 100, PAGE - 1, PAGE, 5 * PAGE, -PAGE, -1])
def test_cut_off(sound: Path, tmp_path: Path, left: int) -> None:
    path = copy(sound, "killed", tmp_path / "one")
    os.truncate(path, left if left >= 0 else path.stat().st_size + left)
    told = starts(path.parent)
    if left == -1:
        return  # SQLite reads a page that lacks its last byte; what matters is that it starts and goes on
    assert told.startswith(("The journal was damaged. The batch goes on", "The journal was empty. The batch goes on"))


def test_a_damaged_letter_costs_one_event_and_no_more(sound: Path, tmp_path: Path) -> None:
    """SQLite's check does not see it: the page, the outbox and every review would fail on it for ever."""
    path = copy(sound, "killed", tmp_path / "one")
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE event SET data = CAST(x'7b22ff3a' AS TEXT) WHERE kind = 'batch-start'")
        db.commit()
    path.with_name(f"{path.name}-wal").touch()
    starts(path.parent)
    events = reading(path).events(limit=1000)
    assert [event.kind for event in events].count("batch-start") == 0 and len(events) > 5
    assert load_outbox(path, 0).rows, "what is to be told can be read"


def test_gone_wakes_once_and_says_what_is_gone(sound: Path, tmp_path: Path) -> None:
    path = copy(sound, "killed", tmp_path / "one")
    path.unlink()
    one = Kitchen(path.parent, WALL_MS + 3_600_000)
    one.tick()
    assert one.alarm() == (True, "wake") and one.batch().startswith("March, 1 done")
    one.commit()
    assert one.told().startswith("The journal is gone. The batch goes on. A new one was begun; the readings before")
    one.act("alarm.acknowledge", key=STORY[1:])
    assert one.alarm() == (False, ""), "seen: nothing is left to be done about it"
    one.tick(3 * 3600)
    assert one.alarm() == (False, "")
    one.close()
    again = Kitchen(path.parent, WALL_MS + 20 * 3_600_000)
    assert again.alarm() == (False, "") and again.batch().startswith("March")
    again.close()


def test_a_lost_wal_is_told(tmp_path: Path) -> None:
    """What was committed since the last checkpoint is gone with it; SQLite opens the rest as if nothing had been."""
    one = in_batch(tmp_path / "run")
    lost = tmp_path / "lost"
    shutil.copytree(tmp_path / "run", lost, ignore=shutil.ignore_patterns("*-wal", "*-shm", "run", "*.lock"))
    one.close()
    told = starts(lost)
    assert told.startswith("The journal lacks its newest part. The batch goes on. What was measured")


def emptied(path: Path) -> None:
    os.truncate(path, 0)


def deleted(path: Path) -> None:
    for file in path.parent.glob(f"{path.name}*"):
        if not file.name.endswith(".lock"):
            file.unlink()


def replaced_by_rubbish(path: Path) -> None:
    path.unlink()
    path.write_bytes(bytes(range(256)) * 400)


def its_wal_emptied(path: Path) -> None:
    os.truncate(path.with_name(f"{path.name}-wal"), 0)


def its_wal_deleted(path: Path) -> None:
    path.with_name(f"{path.name}-wal").unlink()


@pytest.mark.parametrize("harm", [emptied, deleted, replaced_by_rubbish, its_wal_emptied, its_wal_deleted])
def test_lost_while_it_runs_the_batch_in_memory_goes_on(tmp_path: Path, harm: Callable[[Path], None]) -> None:
    one = in_batch(tmp_path / "run")
    before = one.batch()
    harm(one.house.path)
    one.read(33.0)
    until(lambda: one.tick() or one.house.writer.flush(0.2) or one.alarm()[0], what="told")
    one.tick()
    assert one.alarm()[0] and one.batch() == before
    for _ in range(3):
        one.read(33.5)
    one.commit()
    assert one.alarm()[0], "not told as over after 0 s"
    assert one.told().split(". ")[:2] in (
        ["The journal was empty", "The batch goes on"], ["The journal was deleted", "The batch goes on"],
        ["The journal lacks its newest part", "The batch goes on"],
    )  # fmt: skip
    told, copied = one.told(), tmp_path / "after"
    shutil.copytree(tmp_path / "run", copied, ignore=shutil.ignore_patterns("*-shm", "run", "*.lock"))
    one.close()
    starts(copied)
    assert (harm is its_wal_emptied) == told.startswith("The journal lacks"), "a deleted one can still be read whole"
    with closing(Reader(copied / "kojimon.journal")) as reader:
        assert [(row.name, row.ended_t_ms) for row in reader.batches()] == [("March", None)]
        assert reader.stamps().segments and len(reader.probes()) >= 4


def _database(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute(statement)
        db.execute("CREATE TABLE other (x)")
        db.commit()


def _newer(path: Path) -> None:
    one = Kitchen(path.parent)
    one.close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("PRAGMA user_version = 99")
    for file in path.parent.iterdir():
        if file.is_file() and file != path:
            file.unlink()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.write_text("the accounts of 2025\n"), "no journal of kojimon"),
        (lambda path: _database(path, "CREATE TABLE accounts (x)"), "another program"),
        (lambda path: _database(path, "PRAGMA application_id = 7"), "another program|no journal"),
        (_newer, "install the newer kojimon"),
        (os.mkfifo, "a pipe"),
    ],
    ids=["a text", "a database", "a database that is empty", "a newer journal", "a pipe"],
)
def test_what_is_not_ours_is_refused_and_not_touched(
    tmp_path: Path, make: Callable[[Path], object], words: str
) -> None:
    path = Path(broker_site(tmp_path).journal.path)
    make(path)
    before, names = path.is_file() and path.read_bytes(), sorted(file.name for file in tmp_path.iterdir())
    for _ in range(2):
        with pytest.raises(JournalError, match=words):
            Kitchen(tmp_path)
    assert (path.is_file() and path.read_bytes()) == before
    assert sorted(file.name for file in tmp_path.iterdir()) == names


def test_an_orderly_stop_leaves_one_file_for_the_household_alone(tmp_path: Path) -> None:
    one = in_batch(tmp_path / "run")
    assert one.close()
    found = {file.name: file.stat().st_mode & 0o777 for file in (tmp_path / "run").iterdir() if file.is_file()}
    assert not [name for name in found if name.endswith(("-wal", "-shm"))]
    assert found["kojimon.journal"] == 0o600 and found["kojimon.journal.last"] == 0o600


def test_a_journal_of_an_earlier_version_is_made_private(tmp_path: Path) -> None:
    one = in_batch(tmp_path / "run", rounds=1)
    one.close()
    path = tmp_path / "run" / "kojimon.journal"
    path.chmod(0o644)
    again = Kitchen(tmp_path / "run", WALL_MS + 60_000)
    assert path.stat().st_mode & 0o777 == 0o600
    again.close()


def unreadable_settings_and_snapshot(path: Path) -> None:
    """Random bytes over the pages of both, as from a card that mixed up its blocks."""
    with closing(sqlite3.connect(path)) as db:
        names = ("settings", "snapshot")
        roots = [row[0] for row in db.execute("SELECT rootpage FROM sqlite_master WHERE name IN (?, ?)", names)]
    with path.open("r+b") as file:
        for root in roots:
            file.seek((root - 1) * PAGE)
            file.write(random.Random(root).randbytes(PAGE))


def reserved_space(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(20)
        file.write(b"\x40")


def alter(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        for statement in statements:
            db.execute(statement)
        db.commit()


def snapshot_of_the_future(path: Path) -> None:
    """Of before the batch began; no row comes after it."""
    oldest = "(SELECT state FROM snapshot ORDER BY seq LIMIT 1)"
    alter(path, f"UPDATE snapshot SET seq = seq + 1000000, state = {oldest}")


def rows_that_say_nothing(path: Path) -> None:
    alter(path, "UPDATE input SET payload = '{'", "UPDATE event SET data = 'x'", "DELETE FROM snapshot")


@pytest.mark.parametrize(
    "harm", [unreadable_settings_and_snapshot, reserved_space, snapshot_of_the_future, rows_that_say_nothing]
)
def test_a_batch_that_damage_took_comes_from_beside_and_wakes(
    sound: Path, tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    """It is replayed all the same and has no batch; the screen must not say that it goes on while it does not."""
    path = copy(sound, "killed", tmp_path / "one")
    harm(path)
    kept = path.with_name(f"{path.name}.last")
    before = kept.read_bytes()
    one = Kitchen(path.parent, WALL_MS + 3_600_000)
    try:
        one.tick()
        assert one.batch().startswith("March, 1 done, ") and one.alarm() == (True, "wake")
        one.commit()
        assert "The batch goes on" in one.told()
        assert kept.read_bytes() != before
    finally:
        one.close()
    starts(path.parent)


def test_a_batch_that_a_person_ended_stays_ended(sound: Path, tmp_path: Path) -> None:
    """The file beside the journal is written after the commit: a kill between them leaves it behind."""
    path = copy(sound, "killed", tmp_path / "one")
    kept = path.with_name(f"{path.name}.last")
    before = kept.read_bytes()
    one = Kitchen(path.parent, WALL_MS + 60_000)
    one.act("batch.discard", reason="a test")
    one.commit()
    one.close()
    kept.write_bytes(before)
    again = Kitchen(path.parent, WALL_MS + 120_000)
    assert (again.batch(), again.alarm()) == ("", (False, ""))
    again.close()


def another_format(path: Path) -> None:
    """SQLite answers "unsupported file format" and no code of damage."""
    with path.open("r+b") as file:
        file.seek(44)
        file.write(b"\0\0\0\x09")


def neighbour(suffix: str, make: Callable[[Path], object]) -> Callable[[Path], None]:
    def harm(path: Path) -> None:
        file = path.with_name(path.name + suffix)
        file.unlink(missing_ok=True)
        make(file)

    return harm


def a_socket(file: Path) -> None:
    with socket.socket(socket.AF_UNIX) as door, name_of(file) as name:
        door.bind(name)


def a_link(file: Path) -> None:
    target = file.with_name("precious")
    target.write_text("precious")
    file.symlink_to(target)


def no_progress(path: Path) -> None:
    alter(path, "DELETE FROM progress")


def a_horizon_in_285_years(path: Path) -> None:
    alter(path, "UPDATE progress SET last_seq = 1, last_event = 0, horizon_ms = 9000000000000")


def a_loop(path: Path) -> None:
    path.unlink()
    path.symlink_to(path)


@pytest.mark.parametrize(
    "harm",
    [
        another_format, no_progress, a_horizon_in_285_years, a_loop,
        *(neighbour(suffix, make) for suffix in ("-wal", "-shm", ".lock") for make in (Path.mkdir, a_link, a_socket)),
        neighbour(".lock", os.mkfifo),
    ],
)  # fmt: skip
def test_a_journal_that_cannot_be_opened_ends_no_batch(
    sound: Path, tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    path = copy(sound, "killed", tmp_path / "one")
    harm(path)
    one = Kitchen(path.parent, WALL_MS + 3_600_000)
    try:
        one.tick()
        assert one.batch().startswith("March, 1 done, ")
        one.read(45.6)
        for _ in range(40):
            one.read(45.6)
        assert one.state().alarms["box/limit/bed/temperature/high"].active, "it alarms"
    finally:
        one.close()
    precious = path.with_name("precious")
    assert not precious.exists() or precious.read_text() == "precious"


def test_a_journal_that_lost_how_far_it_got_is_called_damaged_to_who_reads_it(sound: Path, tmp_path: Path) -> None:
    """The command that starts the daemon reads its last event first, and must not end there."""
    path = copy(sound, "killed", tmp_path / "one")
    no_progress(path)
    with closing(Reader(path)) as reader, pytest.raises(JournalError, match="how far it had got is not in it"):
        reader.last_event()


def test_it_goes_on_from_memory_and_the_journal_that_comes_back_is_kept(sound: Path, tmp_path: Path) -> None:
    """Rows numbered in memory must not lie over those of the journal that nobody had read."""
    path = copy(sound, "killed", tmp_path / "one")
    whole = path.read_bytes()
    path.unlink()
    path.symlink_to(path)
    one = Kitchen(path.parent, WALL_MS + 3_600_000)
    try:
        one.tick()
        assert one.alarm() == (True, "wake") and one.batch().startswith("March, 1 done, ")
        for _ in range(5):
            one.read(33.0)
        assert not one.house.writer.flush(0.2)
        path.unlink()
        path.write_bytes(whole)
        until(lambda: one.tick() or one.house.writer.flush(0.2), what="written")
        one.tick()
        assert one.alarm() == (True, "wake") and one.batch().startswith("March, 1 done, ")
    finally:
        assert one.close()
    (aside,) = path.parent.glob("*.unread-*-1")
    with closing(sqlite3.connect(aside)) as db:
        rows = db.execute("SELECT count(*) FROM reading").fetchone()[0]
    assert rows > 200
    starts(path.parent)


def a_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def of_another_program(path: Path) -> None:
    path.unlink()
    _database(path, "CREATE TABLE accounts (x)")


@pytest.mark.parametrize("harm", [a_pipe, of_another_program])
def test_what_may_not_be_touched_is_watched_past_where_a_batch_was_open(
    sound: Path, tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    """A refusal would reach nobody at night: it goes on from memory, and recovers when the file is moved away."""
    path = copy(sound, "killed", tmp_path / "one")
    harm(path)
    before = path.read_bytes() if path.is_file() else b""
    one = Kitchen(path.parent, WALL_MS + 3_600_000)
    try:
        one.tick()
        assert one.batch().startswith("March, 1 done, ") and one.alarm() == (True, "wake")
        until(lambda: one.house.writer.facts().trouble, what="told")
        assert one.house.writer.facts().trouble.startswith("Another file lies where the journal should. Move it away")
        one.read(33.0)
        assert before == (path.read_bytes() if path.is_file() else b"")
        path.rename(path.with_name("moved"))
        until(lambda: one.tick() or one.house.writer.flush(0.2), what="written")
    finally:
        one.close()
    starts(path.parent)


@pytest.mark.parametrize("make", [os.mkfifo, Path.mkdir, a_link])
def test_an_odd_file_beside_a_sound_journal_holds_up_nothing(
    sound: Path, tmp_path: Path, make: Callable[[Path], object]
) -> None:
    path = copy(sound, "killed", tmp_path / "one")
    neighbour(".last", make)(path)
    starts(path.parent)


def test_storage_that_fails_wakes_where_a_batch_may_be_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing could be read and nothing lies beside it: that no batch is known does not say that none is open."""
    monkeypatch.setattr(loop, "STUCK_S", 0.0)
    path = Path(broker_site(tmp_path).journal.path)
    path.symlink_to(path)
    one = Kitchen(tmp_path)
    try:
        until(lambda: one.tick() or "/health/disk" in one.state().alarms, what="told")
        until(lambda: one.tick() or str(one.state().alarms["/health/disk"].priority) == "wake", what="woken")
        assert not one.state().batches
    finally:
        one.close()


def test_a_wal_that_another_program_moved_into_the_file_is_no_loss(tmp_path: Path) -> None:
    one = in_batch(tmp_path / "run", rounds=5)
    try:
        with closing(sqlite3.connect(one.house.path)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        assert one.house.path.with_name(f"{one.house.path.name}-wal").stat().st_size == 0
        for _ in range(3):
            one.read(33.0)
            one.commit()
        assert one.alarm() == (False, "") and not list(one.house.path.parent.glob("*.corrupt-*"))
    finally:
        assert one.close()


def test_a_folder_that_was_deleted_and_made_again_gets_the_batch_and_a_lock(tmp_path: Path) -> None:
    one = in_batch(tmp_path / "run")
    try:
        shutil.rmtree(tmp_path / "run")
        one.read(33.0)
        assert not one.house.writer.flush(0.2)
        (tmp_path / "run").mkdir()
        until(lambda: one.tick() or one.house.writer.flush(0.2), what="written")
        one.tick()
        one.commit()
        assert [(row.name, row.ended_t_ms) for row in reading(one.house.path).batches()] == [("March", None)]
        assert one.told().startswith("The journal is gone. The batch goes on") and one.alarm() == (True, "wake")
        with pytest.raises(JournalError, match=f"in use by process {os.getpid()}"):
            Lock(one.house.path).take()
    finally:
        assert one.close()
    starts(tmp_path / "run")
