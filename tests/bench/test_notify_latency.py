"""From an MQTT publish to the notification at its receiver, on a limit without on-delay, beside a bare paho echo.

What lies between: broker, decoding and judging, the engine, a full commit to the disk, the plan, the sender process, an
HTTP request through apprise. Aim: 50 ms at the 99th percentile beyond the on-delay.
"""

from __future__ import annotations

import threading
from pathlib import Path
from statistics import median, quantiles
from typing import Any

import pytest

from kojimon.clock import real_s
from tests.bench.figures import record
from tests.daemon.process import Process
from tests.parts.broker import Broker
from tests.parts.receiver import Receiver
from tests.parts.wait import until

BOXES, LIVES = 20, 5
SCHEDULE = """\
label: Quick
purpose: a test
stages:
  first:
    label: First
    begins: 0 h
    bands:
      bed: {temperature: {high: {at: 35 C, delay: 0 s, samples: 1, priority: wake}}}
steps:
  inoculate: {label: Sprinkle, work: inoculate}
  harvest: {label: Take out, work: harvest, opens: 40 h}
"""


class Boxes(Process):
    """A daemon with many boxes: one alarm each, so that none of them chatters."""

    def __init__(self, folder: Path, port: int, url: str) -> None:
        folder.mkdir(parents=True)
        super().__init__(folder, port)
        (folder / "schedules").mkdir()
        (folder / "schedules" / "quick.yaml").write_text(SCHEDULE)
        (folder / "url").write_text(url + "\n")
        names = [f"b{number}" for number in range(BOXES)]
        lines = ["site: home", "incubators:"]
        lines += [f"  {name}: {{schedule: quick, trays: [top]}}" for name in names]
        lines += [f"sources: {{house: {{kind: mqtt, host: 127.0.0.1, port: {port}}}}}", "probes:"]
        lines += [f"  p{name}: {{in: {name}, place: bed, tray: top, topic: k/{name}}}" for name in names]
        lines += [f"journal: {{file: {folder}/kojimon.journal, ballast: 0 MB}}", f"run_folder: {folder}/run"]
        lines += ["clock: {trusted: true}", "speaker: {use: false}"]
        lines += ["channels: {phone: {kind: service, url: {file: url}}}"]
        self.config.write_text("\n".join(lines) + "\n")
        self.names = names

    def begin(self) -> None:
        for name in self.names:
            for kind, data in (("batch.start", {}), ("step.done", {"step": "inoculate", "value_c": 31.0})):
                self.client.act({"kind": kind, "who": "me", "incubator": name, "data": data})


def client(broker: Broker, topic: str = "", heard: Any = None) -> Any:
    """A bare paho client, connected and subscribed."""
    import paho.mqtt.client as mqtt

    found = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    ready = threading.Event()
    if topic:
        found.on_message = heard
        found.on_subscribe = lambda *_: ready.set()
    found.connect("127.0.0.1", broker.port)
    found.loop_start()
    if topic:
        found.subscribe(topic, 1)
        assert ready.wait(10)
    return found


def echoes(broker: Broker, count: int) -> list[float]:
    """Seconds from publish to callback, of bare clients."""
    came: list[float] = []
    listener = client(broker, "echo", lambda *_: came.append(real_s()))
    sender, found = client(broker), []
    for number in range(count):
        begun_s = real_s()
        sender.publish("echo", f"{number}", 1)
        until(lambda number=number: len(came) > number)
        found.append(came[-1] - begun_s)
    for one in (listener, sender):
        one.loop_stop()
        one.disconnect()
    return found


def notifications(folder: Path, broker: Broker, receiver: Receiver) -> list[float]:
    """Seconds from publish to the receiver, one alarm a box."""
    found = []
    sender = client(broker)
    with Boxes(folder, broker.port, receiver.url) as daemon:
        daemon.start()
        daemon.begin()
        for name in daemon.names:
            sender.publish(f"k/{name}", "34.9", 1)
        until(lambda: all(box["probes"][0]["value"] for box in daemon.client.get("/v1/state")["incubators"]))
        until(lambda: daemon.client.get("/v1/health")["parts"]["notify"]["ready"])
        for name in daemon.names:
            mark = f"{name}/limit/bed"
            begun_s = real_s()
            sender.publish(f"k/{name}", "35.1", 1)
            got = until(lambda mark=mark: next((got for got in list(receiver.got) if got.id.startswith(mark)), None))
            found.append(got.at_s - begun_s)
    sender.loop_stop()
    sender.disconnect()
    return found


@pytest.mark.bench
@pytest.mark.timeout(600)
def test_latency_from_publish_to_notification(tmp_path: Path) -> None:
    with Broker(tmp_path / "mqtt") as broker, Receiver() as receiver:
        bare = echoes(broker, BOXES * LIVES)
        full: list[float] = []
        for life in range(LIVES):
            receiver.got.clear()
            full += notifications(tmp_path / f"life-{life}", broker, receiver)
    ours, echo = (
        f"median {median(times) * 1e3:.1f} ms, 99th {quantiles(times, n=100)[98] * 1e3:.1f} ms"
        for times in (full, bare)
    )
    record("publish to notification", ours, f"echo {echo}")
    slowest = sorted(((round(t * 1e3), i % BOXES) for i, t in enumerate(full)), reverse=True)[:8]
    firsts = [round(one * 1e3) for one in full[::BOXES]]
    print("the first of each life (ms):", firsts)
    print("slowest (ms, number in its life):", slowest)
    assert median(full) < 0.5, "half a second is the most that a waking call may lose on its way through"
