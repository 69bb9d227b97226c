"""Finding probes: guesses from payloads, real pseudo-terminals, frozen trees, a real broker."""

import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.clock import SystemClock
from kojimon.links.kernel_files import read, resolve
from kojimon.links.mqtt import Address
from kojimon.model import Quantity
from kojimon.probes.finding.guess import guess, numbers_in, pace
from kojimon.probes.finding.lines import LineGuess, guess_lines
from kojimon.probes.finding.look import find_kernel, guesses_in, listen_mqtt, listen_serial, serial_ports
from kojimon.probes.finding.names import OTHER, quantity_of
from kojimon.probes.formats.decode import json_document, parse_path
from kojimon.probes.formats.said import units_in
from tests.parts.broker import Broker, free_port, publish
from tests.parts.pty import Device
from tests.probes.trees import SOUND, plant, plug

T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY


@pytest.mark.parametrize(
    ("name", "quantity"),
    [
        ("temperature", T),
        ("DS18B20-1.Temperature", T),
        ("AM2301.Humidity", H),
        ("T", T),
        ("t2", T),
        ("rh", H),
        ("bed_temp", T),
        ("sensors/kitchen/humidity", H),
        ("ch1_temp", T),
        ("tempC", T),
        ("temperature/kitchen", T),
        ("temperature.value", T),
        ("temperature/humidity_alarm", OTHER),
        ("temperature.id", OTHER),
        ("temp_sensor_id", OTHER),
        ("t_ms", OTHER),
        ("min_temp", OTHER),
        ("targetTemperature", OTHER),
        ("dew_point_temperature", OTHER),
        ("cpu_temp", OTHER),
        ("uptime_h", OTHER),
        ("battery", OTHER),
        ("timestamp", OTHER),
        ("height", OTHER),
        ("attempts", OTHER),
        ("template", ""),
        ("board_temp", ""),
        ("abs_humidity", OTHER),
        ("soil_moisture", OTHER),
        ("garden/soil/humidity", OTHER),
        ("moisture", ""),
        ("cpu.temp", OTHER),
        ("pi/cpu/temperature", OTHER),
        ("pi/koji/temperature", T),
    ],
)
def test_names(name: str, quantity: str) -> None:
    assert quantity_of("", name) == quantity


def test_units() -> None:
    assert guess("", "temp_f", 20.0).unit == "F"
    # 85.0 is what a DS18B20 sends at power-up (its data sheet, Rev 4), 62 °C is hot rice: size alone says nothing.
    assert [guess("", "temperature", value).unit for value in (45.0, 46.0, 62.0, 85.0, 86.0)] == ["C", "", "", "", ""]
    assert guess("", "temp_f", 85.0, said="C").unit == ""
    assert (guess("", "column-1", 85.0).quantity, guess("", "column-1", 85.0).unit) == ("", "")
    assert guess("", "temp_c", 86.0).unit == "C"
    assert guess("", "tempf", 45.0).unit == "F"
    assert guess("", "temperature", 30.0).unit == "C"
    assert guess("", "humidity", 86.0).unit == "%"


@pytest.mark.parametrize(
    ("payload", "unit"),
    [
        (b'{"SENSOR": {"Temperature": 30.6}, "TempUnit": "F"}', "F"),
        (b'{"Temperature": 86.2, "TempUnit": "C"}', "C"),
        (b'{"Temperature": 30.6, "unit": "\xc2\xb0F"}', "F"),
        (b'{"a": {"temp": 30.6, "unit": "F"}, "b": {"unit": "C"}}', "F"),
        (b'{"a": {"temp": 30.6}, "b": {"unit": "F"}}', "C"),
        (b'{"temp": 30.6, "unit": "F", "temp_unit": "C"}', ""),
        (b'{"temp": 30.6, "label": "F"}', "C"),
    ],
)
def test_a_unit_that_the_message_names_counts(payload: bytes, unit: str) -> None:
    units = units_in(json_document(payload, ()))
    assert [one.unit for one in guesses_in("t", numbers_in(payload), 0.0, units)] == [unit]
    assert [one.unit for one in guess_lines([payload] * 3).guesses] == [unit]


def test_a_name_that_stands_twice_in_a_message_is_left_out_and_told(tmp_path: Path) -> None:
    payload = b'{"temperature": 30.1, "temperature": 31.2}'
    assert numbers_in(payload) == {} and "has a name twice" in guess_lines([payload] * 3).trouble
    with Broker(tmp_path / "broker") as broker:
        publish(broker, "cellar/twice", payload, retain=True)
        found = listen_mqtt(Address("127.0.0.1", broker.port), SystemClock(), 1.0, "finder")
    assert (found.guesses, found.twice) == ((), ("cellar/twice",))


