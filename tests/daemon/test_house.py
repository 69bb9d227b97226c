"""Journal and core without sources and doors: acts without a daemon, looking without writing, failing storage."""

import json
from pathlib import Path

import pytest

from kojimon.clock import ManualClock
from kojimon.contract.acts import PlainAct
from kojimon.daemon import acting, still
from kojimon.daemon.house import House
from kojimon.daemon.lastgood import batch_open, keep, kept
from kojimon.engine.setup import from_json
from kojimon.errors import JournalError, RefusedError
from kojimon.settings.spec import JournalSettings, Settings, Staleness
from kojimon.wiring import engine_setup
from tests.daemon.running import WALL_MS, broker_site, running
from tests.parts.opened import reading


def act(kind: str, **data: object) -> PlainAct:
    return PlainAct(kind, "", "me", "cli", "", dict(data))


def test_an_act_without_a_daemon_takes_the_same_way(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    with acting(settings) as house:
        answer = house.act(act("batch.start", name="first"))
        assert answer.recorded and answer.events[0].kind == "batch-start"
        with pytest.raises(RefusedError, match="is open"):
            house.act(act("batch.start", name="second"))
    events = [event.kind for event in reading(Path(settings.journal.path)).events(limit=100)]
    assert events[0] == "start" and events[-1] == "stop"
    assert still(settings).incubators[0].batch.name == "first"
    assert batch_open(Path(settings.journal.path))
    with running(settings) as one:
        assert one.client.get("/v1/state")["incubators"][0]["batch"]["name"] == "first"


def test_looking_writes_nothing(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    with acting(settings) as house:
        house.act(act("batch.start", name="first"))
    path = Path(settings.journal.path)
    before = (reading(path).last_seq(), reading(path).horizon_ms(), path.read_bytes())
    state = still(settings)
    assert state.now.utc and state.now.trusted is True
    assert (reading(path).last_seq(), reading(path).horizon_ms(), path.read_bytes()) == before


def test_no_act_beside_a_running_daemon(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    with running(settings), pytest.raises(JournalError, match="in use by process"), acting(settings):
        pytest.fail("the journal was given away twice")


def test_no_journal_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal"):
        still(broker_site(tmp_path))
    assert not batch_open(tmp_path / "none")


def test_where_nothing_can_be_stored_it_watches_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    nowhere = JournalSettings(path=str(tmp_path / "file" / "j"), ballast_mb=0)
    with running(broker_site(tmp_path, journal=nowhere)) as one:
        answer = one.act("batch.start", name="first")
        assert answer["recorded"] is False
        one.put("k/bed", 31.0)
        one.tick(10)
        state = one.client.get("/v1/state")
        assert state["incubators"][0]["batch"]["name"] == "first"
        assert state["incubators"][0]["places"][0]["hottest"]["value"] == 31.0
        assert state["now"]["utc"].startswith("2026-")
        assert ("health/disk", True) in {(alarm["key"], alarm["active"]) for alarm in state["alarms"]}
        assert one.client.get("/v1/health")["ok"] is False


def test_a_damaged_journal_is_set_aside_and_told(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    with acting(settings) as house:
        house.act(act("batch.start", name="first"))
    path = Path(settings.journal.path)
    for side in ("-wal", "-shm"):
        path.with_name(path.name + side).unlink(missing_ok=True)
    data = bytearray(path.read_bytes())
    data[:100] = b"\xff" * 100
    path.write_bytes(data)
    with running(settings) as one:
        alarms = {alarm["key"] for alarm in one.client.get("/v1/alarms")["alarms"]}
        assert "health/journal" in alarms
    assert len(list(tmp_path.glob("kojimon.journal.corrupt-*"))) >= 1


def test_settings_that_did_not_change_make_no_input(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    for given in (settings, settings, broker_site(tmp_path, staleness=Staleness(periods=5.0))):
        house = House(given, ManualClock(WALL_MS))
        house.start()
        house.close("test")
    inputs = reading(Path(settings.journal.path)).events(kinds=["settings"])
    assert len(inputs) == 2 and inputs[0].key != inputs[1].key


def test_the_engine_is_told_when_each_probe_is_stale(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    numbers = {probe.name: number for number, probe in enumerate(settings.probes, 1)}
    told = engine_setup(settings, numbers)
    stale = {probe.name: probe.stale_ms for probe in from_json(told.setup).probes}
    assert stale["bed"] == 90_000
    assert stale["room"] == 90_000
    slow = engine_setup(broker_site(tmp_path, staleness=Staleness(periods=4.0, at_least_s=60.0)), numbers)
    assert {probe.name: probe.stale_ms for probe in from_json(slow.setup).probes}["room"] == 120_000
    assert json.loads(bytes(told.settings))["site"] == "home"


def test_the_last_good_settings_come_back_whole(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    keep(settings, tmp_path / "a.yaml", tmp_path / "state")
    assert kept(tmp_path / "a.yaml", tmp_path / "state") == settings
    assert kept(tmp_path / "b.yaml", tmp_path / "state") is None
    (next((tmp_path / "state").iterdir())).write_bytes(b"{")
    assert kept(tmp_path / "a.yaml", tmp_path / "state") is None


def test_keeping_the_last_good_settings_never_fails_a_start(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    keep(broker_site(tmp_path), tmp_path / "a.yaml", tmp_path / "file" / "state")
    assert isinstance(broker_site(tmp_path), Settings)
