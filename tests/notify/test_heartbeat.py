"""Signs of life: only from the end of a full pass, over MQTT and the web."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

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

    with Receiver() as receiver, Broker(tmp_path / "mqtt") as broker, ThreadPoolExecutor(1) as pool:
        settings = broker_site(
            tmp_path, broker.port, heartbeat=HeartbeatSettings(0.2, ping_file(tmp_path, receiver)), speaker=SILENT,
            publish=PublishSettings("mqtt"),
        )  # fmt: skip
        with running(settings) as one:
            beat, writer = one.daemon.people.heartbeat, one.daemon.house.writer

            def goes_on(condition: Callable[[], Any]) -> None:
                """The core stores work of its own all the while: without it there is no sign after some seconds."""
                until(lambda: one.tick() or condition())

            one.tick(1)
            goes_on(lambda: len(receiver.got) >= 2 and receiver.got[-1].path == "/alive/abc")
            goes_on(lambda: beat.sent >= 3)
            found = pool.submit(subscribe.simple, "kojimon/home/heartbeat", hostname="127.0.0.1", port=broker.port)
            goes_on(found.done)
            assert json.loads(found.result().payload)["t_ms"] == one.daemon.house.core.moment().t_ms
            with closing(sqlite3.connect(one.daemon.house.path, isolation_level=None)) as lock:
                lock.execute("BEGIN IMMEDIATE")
                asked, before = writer.facts().commits, beat.sent
                goes_on(lambda: writer.busy_s() > 1.0)
                # What was on the disk when the lock was had may just have been on its way out.
                assert beat.sent <= before + 1 and writer.facts().commits <= asked + 1
                lock.execute("ROLLBACK")
            goes_on(lambda: beat.sent > before + 1)


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
        health=lambda what, ok, text: told.append((what, ok, f"{beat.failures}: {text}")),
    )  # fmt: skip
    beat.start()

    def another() -> bool:
        beat.committed(Chunk(horizon_ms=5))
        return bool(told)

    until(another)
    beat.stop()
    assert told[0][:2] == ("heartbeat", False) and told[0][2].startswith("3: "), "one lost ping is nobody's business"
    assert "secret-word" not in told[0][2]