def test_plain_numbers_are_shown_and_homie_says_their_unit(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        for topic in ("cellar/koji", "a/plain", "28-0316a2"):
            publish(broker, topic, b"30.9", retain=True)
        publish(broker, "homie/box/probe/temperature", b"30.6", retain=True)
        publish(broker, "homie/box/probe/temperature/$unit", "°F".encode(), retain=True)
        publish(broker, "homie/box/$stats/uptime", b"60", retain=True)
        # What another kojimon says of itself is no probe's.
        publish(broker, "kojimon/twin/attic/forecast", b'{"bed_now_c": 34.1, "temperature": 31.0}', retain=True)
        publish(broker, "kojimon/koji", b"30.9", retain=True)
        found = listen_mqtt(Address("127.0.0.1", broker.port), SystemClock(), 1.0, "finder")
    assert {one.topic: (one.quantity, one.unit) for one in found.guesses} == {
        "cellar/koji": ("", "C"),
        "a/plain": ("", "C"),
        "kojimon/koji": ("", "C"),
        "28-0316a2": ("", "C"),
        "homie/box/probe/temperature": (T, "F"),
    }


def test_numbers_in_published_payloads() -> None:
    # Payload examples from the documentation of an open firmware (MQTT.md, DS18x20.md).
    payload = b'{"Time":"2021-01-02T09:09:44","DS18B20-1":{"Id":"00000566CC39","Temperature":13.3},"TempUnit":"C"}'
    assert numbers_in(payload) == {"DS18B20-1.Temperature": 13.3}
    assert numbers_in(b"21.5") == {"": 21.5}
    assert numbers_in(b'[{"t":1},{"t":2}]') == {"[0].t": 1.0, "[1].t": 2.0}


@given(st.binary(max_size=300) | st.recursive(st.floats(), st.lists).map(lambda x: repr(x).encode()))
def test_no_payload_makes_it_raise_and_every_path_can_be_used(payload: bytes) -> None:
    numbers = numbers_in(payload)
    assert len(numbers) <= 64
    for path in numbers:
        parse_path(path)


@given(st.lists(st.binary(max_size=60), max_size=12))
def test_no_lines_make_it_raise(lines: list[bytes]) -> None:
    assert guess_lines(lines).format in ("", "json", "keys", "csv")


@pytest.mark.parametrize(
    ("lines", "form", "columns", "keys"),
    [
        ([b'{"bed":31.4,"rh":80}'] * 3, "json", (), ["bed", "rh"]),
        ([b"boot", b"T=31.4 H=80", b"T=31.5 H=81"], "keys", (), ["T", "H"]),
        ([b"temp,rh", b"31.4,80", b"31.5,81"], "csv", (), ["temp", "rh"]),
        ([b"31.4;80", b"31.5;81"], "csv", ("column-1", "column-2"), ["column-1", "column-2"]),
        ([b"31.4", b"31.5"], "csv", ("column-1",), ["column-1"]),
        ([b"hello", b"world"], "", (), []),
        ([], "", (), []),
    ],
)
def test_lines(lines: list[bytes], form: str, columns: tuple[str, ...], keys: list[str]) -> None:
    found = guess_lines(lines)
    assert (found.format, found.columns, [one.key for one in found.guesses]) == (form, columns, keys)


def test_pace() -> None:
    assert pace([0, 10_000, 20_100, 30_000]) == 10.0
    assert pace([5]) == 0.0


def test_ports_by_their_most_stable_name(tmp_path: Path) -> None:
    (tmp_path / "serial/by-id").mkdir(parents=True)
    (tmp_path / "serial/by-path").mkdir()
    for name in ("ttyUSB0", "ttyUSB1", "ttyACM0"):
        (tmp_path / name).touch()
    (tmp_path / "serial/by-id/usb-probe").symlink_to(tmp_path / "ttyUSB0")
    (tmp_path / "serial/by-path/platform-1").symlink_to(tmp_path / "ttyUSB0")
    (tmp_path / "serial/by-path/platform-2").symlink_to(tmp_path / "ttyUSB1")
    found = [str(port.relative_to(tmp_path)) for port in serial_ports(tmp_path)]
    assert found == ["serial/by-id/usb-probe", "serial/by-path/platform-2", "ttyACM0"]


def test_listening_to_a_port(tmp_path: Path) -> None:
    with Device(tmp_path) as device:
        stop = threading.Event()

        def talk() -> None:
            while not stop.wait(0.02):
                device.send(b"T=31.4 H=80\n")

        thread = threading.Thread(target=talk)
        thread.start()
        try:
            found = listen_serial(device.path, SystemClock(), 10.0)
        finally:
            stop.set()
            thread.join()
    assert (found.port, found.baud, found.lines.format, found.trouble) == (str(device.path), 9600, "keys", "")
    assert [(one.key, one.quantity) for one in found.lines.guesses] == [("T", T), ("H", H)]


def test_a_silent_and_a_missing_port_say_so(tmp_path: Path) -> None:
    with Device(tmp_path) as device:
        assert listen_serial(device.path, SystemClock(), 0.2, [9600]).trouble == "nothing was heard"
    missing = listen_serial(tmp_path / "none", SystemClock(), 0.2)
    assert missing.lines == LineGuess("")
    assert "no such device" in missing.trouble


def test_kernel_trees(tmp_path: Path) -> None:
    plant(tmp_path, {name: text for name, text in SOUND.items() if name.startswith("bus/w1")})
    bus, damp = "fe804000.i2c/i2c-1/1-", {"temp1_input": "24998\n", "humidity1_input": "93998\n"}
    plug(tmp_path, "class/hwmon", 0, "thermal", {"name": "cpu_thermal\n", "temp1_input": "48312\n"})
    plug(tmp_path, "class/hwmon", 1, f"{bus}0044", {"name": "sht4x\n"} | damp)
    plug(tmp_path, "class/hwmon", 2, f"{bus}0045", {"name": "sht4x\n"} | damp)
    in_percent = {"name": "bme680\n", "in_temp_input": "28200\n", "in_humidityrelative_input": "41.074000000\n"}
    plug(tmp_path, "bus/iio/devices", 0, f"{bus}0076", in_percent)
    plug(tmp_path, "bus/iio/devices", 1, "dht11@4", {"name": "dht11\n", "in_temp_input": "28000\n"})
    found = {(one.driver, guess.topic): guess for one in find_kernel(tmp_path) for guess in one.guesses}
    i2c = "devices/platform/soc/fe804000.i2c/i2c-*/*-"
    assert {topic for _, topic in found} == {
        "bus/w1/devices/28-00000bbb9b13/temperature",
        f"{i2c}0044/hwmon/hwmon*/temp1_input",
        f"{i2c}0044/hwmon/hwmon*/humidity1_input",
        f"{i2c}0045/hwmon/hwmon*/temp1_input",
        f"{i2c}0045/hwmon/hwmon*/humidity1_input",
        f"{i2c}0076/iio:device*/in_temp_input",
        f"{i2c}0076/iio:device*/in_humidityrelative_input",
        "devices/platform/soc/dht11@4/iio:device*/in_temp_input",
    }
    assert all(read(resolve(tmp_path, topic)) is not None for _, topic in found)
    bed = found["w1_slave_temp", "bus/w1/devices/28-00000bbb9b13/temperature"]
    assert (bed.device, bed.quantity, bed.unit, bed.value) == ("ds18b20", T, "C", 30.0)
    assert found["bme680", f"{i2c}0076/iio:device*/in_humidityrelative_input"].value == pytest.approx(41.074)


def test_no_kernel_trees_at_all(tmp_path: Path) -> None:
    assert find_kernel(tmp_path) == []


def test_listening_to_a_broker(tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        publish(broker, "garden/humidity", b"55", retain=True)

        stop = threading.Event()

        def talk() -> None:
            while not stop.wait(0.05):
                publish(broker, "tele/koji/SENSOR", b'{"DS18B20":{"Temperature":31.5},"uptime":7}')
                publish(broker, "koji/temp", b"88.7")
                publish(broker, "koji/words", b"hello")

        thread = threading.Thread(target=talk)
        thread.start()
        try:
            found = listen_mqtt(Address("127.0.0.1", broker.port), SystemClock(), 1.5, "finder")
        finally:
            stop.set()
            thread.join()
    assert found.trouble == ""
    seen = {(one.topic, one.key): (one.quantity, one.unit) for one in found.guesses}
    assert seen == {
        ("garden/humidity", ""): (H, "%"),
        ("tele/koji/SENSOR", "DS18B20.Temperature"): (T, "C"),
        ("koji/temp", ""): (T, ""),
    }


def test_a_broker_that_is_not_there_says_so() -> None:
    found = listen_mqtt(Address("127.0.0.1", free_port()), SystemClock(), 0.5, "finder")
    assert "nobody listens there" in found.trouble
