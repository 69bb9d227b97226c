"""The dispatcher in a whole daemon on a driven clock: a real journal, a real sender, a real HTTP receiver."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from kojimon.clock import ManualClock
from kojimon.settings.spec import CommandChannel, Secret, ServiceChannel, SpeakerSettings
from tests.daemon.running import WALL_MS, Running, broker_site, running
from tests.parts.receiver import Got, Receiver
from tests.parts.wait import until

KEY = "limit/bed/temperature/high"


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as found:
        yield found


@contextmanager
def kitchen(folder: Path, *urls: str, clock: ManualClock | None = None, **more: Any) -> Iterator[Running]:
    """A daemon with one service channel a URL."""
    channels = []
    for number, url in enumerate(urls, 1):
        file = folder / f"url-{number}"
        file.write_text(url + "\n")
        channels.append(ServiceChannel(f"phone-{number}", Secret(file=str(file))))
    settings = broker_site(
        folder, channels=(*channels, *more.pop("channels", ())), speaker=SpeakerSettings(use=False), **more
    )
    with running(settings, clock or ManualClock(WALL_MS)) as one:
        yield one


def begin(one: Running) -> None:
    one.act("batch.start", name="first")
    one.act("step.done", step="inoculate", value_c=31.0)


def heat(one: Running, minutes: int = 6, value_c: float = 41.0) -> None:
    """Koji over 40 °C (limit of the first stage, 5 min) for so long, a reading every 30 s from every probe."""
    for _ in range(2 * minutes):
        for name in ("bed", "bed-2", "bed-3"):
            one.put(f"k/{name}", value_c)
        for name, value in (("air", 30.0), ("air-humidity", 85.0), ("room", 18.0)):
            one.put(f"k/{name}", value)
        one.tick(30)


def limit_calls(receiver: Receiver) -> list[Got]:
    return [got for got in receiver.got if KEY in got.id]


def test_an_alarm_reaches_the_phone_again_and_again_until_it_is_answered(tmp_path: Path, receiver: Receiver) -> None:
    with kitchen(tmp_path, receiver.url) as one:
        begin(one)
        heat(one)
        until(lambda: limit_calls(receiver))
        first = limit_calls(receiver)[0]
        assert first.id == f"box/{KEY}#1"
        assert first.title.startswith("Top tray 41 °C (limit 40)")
        for call in (2, 3):
            heat(one, 2)
            until(lambda call=call: len(limit_calls(receiver)) == call)
        assert {got.id for got in limit_calls(receiver)} == {first.id}
        one.act("alarm.acknowledge", key=KEY, occurrence=1)
        heat(one, 5)
        assert len(limit_calls(receiver)) == 3
        heat(one, 3, 36.0)
        until(lambda: limit_calls(receiver)[-1].title.startswith("Back within limits after"))


def test_a_receiver_that_is_gone_is_tried_until_it_is_back_and_its_failure_is_told_elsewhere(
    tmp_path: Path, receiver: Receiver
) -> None:
    with Receiver() as other, kitchen(tmp_path, receiver.url, other.url) as one:
        begin(one)
        receiver.stop()
        heat(one)
        until(lambda: limit_calls(other))
        until(lambda: receipts(one, "phone-1") == ["failed"])
        for failures in (2, 3):
            one.tick(10)
            until(lambda failures=failures: receipts(one, "phone-1") == ["failed"] * failures)
        one.tick(1)
        until(lambda: any("health/delivery:phone-1" in got.id for got in other.got))
        receiver.start()
        one.tick(20)
        until(lambda: limit_calls(receiver))
        until(lambda: receipts(one, "phone-1")[-1] == "sent")
        assert limit_calls(receiver)[0].id == limit_calls(other)[0].id
        assert not any("delivery" in got.id for got in receiver.got)
        until(lambda: not stays_failed(one))


def stays_failed(one: Running) -> bool:
    """Whether the first phone is still listed as failing, a second later."""
    one.tick(1)
    found = (alarm for alarm in one.client.get("/v1/alarms")["alarms"] if alarm["key"] == "health/delivery:phone-1")
    return any(alarm["active"] for alarm in found)


def receipts(one: Running, channel: str) -> list[str]:
    """States of the attempts on the limit's call, as the journal has them."""
    with closing(sqlite3.connect(one.daemon.house.path)) as db:
        rows = db.execute(
            "SELECT state FROM delivery WHERE channel = ? AND message LIKE ? ORDER BY t_ms", (channel, f"%{KEY}#1.1")
        ).fetchall()
    return [state for (state,) in rows]


def test_what_was_not_told_is_told_after_a_restart_with_the_same_id(tmp_path: Path, receiver: Receiver) -> None:
    clock = ManualClock(WALL_MS)
    receiver.stop()
    with kitchen(tmp_path, receiver.url, clock=clock) as one:
        begin(one)
        heat(one)
        until(lambda: receipts(one, "phone-1"))
    receiver.start()
    with kitchen(tmp_path, receiver.url, clock=clock) as one:
        one.tick(5)
        until(lambda: limit_calls(receiver))
    assert limit_calls(receiver)[0].id == f"box/{KEY}#1"


def test_what_was_told_is_not_told_again_after_a_restart(tmp_path: Path, receiver: Receiver) -> None:
    clock = ManualClock(WALL_MS)
    with kitchen(tmp_path, receiver.url, clock=clock) as one:
        begin(one)
        heat(one)
        until(lambda: receipts(one, "phone-1") == ["sent"])
    with kitchen(tmp_path, receiver.url, clock=clock) as one:
        until(lambda: one.daemon.people.facts().senders["wake"] == 1)
        one.tick(1)
        assert len(limit_calls(receiver)) == 1
        heat(one, 2)
        until(lambda: len(limit_calls(receiver)) == 2)


