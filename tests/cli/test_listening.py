"""Set-up that listens where it is pointed: a real broker, a pseudo-terminal, a Modbus server, a frozen sensor tree."""

from __future__ import annotations

import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from kojimon.cli.setup.placing import Reading, likeliest
from kojimon.settings.load import load_settings
from kojimon.settings.spec import KernelSource, ModbusSource, MqttSource, SerialSource, Settings
from tests.cli.conftest import Kitchen
from tests.parts.broker import Broker, publish
from tests.parts.modbus import Line, Server
from tests.parts.pty import Device
from tests.probes.trees import plug

PERSON = "F\nlb\n2\n" + "\n" * 6
"""°F, lb, two trays, Enter for the rest, up to the source."""
END = "no\n-\n"
"""No page, no phone; there may be no loudspeaker to ask about."""


def listened(kitchen: Kitchen, *typed: str, words: tuple[str, ...] = (), code: int = 0) -> tuple[Settings, str]:
    """Set-up into new.yaml; what was made, and everything printed with blanks evened out."""
    done = kitchen.run(
        "setup", "-o", "new.yaml", "--journal", "new.journal", "--no-look", "--no-test", "--listen", "1", "--force",
        *words, typed=PERSON + "\n".join(typed) + "\n" + END, code=code,
    )  # fmt: skip
    return load_settings(kitchen.folder / "new.yaml"), " ".join(done.output.split())


def test_two_values_in_one_message_are_two_probes(kitchen: Kitchen) -> None:
    with Broker(kitchen.folder / "broker", {"cook": "se cret"}) as broker:
        words = {"user": "cook", "password": "se cret"}
        publish(broker, "cellar/koji/temperature", "31.2", retain=True, **words)
        box = b'{"box": {"Temperature": 30.1, "Humidity": 85.5}, "battery": 3.1}'
        publish(broker, "cellar/box", box, retain=True, **words)
        made, told = listened(
            kitchen, "mqtt", "127.0.0.1", str(broker.port), "cook", "se cret", "all", "4", "99", "3", "1", "2", "no",
        )  # fmt: skip
    for heard in (
        "1 cellar/box box.Temperature 30.1 °C now", "2 cellar/box box.Humidity 85.5 % now",
        "3 cellar/koji/temperature 31.2 °C now", "4 cellar/box battery 3.1 now",
        "1 more that do not look like a temperature or a humidity: all",
        "'99' will not do: a number from 1 to 4 is expected",
    ):  # fmt: skip
        assert heard in told, heard
    source = made.sources[0]
    assert isinstance(source, MqttSource) and source.password is not None
    assert (source.port, source.user, source.password.file) == (
        broker.port,
        "cook",
        str(kitchen.folder / "mqtt-password"),
    )
    assert {probe.name: (probe.place, probe.tray, probe.topic, probe.key) for probe in made.probes} == {
        "koji-top": ("bed", "top", "cellar/box", "battery"),
        "koji-bottom": ("bed", "bottom", "cellar/koji/temperature", ""),
        "air": ("air", "", "cellar/box", "box.Temperature"),
        "air-humidity": ("air", "", "cellar/box", "box.Humidity"),
    }
    kept = kitchen.folder / "mqtt-password"
    assert kept.read_text() == "se cret\n" and stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert "se cret" not in (kitchen.folder / "new.yaml").read_text()


def test_a_wrong_port_is_told_and_it_goes_back_to_it(kitchen: Kitchen) -> None:
    with Broker(kitchen.folder / "broker") as broker:
        publish(broker, "koji", "31.2", retain=True)
        made, told = listened(
            kitchen, "mqtt", "", "1", "-", "<", "<", str(broker.port), "-", "1", "-", "-", "-", "no"
        )  # fmt: skip
    assert "MQTT broker 127.0.0.1:1: nobody listens there; is the broker running, is the port right? 1 listen" in told
    assert told.count("Name or address of the broker") == 1
    assert [(probe.name, probe.topic) for probe in made.probes] == [("koji-top", "koji")]


def test_whoever_chooses_none_of_the_numbers_is_told_and_asked_once(kitchen: Kitchen) -> None:
    with Broker(kitchen.folder / "broker") as broker:
        publish(broker, "one", "31.2", retain=True)
        made, told = listened(
            kitchen, "mqtt", "", str(broker.port), "-", *"-----", "no", "1", *"----", "no"
        )  # fmt: skip
    assert told.count("None of the numbers that were found has a place now") == 1
    assert [(probe.name, probe.topic) for probe in made.probes] == [("koji-top", "one")]


def test_going_back_does_not_listen_anew(kitchen: Kitchen) -> None:
    with Broker(kitchen.folder / "broker") as broker:
        publish(broker, "top/temperature", "31.2", retain=True)
        publish(broker, "low/temperature", "31.3", retain=True)
        made, told = listened(
            kitchen, "mqtt", "", str(broker.port), "-", "1", "-", "<", "<", "2", "1", "no"
        )  # fmt: skip
    assert told.count("Listening for") == 1
    assert {probe.name: probe.topic for probe in made.probes} == {
        "koji-top": "top/temperature", "koji-bottom": "low/temperature"
    }  # fmt: skip


def test_nothing_is_heard_and_what_will_come_is_written_down(kitchen: Kitchen) -> None:
    with Broker(kitchen.folder / "broker") as broker:
        made, told = listened(kitchen, "mqtt", "", str(broker.port), "-", "write", "", "my/low", "-", "-", "no")
    assert "no readings." in told
    assert [(probe.name, probe.topic) for probe in made.probes] == [
        ("koji-top", "kojimon/koji-top"), ("koji-bottom", "my/low")
    ]  # fmt: skip


