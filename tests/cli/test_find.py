"""Finding probes at a real pseudo-terminal, a real broker, a frozen sensor tree; what is printed loads as it is."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest

from kojimon.cli.setup import looking
from kojimon.cli.setup.looking import look, ready
from kojimon.cli.setup.placing import Finding
from kojimon.clock import SystemClock
from kojimon.errors import ConfigurationError
from kojimon.links.mqtt import Address
from kojimon.model import Arrival
from kojimon.probes.finding.guess import guess
from kojimon.probes.finding.look import MqttFind
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.load import load_settings
from kojimon.settings.spec import KernelSource, MqttSource, SerialSource
from tests.cli.conftest import Kitchen
from tests.parts.broker import publish
from tests.parts.broker import running as broker_running
from tests.parts.pty import Device
from tests.parts.wait import until
from tests.probes.trees import plant, plug

HEAD = """\
incubators:
  box: {schedule: rice-koji-home-trays, trays: [top]}
"""


@pytest.fixture(autouse=True)
def nothing_on_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that happens to run on the test machine must not be heard."""
    monkeypatch.setattr(looking, "reachable", list)


def test_sensor_files_become_settings_that_load(kitchen: Kitchen) -> None:
    damp = {"name": "sht3x\n", "temp1_input": "24998\n", "humidity1_input": "79998\n"}
    for number, address in enumerate(("0044", "0045")):
        plug(kitchen.folder / "sys", "class/hwmon", number, f"fe804000.i2c/i2c-1/1-{address}", damp)
    words = (
        "probes",
        "find",
        "--seconds",
        "1",
        "--root",
        str(kitchen.folder / "sys"),
        "--dev",
        str(kitchen.folder / "dev"),
    )
    result = kitchen.run(*words)
    kitchen.config.write_text(HEAD + result.stdout)
    made = load_settings(kitchen.config)
    assert isinstance(made.sources[0], KernelSource)
    places = {probe.topic: (probe.place, probe.quantity, probe.device) for probe in made.probes}
    by_bus = "devices/platform/soc/fe804000.i2c/i2c-*/*-{}/hwmon/hwmon*/humidity1_input"
    assert [places[by_bus.format(address)] for address in ("0044", "0045")] == [("air", "humidity", "sht3x")] * 2
    assert "sht3x-0044-temp1" in {probe.name for probe in made.probes}
    assert "Write `file:" not in kitchen.run("check").output
    found = json.loads(kitchen.run(*words, "--json").stdout)
    assert found[0]["source"]["kind"] == "kernel"


@pytest.mark.parametrize(
    ("file", "told"),
    [
        ("name:sht3x", "may be either of several sensors and is not read. Write one: `file: {0}` or `file: {1}`."),
        ("hwmon1", "may be another sensor after a start with one more or less. Write `file: {1}`."),
    ],
)
def test_check_tells_the_line_to_write_for_a_path_that_may_mean_another_sensor(
    kitchen: Kitchen, file: str, told: str
) -> None:
    root = kitchen.folder / "sys"
    for number, address in enumerate(("0044", "0045")):
        plug(root, "class/hwmon", number, f"fe804000.i2c/i2c-1/1-{address}", {"name": "sht3x\n", "temp1_input": "3\n"})
    probe = f"sources: {{pins: {{kind: kernel, root: {root}}}}}\nprobes:\n  koji: {{place: bed, file: class/hwmon/"
    kitchen.config.write_text(f"{HEAD}{probe}{file}/temp1_input}}\n")
    lines = [f"devices/platform/soc/fe804000.i2c/i2c-*/*-{one}/hwmon/hwmon*/temp1_input" for one in ("0044", "0045")]
    assert told.format(*lines) in " ".join(kitchen.run("check", width=400).output.split())


def heard(tmp_path: Path, line: bytes) -> list[Finding]:
    """What is found at a board that sends one line again and again."""
    stop = threading.Event()

    def talk(device: Device) -> None:
        while not stop.wait(0.05):
            device.send(line + b"\n")

    (tmp_path / "dev").mkdir()
    with Device(tmp_path / "dev", "ttyUSB0") as device:
        talker = threading.Thread(target=talk, args=(device,))
        talker.start()
        try:
            return look(10.0, tmp_path / "dev", [tmp_path / "sys"])
        finally:
            stop.set()
            talker.join()


def test_a_line_with_decimal_commas_becomes_settings_once_it_is_said_what_it_measures(tmp_path: Path) -> None:
    lines = list(ready(heard(tmp_path, b"31,9;84,1")))
    target = tmp_path / "made.yaml"
    target.write_text(HEAD + "\n".join(lines) + "\n")
    with pytest.raises(ConfigurationError, match="probe"):
        load_settings(target)
    assert lines.count("  #  unit: C  # or F; % for humidity") == 1, lines
    known = [line.replace("#", "", 1) if line.startswith("  #") else line for line in lines]
    target.write_text(HEAD + "\n".join(known) + "\n")
    made = load_settings(target)
    source = made.sources[0]
    assert isinstance(source, SerialSource)
    assert (source.format, source.separator, source.decimal) == ("csv", ";", ",")
    pipeline = Pipeline(made.probes, {probe.name: at for at, probe in enumerate(made.probes)}, made.sources)
    read = pipeline.take(Arrival(source.name, 0, "", b"31,9;84,1"), 0)
    assert [one.raw for one in read] == [31.9, 84.1]


def test_a_line_that_may_be_read_in_two_ways_is_told(tmp_path: Path) -> None:
    found = heard(tmp_path, b"31,9,84,1")
    assert list(ready(found)) == []
    assert "`31,9,84,1` may have decimal commas" in found[0].what


