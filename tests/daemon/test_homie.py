"""A Homie device on a real Mosquitto that ends abruptly, signs off and comes back, seen by a whole daemon."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from kojimon.contract.alarms import Alarm
from kojimon.model import Quality
from kojimon.settings.spec import Settings
from kojimon.words import alarms as alarm_words
from kojimon.words.speech import Speech
from tests.daemon.running import Running, broker_site, running
from tests.parts.broker import Broker
from tests.parts.wait import until

STATE = "homie/shelf/$state"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker") as one:
        yield one


class Device:
    """What the convention asks of a device: a last will, init, its values, ready."""

    def __init__(self, broker: Broker) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="shelf")
        self.client.will_set(STATE, "lost", 1, True)
        self.client.connect("127.0.0.1", broker.port, 10)
        self.client.loop_start()
        self.say(STATE, "init")
        self.warm(33.5)
        self.say(STATE, "ready")

    def say(self, topic: str, word: str) -> None:
        self.client.publish(topic, word, 1, True).wait_for_publish(60)

    def warm(self, value_c: float) -> None:
        self.say("homie/shelf/koji/temperature", str(value_c))

    def vanish(self) -> None:
        """As by a pulled plug: the connection ends without a word."""
        self.client.loop_stop()
        line = self.client.socket()
        assert isinstance(line, socket.socket)
        line.shutdown(socket.SHUT_RDWR)
        line.close()

    def leave(self) -> None:
        self.say(STATE, "disconnected")
        self.client.disconnect()
        self.client.loop_stop()


def homie_site(folder: Path, broker: Broker) -> Settings:
    plain = broker_site(folder, broker.port)
    probes = (replace(plain.probes[0], topic="homie/shelf/koji/temperature"), plain.probes[3])
    return replace(plain, probes=probes)


def bed(one: Running) -> dict[str, Any]:
    rows = one.client.get("/v1/state")["incubators"][0]
    place = next(row for row in rows["places"] if row["place"] == "bed")
    alarm = next((row for row in rows["alarms"] if row["key"] == "silent/bed"), None)
    probe = next(row for row in rows["probes"] if row["name"] == "bed")
    return {"shown": place["hottest"], "alarm": alarm, "silent": probe["silent"]}


def soon(one: Running, seen: Any) -> None:
    """Until it is so, within so little world time that silence by age, which takes 90 s, has no part in it."""
    begun = one.daemon.clock.boot_ms()

    def look() -> bool:
        one.tick(0.05)
        return bool(seen())

    until(look)
    assert one.daemon.clock.boot_ms() - begun < 60_000


@pytest.mark.parametrize(("end", "verdict", "says"), [
    ("vanish", Quality.LOST, "dropped off"), ("leave", Quality.SIGNED_OFF, "switched off"),
])  # fmt: skip
def test_a_device_that_goes_is_silent_at_once_and_heard_again_when_it_is_ready(
    tmp_path: Path, broker: Broker, end: str, verdict: Quality, says: str
) -> None:
    with running(homie_site(tmp_path, broker)) as one:
        one.act("batch.start", name="first")
        device = Device(broker)
        device.warm(33.6)
        soon(one, lambda: bed(one)["shown"])
        getattr(device, end)()
        soon(one, lambda: bed(one)["silent"])
        found = bed(one)
        assert found["shown"] is None, "its last value is none of now"
        alarm = msgspec.convert(found["alarm"], Alarm)
        assert (alarm.state, alarm.quality, alarm.priority) == ("UNACK", verdict, "tell")
        assert says in alarm_words.why_silent(alarm)
        speech = Speech(zone="UTC")
        assert alarm_words.subject(alarm, speech) != "Probe bed silent"
        device = Device(broker)
        device.warm(34.0)
        soon(one, lambda: not bed(one)["silent"])
        soon(one, lambda: bed(one)["shown"]["value"] == 34.0)
        device.leave()