def test_a_sensor_file_written_down_that_is_not_there_now_is_told(kitchen: Kitchen) -> None:
    root, file = kitchen.folder / "sys", "class/hwmon/hwmon0/temp1_input"
    root.mkdir()
    made, told = listened(kitchen, "kernel", str(root), "write", file, "-", "-", "-", "no")
    assert [(probe.name, probe.topic) for probe in made.probes] == [("koji-top", file)]
    assert f"Probe koji-top: `file: {file}` is not there now below {root}." in told


@contextmanager
def talking(folder: Path, line: bytes) -> Iterator[Path]:
    """A board on a pseudo-terminal that sends one line again and again."""
    stop = threading.Event()

    def talk(device: Device) -> None:
        while not stop.wait(0.02):
            device.send(line + b"\n")

    with Device(folder, "ttyUSB0") as device:
        talker = threading.Thread(target=talk, args=(device,))
        talker.start()
        try:
            yield device.path
        finally:
            stop.set()
            talker.join()


def test_a_board_on_a_serial_line_shows_every_number_of_its_line(kitchen: Kitchen) -> None:
    with talking(kitchen.folder, b"koji_t=88.1 air_t=30.5 air_h=86 n=17") as port:
        made, told = listened(kitchen, "serial", str(port), "", "f", "-", "2", "3", "-", "no", words=("--listen", "10"))
    assert "2 air_t 30.5 °C now" in told and "1 koji_t 88.1, °C or °F, now" in told
    assert "1 more that do not look like" in told
    source = made.sources[0]
    assert isinstance(source, SerialSource) and (source.port, source.format) == (str(port), "keys")
    assert {probe.name: (probe.key, probe.unit) for probe in made.probes} == {
        "koji-top": ("koji_t", "F"), "air": ("air_t", "C"), "air-humidity": ("air_h", "%"),
    }  # fmt: skip


def test_a_transmitter_on_a_bus_shows_its_registers(kitchen: Kitchen) -> None:
    with Line(kitchen.folder) as line, Server(line.theirs, {3: ({}, {0: 312, 1: 855})}):
        made, told = listened(kitchen, "modbus", str(line.ours), "", "", "3", "1", "c", "-", "-", "2", "-", "no")
    assert "1 input register 0 31.2 now (312 times 0.1)" in told and "2 input register 1 85.5 now" in told
    source = made.sources[0]
    assert isinstance(source, ModbusSource) and source.port == str(line.ours)
    probes = {probe.name: probe for probe in made.probes}
    assert set(probes) == {"koji-top", "air-humidity"}
    assert (probes["koji-top"].unit_id, probes["koji-top"].register, probes["koji-top"].scale) == (3, 0, 0.1)
    assert probes["air-humidity"].register == 1


def test_sensor_files_and_a_broker_beside_them(kitchen: Kitchen) -> None:
    root = kitchen.folder / "sys"
    plug(root, "class/hwmon", 0, "i2c-1/1-0044", {"name": "sht3x\n", "temp1_input": "24998\n"})
    with Broker(kitchen.folder / "broker") as broker:
        publish(broker, "koji", "31.2", retain=True)
        made, told = listened(
            kitchen, "kernel", str(kitchen.folder / "none"), "else", "yes", "kernel", str(root), "-", "-", "1", "-",
            "yes", "mqtt", "", str(broker.port), "-", "1", "-", "-", "-", "no",
        )  # fmt: skip
    assert "there is no such folder" in told
    assert [type(source) for source in made.sources] == [KernelSource, MqttSource]
    assert {probe.name: probe.source for probe in made.probes} == {"air": "sensors", "koji-top": "house"}


def test_the_temperature_of_a_hygrometer_is_the_air_s_and_never_the_koji_s(kitchen: Kitchen) -> None:
    """Enter at every number; the broker's port stands behind its address."""
    with Broker(kitchen.folder / "broker") as broker:
        publish(broker, "koji/temperature", "31.2", retain=True)
        publish(broker, "koji/humidity", "85.5", retain=True)
        made, told = listened(kitchen, "mqtt", f"127.0.0.1:{broker.port}", "", "-", "", "", "", "", "no")
    assert f"Its port? [{broker.port}]" in told
    assert {probe.name: (probe.place, probe.topic) for probe in made.probes} == {
        "air": ("air", "koji/temperature"), "air-humidity": ("air", "koji/humidity"),
    }  # fmt: skip


@pytest.mark.parametrize(("heard", "place", "guessed"), [
    ("home/bedroom/t kojitemp", "bed", "kojitemp"), ("home/bedroom/t", "bed", None),
    ("home/bedroom/t", "room", "home/bedroom/t"), ("bedside/t rice2/t", "bed", "rice2/t"),
    ("traykitchen/t riceTray/t", "bed", "riceTray/t"), ("airing-cupboard/t one/airTemp", "air", "one/airTemp"),
    ("desktop/t left/top/t", "bed", "left/top/t"), ("koji2/t", "air", None), ("airTemp", "bed", None),
])  # fmt: skip
def test_an_address_says_by_whole_words_where_its_number_sits(heard: str, place: str, guessed: str | None) -> None:
    readings = [Reading(where, {}, "temperature", "31.2 °C", where=where) for where in heard.split()]
    found = likeliest(readings, place, "top")
    assert (found.where if found else None) == guessed
