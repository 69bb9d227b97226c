"""A record that this version cannot decode is counted and told; the start goes on, and so does what looks back."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from kojimon.clock import ManualClock
from kojimon.daemon.house import still
from kojimon.journal.reading.reader import Reader
from kojimon.review.counted import load_review
from kojimon.settings.plain import from_json
from kojimon.settings.spec import Settings
from tests.daemon.running import Running, running
from tests.golden import meaning
from tests.golden.record import START_MS

pytestmark = pytest.mark.slow
VERSION = meaning.GOLDEN / "0.1.0"
UNREAD = "of the journal cannot be read by this version of kojimon; it goes on without"
NO_SNAPSHOT = "UPDATE snapshot SET state = CAST('what another version wrote' AS BLOB)"
OLD = {
    "an input that is no JSON": ("UPDATE input SET payload = '{\"kind' WHERE kind = 'act' AND seq % 5 = 0", 4),
    "an input of another shape": ("UPDATE input SET payload = '[1]' WHERE kind = 'forecast'", 54),
    "an act without its fields": ("UPDATE input SET payload = '{\"what\": 1}' WHERE kind = 'start' AND seq > 1", 0),
    "settings of another shape": ("UPDATE settings SET body = '{\"setup\": {\"boxes\": 3}}'", 2),
    "settings that are no JSON": ("UPDATE settings SET body = '{'", 2),
    "an event that is no JSON": ("UPDATE event SET data = '{' WHERE kind IN ('calibration', 'alarm')", 0),
    "an event of another shape": ("UPDATE event SET data = '[]' WHERE kind = 'calibration'", 0),
}  # fmt: skip


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return meaning.unpacked(VERSION, tmp_path)


def spoil(journal: Path, *statements: str) -> int:
    """How many rows were changed by the last statement."""
    with closing(sqlite3.connect(journal)) as db, db:
        return [db.execute(statement).rowcount for statement in statements][-1]


def settings_of(journal: Path) -> Settings:
    text = (VERSION / "last-good.json").read_text()
    return from_json(text.replace("/tmp/kojimon-golden", str(journal.parent)).encode())


@contextmanager
def started(journal: Path) -> Iterator[Running]:
    with running(settings_of(journal), ManualClock(START_MS + 50 * 3_600_000, boot_id="later")) as one:
        one.tick(60)
        yield one


def test_a_journal_of_an_earlier_version_is_gone_on_with(journal: Path) -> None:
    with started(journal) as one:
        assert told(one) == []
        assert one.client.get("/v1/batches")["batches"][0]["outcome"] == "harvest"
        assert one.act("batch.start", name="next")["events"][0]["kind"] == "batch-start"


@pytest.mark.parametrize("what", OLD)
def test_what_cannot_be_decoded_is_counted_and_told(what: str, journal: Path) -> None:
    statement, unread = OLD[what]
    assert spoil(journal, NO_SNAPSHOT, statement) > 0
    with started(journal) as one:
        assert one.daemon.health().core.unread == unread
        assert told(one) == [f"{unread} old records {UNREAD}"] * bool(unread)
        assert one.act("batch.start", name="next")["events"][0]["kind"] == "batch-start"
    reader = Reader(journal)
    assert load_review(reader, reader.batches()[0].id).case.row.outcome == "harvest"
    reader.close()


def test_it_is_told_once(journal: Path) -> None:
    """The next start goes on from a state that this version has written."""
    assert spoil(journal, NO_SNAPSHOT, "UPDATE input SET payload = '' WHERE kind = 'forecast' AND seq % 7 = 0") > 1
    for again in (False, True):
        with started(journal) as one:
            assert (one.daemon.health().core.unread > 0) == (not again)
            assert len(told(one)) == 1
            alarms = {alarm["key"]: alarm["state"] for alarm in one.client.get("/v1/state")["alarms"]}
            assert alarms["health/journal"] == ("RTNUN" if again else "UNACK")
    assert still(settings_of(journal)).incubators[0].batch is None


def told(one: Running) -> list[str]:
    """What was ever said of the journal by day."""
    events = one.client.get("/v1/events", kinds="alarm")["events"]
    own = [event["data"] for event in events if event["key"] == "health/journal"]
    return [str(data["text"]) for data in own if data["event"] == "on"]
