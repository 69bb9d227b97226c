"""Publishers on real parts: Mosquitto and pseudo-terminals read by pyserial."""

from __future__ import annotations

import itertools
import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from kojisim.lines import LineFormat, MqttPublisher, SerialLine, rounds
from kojisim.probes import ProbeSpec, Sample, Spot
from tests.parts.broker import Broker
from tests.parts.wait import until

AIR = ProbeSpec("air", "air", "temperature", Spot("air"), board="air")
HUMID = ProbeSpec("air-humidity", "air", "humidity", Spot("air"), board="air")
KOJI = ProbeSpec("bed", "bed", "temperature", Spot("tray"))
SPECS = (KOJI, AIR, HUMID)


def _sample(name: str, value: float, at_s: float = 0.0) -> Sample:
    spec = next(s for s in SPECS if s.name == name)
    return Sample(name, spec.place, spec.quantity, at_s, value, spec.unit)


INSTANT = [_sample("bed", 31.25), _sample("air", 29.5), _sample("air-humidity", 81.0)]


def test_rounds_never_hold_a_probe_twice() -> None:
    groups = rounds([_sample("bed", 1.0), _sample("bed", 2.0), _sample("air", 3.0), _sample("bed", 4.0)])
    assert [[s.value for s in group] for group in groups] == [[1.0, 3.0], [2.0], [4.0]]


# -- serial -----------------------------------------------------------------------------------------------


@pytest.fixture
def line(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[SerialLine]:
    style: LineFormat = getattr(request, "param", "json")
    device = SerialLine(tmp_path / "probe", SPECS, style)
    yield device
    device.close()


def _read(line: SerialLine, path: Path, count: int = 1) -> list[bytes]:
    with serial.Serial(str(path), 9600, timeout=5.0) as port:
        line.wait_reader()
        for _ in range(count):
            line.publish(INSTANT)
        return [text for text in (port.readline().strip() for _ in range(count + 1)) if text]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("json", b'{"bed":31.25,"air":29.5,"air-humidity":81.0}'),
        ("csv", b"31.25,29.5,81"),
        ("keys", b"bed=31.25 air=29.5 air-humidity=81"),
    ],
    indirect=["line"],
)
def test_reader_gets_whole_lines_in_the_asked_form(line: SerialLine, expected: bytes, tmp_path: Path) -> None:
    assert _read(line, tmp_path / "probe", 3) == [expected] * 3
    assert line.sent == 3


def test_csv_may_begin_with_the_names(tmp_path: Path) -> None:
    device = SerialLine(tmp_path / "probe", SPECS, "csv", header=True)
    assert _read(device, tmp_path / "probe") == [b"bed,air,air-humidity", b"31.25,29.5,81"]
    assert device.sent == 2
    device.close()


def test_absent_probe_leaves_its_column_empty(tmp_path: Path) -> None:
    device = SerialLine(tmp_path / "probe", SPECS, "csv")
    assert device.text([_sample("air", 29.5)]) == [",29.5,"]
    device.close()


def test_nothing_is_counted_while_nobody_reads(line: SerialLine) -> None:
    line.publish(INSTANT)
    assert line.sent == 0


def test_replugged_device_has_another_number_and_the_same_link(line: SerialLine, tmp_path: Path) -> None:
    link = tmp_path / "probe"
    numbers = []
    for _ in range(4):
        numbers.append(str(link.readlink()))
        assert _read(line, link)
        line.unplug()
        assert not link.is_symlink()
        line.publish(INSTANT)
        line.plug()
    assert all(one != other for one, other in itertools.pairwise(numbers))


def test_reader_of_a_pulled_device_is_hung_up(line: SerialLine, tmp_path: Path) -> None:
    with serial.Serial(str(tmp_path / "probe"), 9600, timeout=2.0) as port:
        line.wait_reader()
        line.unplug()
        with pytest.raises(serial.SerialException):
            port.read(1)


# -- MQTT -------------------------------------------------------------------------------------------------


class _Listener:
    """Another client that hears everything."""

    def __init__(self, port: int) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

        self.heard: list[tuple[str, bytes, int]] = []
        ready = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bytes(m.payload), m.qos))
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("#", qos=1)
        self._client.loop_start()
        assert ready.wait(60)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_boards_send_what_is_soldered_to_them_in_one_message(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        listener = _Listener(broker.port)
        publisher = MqttPublisher("127.0.0.1", broker.port, "sim/", SPECS)
        publisher.publish(INSTANT)
        until(lambda: len(listener.heard) >= 2)
        heard = {topic: json.loads(payload) for topic, payload, _ in listener.heard}
        assert heard == {"sim/bed": {"temperature": 31.25}, "sim/air": {"temperature": 29.5, "humidity": 81.0}}
        assert {qos for _, _, qos in listener.heard} == {1}
        assert publisher.sent == 2
        publisher.close()
        listener.close()


def test_broker_that_does_not_answer_is_an_error(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        publisher = MqttPublisher("127.0.0.1", broker.port, "sim", SPECS, timeout_s=0.5)
        broker.freeze()
        with pytest.raises(TimeoutError, match="acknowledge"):
            publisher.publish(INSTANT)
        broker.thaw()
        publisher.close()