def test_while_a_commit_hangs_what_wakes_goes_out_from_memory_and_is_recorded_later(
    tmp_path: Path, receiver: Receiver
) -> None:
    with kitchen(tmp_path, receiver.url) as one:
        begin(one)
        one.commit()
        with closing(sqlite3.connect(one.daemon.house.path, isolation_level=None)) as lock:
            lock.execute("BEGIN IMMEDIATE")
            heat(one)
            until(lambda: limit_calls(receiver))
            assert limit_calls(receiver)[0].id == f"box/{KEY}#1"
            assert "Not saved yet" in limit_calls(receiver)[0].body["message"]
            assert lock.execute("SELECT count(*) FROM message WHERE id LIKE ?", (f"%{KEY}%",)).fetchone() == (0,)
            lock.execute("ROLLBACK")
        until(lambda: receipts(one, "phone-1") == ["sent"])
        one.tick(1)
        assert len(limit_calls(receiver)) == 1


def test_a_secret_that_is_not_there_is_a_failure_of_that_channel_alone(tmp_path: Path, receiver: Receiver) -> None:
    lost = ServiceChannel("lost", Secret(file=str(tmp_path / "no-such-file")))
    with kitchen(tmp_path, receiver.url, channels=(lost,)) as one:
        begin(one)
        heat(one)
        until(lambda: limit_calls(receiver))
        until(lambda: receipts(one, "lost") == ["failed"])


def test_the_speaker_sounds_until_somebody_answers(tmp_path: Path) -> None:
    """Works without network and account: alone it sounds at once."""
    player, pids = tmp_path / "player", tmp_path / "pids"
    player.write_text(f'#!/bin/sh\necho $$ >> {pids}\nhead -c 4 "$1" >> {tmp_path}/heads\nexec sleep 1000\n')
    player.chmod(0o755)
    settings = broker_site(tmp_path, speaker=SpeakerSettings(player=str(player)))
    with running(settings) as one:
        begin(one)
        heat(one)
        until(pids.exists)
        until(lambda: (tmp_path / "heads").exists() and (tmp_path / "heads").read_bytes() == b"RIFF")
        heat(one, 2)
        until(lambda: len(pids.read_text().split()) == 2)
        first, second = (int(pid) for pid in pids.read_text().split())
        until(lambda: not playing(first) and playing(second))
        one.act("alarm.acknowledge", key=KEY, occurrence=1)
        until(lambda: not playing(second))


def playing(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/comm").read_text().strip() == "sleep"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_a_command_is_a_channel_and_hears_of_the_end(tmp_path: Path) -> None:
    log = tmp_path / "log"
    run = ("/bin/sh", "-c", f'echo "$KOJIMON_KIND $KOJIMON_ROUND" >> {log}')
    with kitchen(tmp_path, channels=(CommandChannel("siren", run),)) as one:
        begin(one)
        heat(one)
        until(lambda: log.exists() and log.read_text() == "call 0\n")
        heat(one, 3, 36.0)
        until(lambda: log.read_text().split("\n")[-2] == "over 0")


def test_facts_name_channels_and_what_waits(tmp_path: Path, receiver: Receiver) -> None:
    with kitchen(tmp_path, receiver.url) as one:
        begin(one)
        facts = one.daemon.people.facts()
        assert facts.channels == ["phone-1"]
        assert facts.failing == {}
        health = one.client.get("/v1/health")
        assert health["parts"]["notify"]["channels"] == ["phone-1"]


def night_check(one: Running) -> dict[str, Any]:
    found: dict[str, Any] = one.client.get("/v1/health")["parts"]["notify"]["night_check"]
    return found


def test_arming_sends_a_test_through_the_whole_chain_and_waits_for_the_answer(
    tmp_path: Path, receiver: Receiver
) -> None:
    """Requirement: a test must be acked on the phone within 5 min, else the batch screen says that the night
    check is not passed."""
    with kitchen(tmp_path, receiver.url) as one:
        assert night_check(one)["text"].startswith("Night check not passed: no test")
        one.act("alarm.test", wake=True, text="Before the night")
        call = until(lambda: next((got for got in list(receiver.got) if got.id == "/test#1"), None))
        assert call is not None and call.title.startswith("TEST")
        until(lambda: "the test is waiting" in night_check(one)["text"])
        answer = {"kind": "alarm.acknowledge", "who": "anna", "channel": "page", "data": {"key": "test"}}
        one.client.act(answer)
        until(lambda: night_check(one)["passed"])
        one.act("alarm.test", wake=True)
        one.tick(301)
        one.commit()
        found = night_check(one)
        assert "not acknowledged" in found["text"] or "was not sent" in found["text"]
        assert not found["passed"]


def test_a_bump_test_is_timed_from_the_warm_probe_to_the_phone(tmp_path: Path, receiver: Receiver) -> None:
    """Requirement: whole chain probe -> phone is done in on-delay + 60 s, result stored with date."""
    with kitchen(tmp_path, receiver.url) as one:
        one.put("k/bed", 24.0)
        one.tick(10)
        assert "never done" in night_check(one)["overdue"][0]
        one.act("alarm.probe_test", probe="bed")
        for value in (25.0, 26.5, 27.0, 27.5):
            one.tick(10)
            one.put("k/bed", value)
        one.tick()
        until(lambda: any(got.id == "/test#1" for got in receiver.got))
        one.client.act({"kind": "alarm.acknowledge", "who": "anna", "channel": "page", "data": {"key": "test"}})
        until(lambda: night_check(one)["chain"])
        assert night_check(one)["chain"] == "Probe bed: 20 s to raise the alarm, 0 s to phone-1, in time"
        assert night_check(one)["overdue"] == []
