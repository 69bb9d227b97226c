"""The API of a running daemon over its Unix socket."""

import http.client
import json
import socket
import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.errors import KojimonError, NotRunningError, RefusedError
from kojimon.journal.reading.reader import Reader
from kojimon.settings.spec import JournalSettings
from kojimon.sockets import name_of
from kojimon.web.client.local import Client
from kojimon.web.http.door import make_run_folder, socket_path
from kojimon.web.http.serve import THREADS
from kojimon.web.http.strangers import AT_ONCE
from tests.daemon.running import Running, broker_site, running
from tests.parts.wait import until


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A daemon with a batch two hours old, readings every minute."""
    with running(broker_site(tmp_path_factory.mktemp("live"))) as one:
        one.act("batch.start", name="first", rice_kg=2.0)
        one.put("k/bed", 31.0)
        one.tick(10)
        one.act("step.done", step="inoculate")
        for minute in range(120):
            one.put("k/bed", 31.0 + minute % 5)
            one.put("k/air", 29.0)
            one.tick(60)
        one.commit()
        yield one


def raw(live: Running, method: str, target: str, body: bytes | None = None, **headers: str) -> tuple[int, Any]:
    """A request as any HTTP program would send it."""
    settings = live.daemon.settings
    link = http.client.HTTPConnection("localhost", timeout=60)
    link.sock = socket.socket(socket.AF_UNIX)
    link.sock.settimeout(60)
    with name_of(socket_path(settings.journal.path, settings.run_folder)) as name:
        link.sock.connect(name)
    try:
        link.request(method, target, body, headers)
        response = link.getresponse()
        assert response.headers["content-type"] == "application/json"
        return response.status, json.loads(response.read())
    finally:
        link.close()


def test_state_has_wall_times_beside_engine_times(live: Running) -> None:
    state = live.client.get("/v1/state")
    box = state["incubators"][0]
    assert state["now"]["trusted"] is True and state["now"]["utc"].endswith("Z")
    assert state["units"] == {"fahrenheit": False, "pounds": False}
    assert box["batch"]["name"] == "first"
    assert box["batch"]["hour"] == pytest.approx(2.0, abs=1e-3)
    assert box["batch"]["hour0_utc"] < state["now"]["utc"]
    assert all("opens_utc" in step for step in box["steps"])


def test_probes_say_where_and_whence(live: Running) -> None:
    probes = {probe["name"]: probe for probe in live.client.get("/v1/probes")["probes"]}
    assert probes["bed"]["source"] == "mqtt" and probes["bed"]["topic"] == "k/bed"
    assert probes["bed"]["value"] == 35.0
    assert probes["bed"]["incubator"] == "box"
    assert probes["bed-2"]["value"] is None


def test_batches_and_one_of_them(live: Running) -> None:
    (batch,) = live.client.get("/v1/batches")["batches"]
    assert batch["rice_kg"] == 2.0 and batch["ended_t_ms"] is None and batch["ended_utc"] is None
    assert live.client.get(f"/v1/batches/{batch['id']}")["batch"] == batch
    assert live.client.get("/v1/batches", incubator="other")["batches"] == []
    status, answer = raw(live, "GET", "/v1/batches/none")
    assert (status, answer["error"]) == (404, "there is no batch 'none'")


def test_events_page_by_number(live: Running) -> None:
    everything = live.client.get("/v1/events")["events"]
    seen: list[Any] = []
    after, more = 0, True
    while more:
        page = live.client.get("/v1/events", after=after, limit=3)
        seen, after, more = seen + page["events"], page["after"], page["more"]
    assert seen[: len(everything)] == everything, "a forecast may have come since"
    assert [event["no"] for event in seen] == list(range(1, len(seen) + 1))
    done = live.client.get("/v1/events", kinds="step-done,batch-start")["events"]
    assert [event["kind"] for event in done][:2] == ["batch-start", "step-done"]
    assert {event["kind"] for event in done} == {"batch-start", "step-done"}
    assert all("utc" in event for event in done)


def test_series_page_by_page_gives_every_reading_once(live: Running) -> None:
    batch = live.client.get("/v1/batches")["batches"][0]["id"]
    rows: list[Any] = []
    after: int | None = 0
    while after is not None:
        (part,) = live.client.get("/v1/series", probe="bed", batch=batch, after=after, limit=25)["series"]
        assert part["columns"] == ["t_ms", "utc", "value", "quality"]
        rows, after = rows + part["rows"], part["after"]
    assert len(rows) == 121
    assert [row[2] for row in rows[1:6]] == [31.0, 32.0, 33.0, 34.0, 35.0]
    assert [row[0] for row in rows] == sorted({row[0] for row in rows})


def test_series_in_stretches_keep_the_extremes(live: Running) -> None:
    batch = live.client.get("/v1/batches")["batches"][0]["id"]
    answer = live.client.get("/v1/series", place="bed", batch=batch, points=12)
    by_probe = {part["probe"]: part["rows"] for part in answer["series"]}
    rows = by_probe["bed"]
    assert 10 <= len(rows) <= 12
    assert sum(row[4] for row in rows) == 121
    assert {row[2] for row in rows[1:-1]} == {31.0} and {row[3] for row in rows[1:-1]} == {35.0}
    assert by_probe["bed-2"] == []


def test_series_between_two_times(live: Running) -> None:
    now = live.client.get("/v1/state")["now"]["utc"]
    hour_ago = now.replace(now[11:13], f"{(int(now[11:13]) - 1) % 24:02d}", 1)
    (part,) = live.client.get("/v1/series", probe="air", **{"from": hour_ago, "to": now})["series"]
    assert 58 <= len(part["rows"]) <= 61


def test_alarms_are_listed_with_their_incubator(live: Running) -> None:
    live.act("alarm.test", text="hello")
    alarms = live.client.get("/v1/alarms")["alarms"]
    assert ("", "test") in {(alarm["incubator"], alarm["key"]) for alarm in alarms}
    assert {"silent/bed-2", "silent/room"} <= {alarm["key"] for alarm in alarms}


def test_health_says_how_the_daemon_is(live: Running) -> None:
    health = live.client.get("/v1/health")
    assert health["ok"] and health["stale"] == [] and health["journal"]["trouble"] == ""
    assert health["sources"]["mqtt"]["running"] is True
    assert health["core"]["dropped"] == 0


def test_an_act_is_answered_with_its_events(live: Running) -> None:
    answer = live.act("batch.note", text="smells of chestnut")
    assert [event["kind"] for event in answer["events"]] == ["note"]
    assert answer["recorded"] is True
    stored = live.client.get("/v1/events", kinds="note")["events"][-1]
    assert stored["data"]["text"] == "smells of chestnut"


def test_a_refused_act_says_why(live: Running) -> None:
    with pytest.raises(RefusedError, match="batch 'first' is open"):
        live.act("batch.start", name="second")
    status, answer = raw(live, "POST", "/v1/acts", b'{"kind": "batch.start"}')
    assert status == 409 and "is open" in answer["error"]


def test_the_idempotency_header_counts_too(live: Running) -> None:
    body = json.dumps({"kind": "batch.note", "data": {"text": "once"}}).encode()
    first = raw(live, "POST", "/v1/acts", body, **{"Idempotency-Key": "header-1"})[1]
    again = raw(live, "POST", "/v1/acts", body, **{"Idempotency-Key": "header-1"})[1]
    assert not first["repeated"] and again["repeated"]


def test_a_step_dated_back(live: Running) -> None:
    answer = live.act("step.done", step="wrap", at_ago_s=600)
    (event,) = [event for event in answer["events"] if event["kind"] == "step-done"]
    assert event["data"]["at_ms"] == event["t_ms"] - 600_000


@pytest.mark.parametrize(
    ("target", "status", "words", "wanted"),
    [
        ("/v1/nothing", 404, "", ""),
        ("/v1/events?after=x", 400, "after: 'x'", "a whole number"),
        ("/v1/events?limit=0", 400, "limit: '0'", "from 1 to 1000"),
        ("/v1/events?color=red", 400, "color: not known here", "after, batch, kinds, limit"),
        ("/v1/series", 400, "neither probe nor place", "probe=NAME"),
        ("/v1/series?probe=nose", 404, "there is no probe 'nose'", "/v1/probes"),
        ("/v1/series?place=cellar", 404, "no probe in 'cellar'", "/v1/probes"),
        ("/v1/series?probe=bed&batch=x", 404, "there is no batch 'x'", "/v1/batches"),
        ("/v1/series?probe=bed&from=yesterday", 400, "from: 'yesterday'", "a time with its zone"),
        ("/v1/series?probe=bed&points=1000000", 400, "points", "from 1 to 5000"),
        ("/v1/series?probe=bed&from=-2&to=1", 400, "from: '-2'", "a whole number from 0"),
        ("/v1/series?probe=bed&from=2&to=1", 400, "from: not before to", "earlier"),
    ],
)
def test_a_wrong_question_is_told_what_is_wanted(
    live: Running, target: str, status: int, words: str, wanted: str
) -> None:
    found, answer = raw(live, "GET", target)
    assert found == status
    assert words in answer["error"] and wanted in answer["wanted"]


AGES = [
    "from=0&to=9007199254740992", "after=0", "after=9007199254740992",
    "from=0001-01-01T00:00:00Z&to=9999-12-31T23:59:59Z", "from=9007199254740990&to=9007199254740992",
]  # fmt: skip


@pytest.mark.parametrize("span", AGES)
@pytest.mark.parametrize("how", ["", "&points=1", "&points=5000", "&limit=1"])
def test_a_span_of_ages_costs_no_more_than_what_is_in_it(live: Running, span: str, how: str) -> None:
    """Found by fuzzing: slices of two hours up to the year 287396 kept a worker busy for ever."""
    begun_s = time.process_time()  # the daemon's work, in this process
    status, answer = raw(live, "GET", f"/v1/series?probe=bed&{span}{how}")
    assert time.process_time() - begun_s < 5
    assert status == 200
    if "from" in span:
        assert 0 <= answer["from_t_ms"] <= answer["to_t_ms"] <= live.daemon.house.now_ms() + 1


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"kind": 5}', b'{"kind": "x", "unknown": 1}', b'{"data": {}}', b"\xff\xfe", b'"x"']
)
def test_an_act_that_cannot_be_read(live: Running, body: bytes) -> None:
    status, answer = raw(live, "POST", "/v1/acts", body)
    assert status == 400
    assert "cannot be read" in answer["error"] and "kind" in answer["wanted"]


def test_an_act_that_is_too_long(live: Running) -> None:
    status, answer = raw(live, "POST", "/v1/acts", b" " * 100_000)
    assert status == 413 and "65536" in answer["error"]


def test_the_wrong_method_is_told_so(live: Running) -> None:
    assert raw(live, "POST", "/v1/state", b"{}")[0] == 405
    assert raw(live, "GET", "/v1/acts")[0] == 405


def test_many_readers_at_the_same_time(live: Running) -> None:
    answers: list[int] = []

    def ask() -> None:
        for _ in range(5):
            answers.append(len(live.client.get("/v1/state")["incubators"]))

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert answers == [1] * 40


def test_who_waits_for_a_disk_that_does_not_answer_holds_up_no_state(
    live: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More readers of the journal than threads and turns, all of them stuck: what is in memory is told all the same."""
    answers, stuck = threading.Event(), threading.Semaphore(0)

    def hang(*_: Any) -> list[Any]:
        stuck.release()
        answers.wait(120)
        return []

    monkeypatch.setattr(Reader, "batches", hang)
    readers = [threading.Thread(target=raw, args=(live, "GET", "/v1/batches")) for _ in range(2 * AT_ONCE)]
    for reader in readers:
        reader.start()
    try:
        for _ in range(THREADS):
            assert stuck.acquire(timeout=60)
        until(lambda: live.client.get("/v1/health")["doors"]["local"]["open"] > 2 * AT_ONCE)
        assert live.client.get("/v1/state")["incubators"]
        assert live.client.get("/v1/alarms")
    finally:
        answers.set()
        for reader in readers:
            reader.join(60)


