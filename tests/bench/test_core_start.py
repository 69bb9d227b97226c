"""From the start of the process to the first stored reading, and the memory of the main process in ordinary service."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from kojimon.errors import JournalError
from kojimon.model import InputRow
from tests.bench.figures import record
from tests.bench.installed import compiled_in, in_the_unit
from tests.bench.test_core_mqtt import cpu_s, rss_mb
from tests.daemon.process import Process
from tests.parts.broker import Broker
from tests.parts.opened import reading
from tests.parts.wait import until

pytestmark = [pytest.mark.bench, pytest.mark.timeout(240)]

FIRST_S, MEMORY_MB = 1.0, 50.0
TALKING = """
import sys, threading
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
client = paho.Client(CallbackAPIVersion.VERSION2)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
every_s, number = float(sys.argv[2]), 0
while True:
    for topic in ("k/bed", "k/bed-2", "k/air"):
        client.publish(topic, f"{30 + number % 50 / 100:.2f}")
    number += 1
    threading.Event().wait(every_s)
"""


def talking(broker: Broker, every_s: float) -> subprocess.Popen[bytes]:
    """Three probes that speak without end."""
    return subprocess.Popen([sys.executable, "-c", TALKING, str(broker.port), str(every_s)])


def has_reading(path: Path) -> bool:
    try:
        reader = reading(path)
        try:
            return any(not isinstance(row, InputRow) for row in reader.rows_after(0))
        finally:
            reader.close()
    except JournalError:
        return False


def test_start_to_first_stored_reading(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    took: list[float] = []
    used: list[float] = []
    with Broker(tmp_path / "b") as broker:
        voice = talking(broker, 0.02)
        try:
            for number in range(6):
                folder = tmp_path / str(number)
                folder.mkdir()
                with Process(folder, broker.port, compiled_in(tmp_path / "compiled") | in_the_unit()) as one:
                    began_s = time.monotonic()
                    one.start(wait=False)
                    until(lambda one=one: has_reading(one.journal))  # type: ignore[misc]
                    took.append(time.monotonic() - began_s)
                    used.append(cpu_s(one.pid))
                    one.ready()
                    assert one.stop() == 0
        finally:
            voice.kill()
            voice.wait(10)
    with capsys.disabled():
        tries = ", ".join(f"{one:.2f}" for one in took[1:])  # the first one compiles
        record("start to first stored reading", f"{tries} s; processor time {min(used):.2f} s")
    assert min(took) < FIRST_S


def test_memory_in_ordinary_service(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A batch open, three probes, a page and a command asking now and then; 5,000 readings in all."""
    installed = compiled_in(tmp_path / "compiled") | in_the_unit()
    with Broker(tmp_path / "b") as broker, Process(tmp_path, broker.port, installed) as one:
        one.start()  # compiles
        assert one.stop() == 0
        voice = talking(broker, 0.005)
        try:
            one.start()
            before_mb = rss_mb(one.pid)
            one.client.act({"kind": "batch.start", "data": {"name": "first"}})
            batch = one.client.get("/v1/batches")["batches"][0]["id"]
            until(lambda: one.client.get("/v1/health")["core"]["seq"] > 5_000, within_s=60)
            for _ in range(50):
                one.client.get("/v1/state")
                one.client.get("/v1/events")
                one.client.get("/v1/series", place="bed", batch=batch, points=500)
            memory_mb = rss_mb(one.pid)
            assert one.stop() == 0
        finally:
            voice.kill()
            voice.wait(10)
    with capsys.disabled():
        record("main process in ordinary service", f"{memory_mb:.1f} MB; {before_mb:.1f} at the start")
    assert memory_mb < MEMORY_MB
