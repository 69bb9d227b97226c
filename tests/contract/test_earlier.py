"""What an earlier version called a task is read as a step, and nothing else is touched."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.contract import earlier
from kojimon.contract.acts import Act, StepDone
from kojimon.contract.inputs import Settings
from kojimon.engine.setup import from_json
from kojimon.errors import JournalError
from kojimon.journal import schema
from kojimon.journal.reading.curve_file import read_curve
from kojimon.journal.reading.reader import Reader
from tests.golden.meaning import GOLDEN, unpacked


@pytest.mark.parametrize(
    "was, now",
    [
        ("task.done", "step.done"), ("task-undone", "step-undone"), ("task/first-check", "step/first-check"),
        ("box/task/mix", "box/step/mix"), ("again/box/task/mix", "again/box/step/mix"),
        ("alarm.bump", "alarm.probe_test"), ("bump-missed", "probe-test-missed"), ("bump/12", "probe-test/12"),
        ("window-open", "step-open"), ("window-closed", "step-missed"), ("window-dressing", "window-dressing"),
        ("task", "task"), ("bump/the table", "bump/the table"), ("a task/b c/d", "a task/b c/d"),
        ("limit/bed/temperature/high",) * 2, ("my-task.done",) * 2,
    ],
)  # fmt: skip
def test_kinds_and_keys(was: str, now: str) -> None:
    assert earlier.word(was) == now and earlier.word(now) == now


def test_a_field_is_told_from_a_name_that_somebody_chose() -> None:
    was = {"kind": "task.done", "data": {"task": "mix"}, "tasks": [{"name": "task", "after": {"task": "task"}}]}
    now = {"kind": "step.done", "data": {"step": "mix"}, "steps": [{"name": "task", "after": {"step": "task"}}]}
    assert earlier.plain(was) == now == earlier.plain(now)
    was = {"due": {"bump/7": 5}, "bumps": {7: {"until_ms": 5}}, "data": {"bump": "koji-top"}}
    now = {"due": {"probe-test/7": 5}, "probe_tests": {7: {"until_ms": 5}}, "data": {"probe_test": "koji-top"}}
    assert earlier.plain(was) == now == earlier.plain(now)
    chosen = {"conditions": {"task": {"place": "bed"}, "tasks": {"place": "air"}}, "back": {"task": 17}, "text": "task"}
    assert earlier.plain(chosen) == chosen


def test_an_earlier_journal_is_asked_and_answers_by_todays_names(tmp_path: Path) -> None:
    reader = Reader(unpacked(GOLDEN / "0.1.0", tmp_path))
    try:
        done = reader.events(kinds=("step-done",))
        acts = [row.what for row in reader.inputs("act", 0, 2**62)]
        settings = next(reader.inputs("settings", 0, 2**62)).what
    finally:
        reader.close()
    assert {event.kind for event in done} == {"step-done"} and "mix" in {event.key for event in done}
    deeds = [act.deed for act in acts if isinstance(act, Act)]
    assert {deed.kind for deed in deeds} >= {"step.done", "step.undo", "step.correct"}
    assert "inoculate" in {deed.step for deed in deeds if isinstance(deed, StepDone)}
    assert isinstance(settings, Settings)
    (schedule,) = from_json(settings.setup).schedules.values()
    assert schedule.steps[0].name == "wash"


def test_an_earlier_journal_is_brought_forward_and_refused_by_the_version_that_wrote_it(tmp_path: Path) -> None:
    with closing(sqlite3.connect(unpacked(GOLDEN / "0.1.0", tmp_path), isolation_level=None)) as db:
        assert schema.version_of(db) == 1
        before = db.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()
        assert schema.migrate(db) == 1 and schema.version_of(db) == schema.VERSION > 1
        assert db.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall() == before
        with pytest.raises(JournalError, match="this kojimon knows up to 1; install the newer kojimon again"):
            schema.migrate(db, schema.MIGRATIONS[:1])


def test_an_earlier_curve_file_has_its_steps(tmp_path: Path) -> None:
    path = tmp_path / "curve.csv"
    path.write_text("hour,bed.temperature_c,task\n0,31.5,inoculate\n1,31.6,\n")
    assert [row.step for row in read_curve(path).rows] == ["inoculate", ""]