def test_the_socket_is_for_the_owner_and_group(live: Running) -> None:
    settings = live.daemon.settings
    mode = socket_path(settings.journal.path, settings.run_folder).stat().st_mode
    assert stat.S_ISSOCK(mode) and stat.S_IMODE(mode) == 0o660


def test_nobody_there(tmp_path: Path) -> None:
    client = Client.for_journal(tmp_path / "j", tmp_path)
    assert not client.running()
    with pytest.raises(NotRunningError, match="kojimon run"):
        client.get("/v1/state")


def test_a_stale_socket_is_nobody_there(tmp_path: Path) -> None:
    path = socket_path(tmp_path / "j", tmp_path)
    with socket.socket(socket.AF_UNIX) as gone, name_of(path) as name:
        gone.bind(name)
    assert not Client(path).running()


def test_a_daemon_that_does_not_answer(tmp_path: Path) -> None:
    path = socket_path(tmp_path / "j", tmp_path)
    with socket.socket(socket.AF_UNIX) as mute:
        with name_of(path) as name:
            mute.bind(name)
        mute.listen(1)
        with pytest.raises(KojimonError, match=r"within 0\.05 s"):
            Client(path, timeout_s=0.05).get("/v1/state")


def test_the_path_depends_on_the_journal_and_is_short(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert socket_path("j", "/run/kojimon") == socket_path(tmp_path / "j", "/run/kojimon")
    assert socket_path("j", "/run/kojimon") != socket_path("k", "/run/kojimon")


def test_a_daemon_is_found_however_deep_its_folder_lies(tmp_path: Path) -> None:
    """A socket's name has 107 bytes at most (unix(7), sun_path[108]); its path may have more."""
    folder = tmp_path / ("deep" * 25) / "run"
    with running(broker_site(tmp_path, run_folder=str(folder))) as live:
        (path,) = folder.glob("*.sock")
        assert len(str(path)) > 107
        assert live.client.get("/v1/health")["ok"]
    assert not path.exists()


def test_a_run_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(KojimonError, match="cannot be made"):
        make_run_folder(tmp_path / "file" / "run")


def test_the_door_is_gone_after_the_end(tmp_path: Path) -> None:
    settings = broker_site(tmp_path, journal=JournalSettings(path=str(tmp_path / "other"), ballast_mb=0))
    with running(settings) as one:
        path = socket_path(settings.journal.path, settings.run_folder)
        assert path.exists()
        assert one.end() == 0
    assert not path.exists()
