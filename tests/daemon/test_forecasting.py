"""The forecast beside a whole daemon: made each minute, kept small, told when its process dies, learnt from."""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.child import ChildError
from kojimon.clock import ManualClock, real_s
from kojimon.core.advance import advance
from kojimon.core.boot import restore
from kojimon.daemon.forecast_child import asked, forecast_child
from kojimon.daemon.forecasting import Forecasting
from kojimon.daemon.learning import prior_of
from kojimon.engine import initial_state
from kojimon.forecast.protocol import Ask, Start
from kojimon.model import Event, InputRow
from tests.daemon.running import WALL_MS, Running, broker_site, running
from tests.forecast import bedtruth
from tests.parts.inputs import says
from tests.parts.opened import reading
from tests.parts.wait import DEADLINE_S, until

WARM_H = 25


def part_of(one: Running) -> Forecasting:
    return next(part for part in one.daemon.parts if isinstance(part, Forecasting))


def minutes(one: Running, first: int, last: int) -> None:
    """The curve, one reading a minute of every probe, from minute to minute since inoculation."""
    for at in range(first, last):
        bed_c, air_c = float(bedtruth.one().bed_c[at]), float(bedtruth.one().air_c[at])
        values = {"bed": bed_c, "bed-2": bed_c - 0.4, "air": air_c, "air-humidity": 85.0, "room": 20.0}
        for name, value in values.items():
            one.put(f"k/{name}", value)
        one.tick(60)


def begin(one: Running) -> None:
    one.act("batch.start", name="b")
    one.put("k/bed", 31.0)
    one.tick(1)
    one.act("step.done", step="inoculate", value_c=31.0)
    minutes(one, 1, WARM_H * 60)


def forecast(one: Running) -> Any:
    return one.client.get("/v1/state")["incubators"][0]["forecast"]


def latest(one: Running) -> Any:
    """The forecast once the core has it: the counter goes up a moment before."""

    def come() -> Any:
        one.tick(1)
        found = forecast(one)
        return found if found and found["fresh"] else None

    return until(come, what="a fresh forecast is in the state")


def until_made(one: Running, count: int, minute: int) -> int:
    """Lets minutes pass until so many forecasts have been made. The minute it is then."""
    end_s = real_s() + 2 * DEADLINE_S
    while part_of(one).facts().made < count:
        assert real_s() < end_s, part_of(one).facts()
        minutes(one, minute, minute + 1)
        minute += 1
        before = part_of(one).facts().made
        for _ in range(30):
            if part_of(one).facts().made == before:
                part_of(one)._stopping.wait(0.1)
    one.tick(1)
    return minute


def forecasts(path: Path) -> list[InputRow]:
    rows = reading(path).rows_after(0)
    return [row for row in rows if isinstance(row, InputRow) and row.kind == "forecast"]


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, list[Any]]]:
    """A warm batch forecast, its process killed in the middle, harvested; the journal, and what was seen on the way."""
    folder, seen = tmp_path_factory.mktemp("forecast"), list[Any]()
    with running(broker_site(folder)) as one:
        begin(one)
        minute = until_made(one, 2, WARM_H * 60)
        seen.append(latest(one))
        pid = part_of(one).child.pid
        assert pid is not None
        seen.append(os.getpriority(os.PRIO_PROCESS, pid))
        os.kill(pid, signal.SIGKILL)
        made = part_of(one).facts().made
        minute = until_made(one, made + 2, minute)
        seen.append(part_of(one).facts())
        one.act("step.done", step="first-check")
        minute = until_made(one, part_of(one).facts().made + 2, minute)
        seen.append(latest(one))
        one.act("batch.harvest", yield_kg=2.0)
        until(lambda: memories(folder, one) == ["learnt"])
    yield folder / "kojimon.journal", seen


def memories(folder: Path, one: Running) -> list[str]:
    one.commit()
    events = reading(folder / "kojimon.journal").events(kinds=("forecast",), limit=1000)
    return [event.key for event in events if event.key in ("learnt", "forgotten")]


def test_a_warm_batch_is_forecast(watched: tuple[Path, list[Any]]) -> None:
    shown = watched[1][0]
    assert shown["known"] and shown["fresh"] and shown["age_s"] <= 600
    assert [one["limit_c"] for one in shown["limits"]] == [43.0, 45.0], "of the stage it will be in when it is hot"
    assert shown["done"]["harvest_until_hour"] == 50.0
    assert shown["calm_until_utc"] > shown["made_utc"]
    assert shown["harvest"]["closes_utc"]


def test_its_process_gives_way_to_the_watch(watched: tuple[Path, list[Any]]) -> None:
    assert watched[1][1] == 10


