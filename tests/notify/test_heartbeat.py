"""Signs of life: only from the end of a full pass, over MQTT and the web."""

from __future__ import annotations

import json
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

from kojimon.journal.records import Chunk
from kojimon.notify.heartbeat import Heartbeat
from kojimon.settings.spec import HeartbeatSettings, PublishSettings, Secret, SpeakerSettings
from tests.daemon.running import broker_site, running
from tests.parts.broker import Broker
from tests.parts.receiver import Receiver
from tests.parts.wait import until

SILENT = SpeakerSettings(use=False)


def ping_file(folder: Path, receiver: Receiver) -> Secret:
    file = folder / "ping"
    file.write_text(f"http://127.0.0.1:{receiver.port}/alive/abc\n")
    return Secret(file=str(file))


def test_signs_of_life_go_out_over_the_web_and_mqtt_and_stop_when_nothing_can_be_stored(tmp_path: Path) -> None:
    from paho.mqtt import subscribe

    with Receiver() as receiver, Broker(tmp_path / "mqtt") as broker:
        settings = broker_site(
            tmp_path, broker.port, heartbeat=HeartbeatSettings(0.2, ping_file(tmp_path, receiver)), speaker=SILENT,
            publish=PublishSettings("mqtt"),
        )  # fmt: skip
        with running(settings) as one:
            one.tick(1)
            until(lambda: len(receiver.got) >= 2 and receiver.got[-1].path == "/alive/abc")
            until(lambda: one.daemon.people.heartbeat.sent >= 3)
            found = subscribe.simple(  # type: ignore[no-untyped-call]
                "kojimon/home/heartbeat", hostname="127.0.0.1", port=broker.port
            )
            assert json.loads(found.payload)["t_ms"] == one.daemon.house.core.moment().t_ms
            with closing(sqlite3.connect(one.daemon.house.path, isolation_level=None)) as lock:
                lock.execute("BEGIN IMMEDIATE")
                until(lambda: one.daemon.house.writer.busy_s() > 0.3)
                before = one.daemon.people.heartbeat.sent
                until(lambda: one.daemon.house.writer.busy_s() > 1.0)
                assert one.daemon.people.heartbeat.sent == before
                lock.execute("ROLLBACK")
            until(lambda: one.daemon.people.heartbeat.sent > before)


def test_without_the_core_s_own_work_in_the_commit_there_is_no_sign() -> None:
    """The sign is sent only after a complete read-evaluate-store loop."""
    asked, sent = threading.Event(), []
    beat = Heartbeat(0.01, lambda _chunk: asked.set(), lambda payload: bool(sent.append(payload)) or True)
    beat.start()
    assert asked.wait(60)
    beat.committed(Chunk(urgent=True))
    assert sent == []
    beat.committed(Chunk(horizon_ms=5))
    until(lambda: len(sent) == 1)
    beat.stop()


def test_an_address_that_cannot_be_reached_is_told_without_naming_it() -> None:
    told: list[tuple[str, bool, str]] = []
    asked = threading.Event()
    beat = Heartbeat(
        0.01, lambda _chunk: asked.set(), address=lambda: "http://127.0.0.1:9/secret-word",
        health=lambda what, ok, text: told.append((what, ok, text)),
    )  # fmt: skip
    beat.start()

    def another() -> bool:
        beat.committed(Chunk(horizon_ms=5))
        return bool(told)

    until(another)
    beat.stop()
    assert told[0][:2] == ("heartbeat", False)
    assert "secret-word" not in told[0][2]