def test_a_serial_board_becomes_settings_that_load(tmp_path: Path) -> None:
    line = b'{"koji_temp": 31.2, "air_temp_f": 88.1, "box_temp": 85.0, "air_hum": 86, "id": 17, "battery": 87}'
    found = heard(tmp_path, line)
    lines = list(ready(found))
    assert any(
        line.startswith("  #box_temp:  # 85.0, °C or °F, now; nothing says in which unit: if you know")
        for line in lines
    ), lines
    assert "  #  unit: C  # or F" in lines
    target = tmp_path / "made.yaml"
    target.write_text(HEAD + "\n".join(lines) + "\n")
    made = load_settings(target)
    source = made.sources[0]
    assert isinstance(source, SerialSource) and source.format == "json"
    assert {probe.key: (probe.place, probe.quantity, probe.unit) for probe in made.probes} == {
        "koji_temp": ("bed", "temperature", "C"),
        "air_temp_f": ("air", "temperature", "F"),
        "air_hum": ("air", "humidity", "%"),
    }


@pytest.mark.slow
def test_a_broker_becomes_settings_that_load(tmp_path: Path) -> None:
    with broker_running(tmp_path) as broker:
        publish(broker, "cellar/koji/temperature", "31.2", retain=True)
        publish(broker, "cellar/box", '{"Temperature": 30.1, "Humidity": 85.5, "Battery": 3.1}', retain=True)
        found = look(2.0, tmp_path / "dev", [tmp_path / "sys"], [Address("127.0.0.1", broker.port)])
    target = tmp_path / "made.yaml"
    target.write_text(HEAD + "\n".join(ready(found)) + "\n")
    made = load_settings(target)
    source = made.sources[0]
    assert isinstance(source, MqttSource) and source.port == broker.port
    assert {(probe.topic, probe.key): (probe.place, probe.quantity) for probe in made.probes} == {
        ("cellar/koji/temperature", ""): ("bed", "temperature"),
        ("cellar/box", "Temperature"): ("air", "temperature"),
        ("cellar/box", "Humidity"): ("air", "humidity"),
    }


def test_a_topic_of_two_lines_that_is_left_out_stays_in_its_comment(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = MqttFind((guess("koji/temperature", "", 31.2),), twice=("a\n  evil: {}",))
    monkeypatch.setattr("kojimon.probes.finding.look.listen_mqtt", lambda *_: seen)
    found = looking.hear_broker(Address("127.0.0.1"), SystemClock(), 1.0, "finder")
    assert "left out, because a name stands twice in the message: a" in found.what
    assert not any("\n" in line for line in ready([found]))


def test_two_sources_are_told_apart(tmp_path: Path) -> None:
    plant(tmp_path / "one", {"class/hwmon/hwmon0/name": "sht3x\n", "class/hwmon/hwmon0/temp1_input": "24998\n"})
    both = look(1, tmp_path, [tmp_path / "one"]) * 2
    target = tmp_path / "made.yaml"
    target.write_text(HEAD + "\n".join(ready(both)) + "\n")
    made = load_settings(target)
    assert [source.name for source in made.sources] == ["sensors", "sensors-2"]
    assert [probe.source for probe in made.probes] == ["sensors", "sensors-2"]
    assert len({probe.name for probe in made.probes}) == 2


def test_nothing_found_says_what_to_look_at(kitchen: Kitchen) -> None:
    words = ("probes", "find", "--seconds", "1", "--root", str(kitchen.folder / "sys"), "--dev", str(kitchen.folder))
    result = kitchen.run(*words, code=1)
    assert "Is the probe plugged in" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize("text", [":1883", "host:port", "host:0", "host:99999"])
def test_a_broker_that_is_none_is_refused(kitchen: Kitchen, text: str) -> None:
    assert "expected a broker's host" in kitchen.run("probes", "find", "--broker", text, code=2).stderr


@pytest.mark.slow
def test_a_port_that_a_daemon_reads_is_left_alone(kitchen: Kitchen) -> None:
    (kitchen.folder / "dev").mkdir()
    with Device(kitchen.folder / "dev", "ttyUSB0"):
        port = kitchen.folder / "dev" / "ttyUSB0"
        kitchen.config.write_text(
            kitchen.config.read_text()
            .replace(f"kind: kernel, root: {kitchen.folder}/board, poll_every: 0.1 s", f"kind: serial, port: {port}")
            .replace(", file: koji", ", path: koji")
            .replace(", file: air", ", path: air")
        )
        kitchen.start()
        until(lambda: kitchen.run("probes", code=None).exit_code == 0)
        words = (
            "probes",
            "find",
            "--seconds",
            "1",
            "--root",
            str(kitchen.folder),
            "--dev",
            str(kitchen.folder / "dev"),
        )
        told = kitchen.run(*words, code=1).stderr
        assert f"{port}: left alone: kojimon reads it." in told.replace("\n", " ").replace("  ", " ")


def test_a_sensor_that_is_not_there_now_is_told_and_one_below_the_settings_own_folder_is_found(
    kitchen: Kitchen,
) -> None:
    root, file = kitchen.folder / "own", "class/hwmon/hwmon0/temp1_input"
    pins = f"sources: {{pins: {{kind: kernel, root: {root}}}}}\nprobes:\n  koji: {{place: bed, file: {file}}}\n"
    kitchen.config.write_text(HEAD + pins)
    gone = f"Probe koji: `file: {file}` is not there now below {root}. Is the sensor plugged in"
    assert gone in " ".join(kitchen.run("check", width=400).output.split())
    plant(root, {"class/hwmon/hwmon0/name": "sht3x\n", file: "24998\n"})
    assert f"root: {root}" in kitchen.run("probes", "find", "--seconds", "1", "--dev", str(kitchen.folder)).stdout
    assert "is not there now" not in kitchen.run("check").output