def test_a_killed_process_is_told_started_again_and_forecasts_come_again(watched: tuple[Path, list[Any]]) -> None:
    path, seen = watched
    events = reading(path).events(kinds=("alarm",), limit=1000)
    health = [event for event in events if event.key == "health/forecast"]
    assert [says(event)["event"] for event in health] == ["on", "off"]
    assert "signal 9" in says(health[0])["text"] and says(health[0])["priority"] == "tell"
    assert seen[2].starts == 2 and seen[2].failed == 1 and seen[2].trouble == ""


def test_after_work_it_is_made_anew(watched: tuple[Path, list[Any]]) -> None:
    assert watched[1][3]["fresh"]


def test_each_one_is_kept_and_small(watched: tuple[Path, list[Any]]) -> None:
    import msgspec

    rows = forecasts(watched[0])
    assert len(rows) >= 6
    assert max(len(msgspec.json.encode(row.what)) for row in rows) < 1600
    assert {row.what.batch for row in rows} == {reading(watched[0]).batches()[0].id}


def test_replay_needs_no_model_and_says_the_same(watched: tuple[Path, list[Any]]) -> None:
    reader = reading(watched[0])
    state, events = initial_state(), list[Event]()
    for page in reader.pages_after(0):
        last = page[-1]
        state, outcome = advance(state, page, last[1] if isinstance(last, tuple) else last.t_ms)
        events += outcome.events
    state, outcome = advance(state, [], reader.horizon_ms())
    events += outcome.events
    assert events == reader.events(limit=100_000)
    assert state == restore(reader)[0]


def test_a_harvested_batch_leaves_what_it_taught_for_the_next(watched: tuple[Path, list[Any]]) -> None:
    reader = reading(watched[0])
    left = prior_of(reader, "box", "rice-koji-home-trays")
    assert left is not None and left.batches == 1
    assert prior_of(reader, "box", "barley-koji") is None


def test_what_was_learnt_can_be_forgotten_and_stays_so(tmp_path: Path, watched: tuple[Path, list[Any]]) -> None:
    journal = tmp_path / "kojimon.journal"
    with closing(sqlite3.connect(watched[0])) as old, closing(sqlite3.connect(journal)) as new:
        old.backup(new)
    settings = broker_site(tmp_path)
    with running(settings, ManualClock(WALL_MS + 40 * 3_600_000)) as one:
        one.act("forecast.reset", schedule="rice-koji-home-trays")
        until(lambda: part_of(one)._open is not None)
        assert memories(tmp_path, one) == ["learnt", "forgotten"]
    assert prior_of(reading(journal), "box", "rice-koji-home-trays") is None


def test_a_daemon_that_starts_again_tells_the_batch_again(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    clock = ManualClock(WALL_MS)
    with running(settings, clock) as one:
        begin(one)
    with running(settings, clock) as one:
        until_made(one, 1, WARM_H * 60)
        assert forecast(one)["known"], "all that was read before the restart counts"


def test_without_a_batch_there_is_no_process(tmp_path: Path) -> None:
    with running(broker_site(tmp_path)) as one:
        until(lambda: part_of(one)._open is not None)
        assert part_of(one).facts().starts == 0


# --- the process ----------------------------------------------------------------------------------------------------

BABBLES = [sys.executable, "-c", "import sys; sys.stdin.readline(); print('hello', flush=True); sys.stdin.read()"]


def test_a_process_that_babbles_is_ended_and_said_in_words() -> None:
    child = forecast_child(command=BABBLES)
    with pytest.raises(ChildError, match="the forecast's process answered what is none"):
        asked(child, Ask("box", 0.0, (43.0,)))
    assert child.pid is None


def test_it_is_begun_again_after_its_end() -> None:
    child = forecast_child()
    try:
        assert asked(child, Start("box", 1)).error == ""
        assert child.pid is not None
        os.kill(child.pid, signal.SIGKILL)
        until(lambda: child.pid is None)
        with pytest.raises(ChildError, match="signal 9"):
            asked(child, Ask("box", 0.0, (43.0,)))
        assert "has been started here" in asked(child, Ask("box", 0.0, (43.0,))).error and child.lives == 2
    finally:
        child.end()


def test_without_its_library_the_watch_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kojimon.settings.installed.find_spec", lambda _: None)
    with running(broker_site(tmp_path)) as one:
        one.act("batch.start", name="b")
        one.put("k/bed", 31.0)
        one.tick(1)
        one.act("step.done", step="inoculate", value_c=31.0)
        minutes(one, 1, 10)
        assert "not installed" in part_of(one).facts().trouble and part_of(one).facts().starts == 0
        assert forecast(one) is None and one.client.get("/v1/state")["incubators"][0]["batch"]
        assert not [alarm for alarm in one.client.get("/v1/state")["alarms"] if alarm["key"] == "health/forecast"]
