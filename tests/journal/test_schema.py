"""The schema: replayed migrations give the present one, units stand in it, foreign and newer files are refused."""

from __future__ import annotations

import re
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.errors import JournalError
from kojimon.journal import schema
from kojimon.journal.writing.store import connect
from kojimon.model import Quality


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        yield connection


def shape(db: sqlite3.Connection) -> set[tuple[str, str, str]]:
    return set(db.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall())


def test_replayed_migrations_give_the_present_schema(db: sqlite3.Connection) -> None:
    schema.migrate(db)
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as present:
        for statement in (*schema.TABLES, *schema.VIEWS):
            present.execute(statement)
        assert shape(db) == shape(present)
    assert schema.version_of(db) == schema.VERSION == len(schema.MIGRATIONS)


def test_migrating_twice_changes_nothing(db: sqlite3.Connection) -> None:
    assert schema.migrate(db) == 0
    before = shape(db)
    assert schema.migrate(db) == schema.VERSION
    assert shape(db) == before


def test_each_migration_is_one_transaction_with_its_number(db: sqlite3.Connection) -> None:
    def good(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE added (x)")

    def bad(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE half (x)")
        raise sqlite3.OperationalError("power went")

    with pytest.raises(sqlite3.OperationalError, match="power went"):
        schema.migrate(db, (*schema.MIGRATIONS, good, bad))
    names = {name for _, name, _ in shape(db)}
    assert "added" in names and "half" not in names
    assert schema.version_of(db) == schema.VERSION + 1
    assert schema.migrate(db, (*schema.MIGRATIONS, good, lambda _: None)) == schema.VERSION + 1
    assert schema.version_of(db) == schema.VERSION + 2


def test_a_newer_journal_is_refused_and_left_alone(db: sqlite3.Connection) -> None:
    schema.migrate(db)
    db.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    before = shape(db)
    with pytest.raises(JournalError, match=r"version \d+, this kojimon knows up to \d+; install the newer"):
        schema.migrate(db)
    assert shape(db) == before


def test_a_database_of_another_program_is_refused(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE recipes (title)")
    with pytest.raises(JournalError, match="another program"):
        schema.migrate(db)


def test_every_table_says_what_it_is_and_every_time_its_unit(db: sqlite3.Connection) -> None:
    schema.migrate(db)
    for kind, name, sql in shape(db):
        if kind in ("table", "view"):
            assert re.search(r"\n  -- [A-Z].*\.", sql), f"{name} has no sentence that says what it is"
        for line in sql.splitlines():
            if kind == "table" and re.match(r"  \w+_ms INTEGER", line):
                assert "ms" in line.partition("--")[2], f"{name}: {line.strip()}"


def test_settings_of_the_write_connection(path: Path) -> None:
    with closing(connect(path)) as connection:
        ask = {pragma: connection.execute(f"PRAGMA {pragma}").fetchone()[0] for pragma in (
            "journal_mode", "synchronous", "application_id", "user_version", "mmap_size",
        )}  # fmt: skip
    assert ask == {
        "journal_mode": "wal", "synchronous": 2, "application_id": schema.APPLICATION_ID,
        "user_version": schema.VERSION, "mmap_size": 0,
    }  # fmt: skip


@pytest.mark.parametrize(("service", "mode"), [("", 0o600), ("/var/lib/kojimon", 0o640)])
def test_nobody_else_on_the_computer_reads_the_journal(
    path: Path, service: str, mode: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The group of the service may, so that its members can make a backup; where there is no service nobody."""
    monkeypatch.setenv("STATE_DIRECTORY", service)
    connect(path).close()
    assert stat.S_IMODE(path.stat().st_mode) == mode


def test_verdicts_are_named_and_new_ones_are_added(db: sqlite3.Connection) -> None:
    schema.migrate(db)
    db.execute("DELETE FROM quality WHERE no > 3")
    schema.name_qualities(db)
    names = dict(db.execute("SELECT no, name FROM quality").fetchall())
    assert len(names) == len(Quality)
    assert names[Quality.OUT_OF_KOJI] == "out-of-koji" and names[Quality.GOOD] == "good"
