"""A good file becomes one frozen value; defaults, short cuts and relative paths."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.errors import ConfigurationError
from kojimon.probes.formats.decode import parse_path
from kojimon.settings import plain, spec
from kojimon.settings.load import load_settings
from tests.parts.size import size
from tests.settings.files import GOOD, SMALL, load, refusal


def test_a_file_as_people_write_it(tmp_path: Path) -> None:
    found = load(tmp_path, GOOD)
    assert found.site == "cellar"
    assert found.units == spec.Units(fahrenheit=True, pounds=True)
    assert found.person == spec.Person("Europe/Lisbon", "22:30", "06:30")
    box = found.incubators[0]
    assert (box.name, box.trays) == ("box", ("top", "middle", "bottom"))
    assert box.rice_kg == pytest.approx(4 * 0.45359237)
    assert box.schedule is found.schedules["rice-koji-home-trays"]
    assert found.sources == (
        spec.MqttSource(
            "house", "192.0.2.10", user="kojimon", password=spec.Secret(file=str(tmp_path / "mqtt-password"))
        ),
        spec.SerialSource("board", "/dev/serial/by-id/usb-example"),
    )
    assert found.probes == (
        spec.Probe(
            "koji-top",
            "box",
            "bed",
            "temperature",
            "house",
            tray="top",
            topic="cellar/koji",
            key="temperature",
            unit="F",
        ),
        spec.Probe("air", "box", "air", "temperature", "board", key="air"),
    )


def test_three_lines_are_enough(tmp_path: Path) -> None:
    found = load(tmp_path, SMALL)
    assert found.probes == (spec.Probe("koji", "box", "bed", "temperature", "house", tray="tray", topic="koji"),)
    assert (found.site, found.person, found.web, found.mirror) == (
        "home",
        spec.Person(),
        spec.WebSettings(),
        None,
    )
    assert found.journal.path == str(tmp_path / "kojimon.journal")
    assert found.journal.backup_folder == found.run_folder == ""


EVERY_KIND = """\
site: mill
incubators:
  box: {schedule: rice-koji-miso, trays: [a, b]}
  2: {schedule: rice-koji-sake, label: "Second: the big one", heating: lamp}
sources:
  m: {kind: mqtt, host: "::1", port: 8883, version: 3.1.1, tls: true, ca_file: ca.pem, client_id: me, keepalive: 1 min,
      session_expiry: 2 h, user: u, password: {environment: MQTT_PASSWORD}}
  s: {kind: serial, port: /dev/ttyUSB0, format: csv, columns: [x, z], separator: tab, baud: 115200}
  r: {kind: modbus, port: /dev/ttyUSB1, parity: E, stop_bits: 2, timeout: 0.2 s, poll_every: 5 s}
  k: {kind: kernel, root: /sys, poll_every: 20 s}
probes:
  p1: {in: box, place: bed, tray: a, from: m, topic: "+/koji", path: "a.b[0]", tolerance: 0.9 F, device: ds18b20}
  p2: {in: box, place: bed, tray: a, from: s, path: x, beside: p1, scale: 0.1, range: {low: 14 F, high: 60 C}}
  p3: {in: 2, place: air, quantity: humidity, from: r, tolerance: 2 %,
       modbus: {unit_id: 3, register: 1, function: 3, data_type: uint16, word_order: little}}
  p4: {in: 2, place: room, from: k, file: class/hwmon/hwmon0/temp1_input, every: 30 s,
       calibration: {points: [{read: 100.5 C, true: 212 F}, {read: 0.4 C, true: 0 C}], date: 2026-11-25, note: ice}}
journal: {file: /var/lib/kojimon/journal, commit_every: 30 s, ballast: 16 MB, backup_folder: ~/copies, thin_after: 10 d}
mirror: {url: "http://192.0.2.20:8086", organisation: o, bucket: b, token: {file: /etc/t}}
publish: {to: m, accept_acts: true}
web: {host: 0.0.0.0, port: 0, token: {file: t}, hosts: [kojimon.local], look: free}
staleness: {periods: 4, at_least: 2 min}
calibration: {due_after: 180 d}
altitude: 1000 ft
clock: {trusted: true}
run_folder: /run/kojimon
"""


def test_every_setting_arrives(tmp_path: Path) -> None:
    found = load(tmp_path, EVERY_KIND)
    here = str(tmp_path)
    assert [(box.name, box.label, box.heating) for box in found.incubators] == [
        ("box", "", ""), ("2", "Second: the big one", "lamp")
    ]  # fmt: skip
    assert found.sources == (
        spec.MqttSource(
            "m",
            "::1",
            8883,
            3,
            "u",
            spec.Secret(environment="MQTT_PASSWORD"),
            True,
            f"{here}/ca.pem",
            "me",
            60.0,
            7200.0,
        ),
        spec.SerialSource("s", "/dev/ttyUSB0", "csv", 115_200, ("x", "z"), "\t"),
        spec.ModbusSource("r", "/dev/ttyUSB1", parity="E", stop_bits=2, timeout_s=0.2, poll_every_s=5.0),
        spec.KernelSource("k", "/sys", 20.0),
    )
    p1, p2, p3, p4 = found.probes
    assert (p1.topic, p1.key, p1.device) == ("+/koji", "a.b[0]", "ds18b20")
    assert p1.tolerance == pytest.approx(0.5)
    assert (p2.beside, p2.scale, p2.range_low, p2.range_high) == ("p1", 0.1, -10.0, 60.0)
    assert (p3.unit, p3.tolerance, p3.tray) == ("%", 2.0, "")
    assert (p3.unit_id, p3.register, p3.function, p3.data_type, p3.word_order) == (3, 1, 3, "uint16", "little")
    assert p4.calibration == spec.Calibration(((0.4, 0.0), (100.5, 100.0)), "2026-11-25", "ice")
    assert (p4.topic, p4.expect_every_s) == ("class/hwmon/hwmon0/temp1_input", 30.0)
    assert found.journal == spec.JournalSettings(
        "/var/lib/kojimon/journal", 30.0, 16.0, str(Path("~/copies").expanduser()), 10.0
    )
    assert found.mirror == spec.MirrorSettings("http://192.0.2.20:8086", "o", "b", spec.Secret(file="/etc/t"))
    assert found.publish == spec.PublishSettings("m", True)
    assert found.web == spec.WebSettings("0.0.0.0", 0, spec.Secret(file=f"{here}/t"), ("kojimon.local",), True)
    assert found.staleness == spec.Staleness(4.0, 120.0)
    assert (found.calibration, found.altitude_m) == (spec.CalibrationSettings(180.0), 304.8)
    assert (found.clock_trusted, found.run_folder) == (True, "/run/kojimon")
    assert sorted(found.schedules) == ["rice-koji-miso", "rice-koji-sake"]


def test_humidity_is_given_its_own_unit_and_tolerance(tmp_path: Path) -> None:
    found = load(tmp_path, SMALL.replace("place: bed", "place: air, quantity: humidity"))
    assert (found.probes[0].unit, found.probes[0].tolerance) == ("%", 3.0)


def test_a_simulated_source_needs_no_address(tmp_path: Path) -> None:
    text = SMALL.replace("{kind: mqtt, host: 192.0.2.10}", "{kind: simulated, seed: 7, hands: false}")
    found = load(tmp_path, text.replace(", topic: koji", ""))
    assert found.sources == (spec.SimulatedSource("house", seed=7, hands=False),)


def test_a_schedule_of_ones_own_goes_before_the_shipped_one(tmp_path: Path) -> None:
    own = tmp_path / "schedules" / "rice-koji-home-trays.yaml"
    own.parent.mkdir()
    own.write_text(
        "label: Mine\npurpose: test\nstages: {all: {label: All, begins: 0 h}}\n"
        "steps: {inoculate: {label: Go, work: inoculate}, harvest: {label: End, work: harvest}}\n"
    )
    assert load(tmp_path, SMALL).incubators[0].schedule.label == "Mine"


def test_faults_of_the_settings_and_of_their_schedules_are_told_together(tmp_path: Path) -> None:
    own = tmp_path / "schedules" / "mine.yaml"
    own.parent.mkdir()
    own.write_text(
        "label: Mine\nstages: {all: {label: All, begins: 0}}\nsteps: {harvest: {label: End, work: harvest}}\n"
    )
    assert refusal(tmp_path, SMALL.replace("rice-koji-home-trays", "mine").replace("place: bed", "place: bd")) == [
        "k.yaml:3: probes.koji.place: found `bd`, expected `bed`, `air`, `room` or `wet-bulb` (did you mean `bed`?)",
        "schedules/mine.yaml:1: found no `purpose`, expected `purpose:` a text of one line",
        "schedules/mine.yaml:2: stages.all.begins: found `0`, expected a duration with its unit,"
        " as in `40 h`, `10 min` or `2 d 4 h`",
        "schedules/mine.yaml:3: steps: found no step `inoculate`, expected it: it is hour 0",
    ]  # fmt: skip


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="found no such file, expected a YAML file that can be read"):
        load_settings(tmp_path / "none.yaml")


@pytest.mark.parametrize("text", [GOOD, SMALL, EVERY_KIND])
def test_settings_survive_the_way_through_json(tmp_path: Path, text: str) -> None:
    found = load(tmp_path, text)
    assert plain.from_json(plain.to_json(found)) == found
    assert plain.to_json(found) == plain.to_json(load(tmp_path, text))


PATHS = st.lists(st.sampled_from(["a", "b c", ".", "[", "]", "0", "[0]", "[12345]", " "]), max_size=20).map(
    "".join
)


@settings(max_examples=size(60, 300), deadline=None)
@given(PATHS.filter(str.strip))
def test_paths_into_json_are_those_the_decoder_takes(tmp_path_factory: pytest.TempPathFactory, path: str) -> None:
    try:
        parse_path(path)
        valid = True
    except ValueError:
        valid = False
    folder = tmp_path_factory.getbasetemp()
    text = SMALL.replace("topic: koji", f'topic: koji, path: "{path}"')
    assert (refusal(folder, text) == []) is valid


SPOILT = st.tuples(st.integers(0, len(GOOD)), st.text(max_size=6), st.integers(0, 12)).map(
    lambda cut: GOOD[: cut[0]] + cut[1] + GOOD[cut[0] + cut[2] :]
)


@settings(max_examples=size(60, 300), deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=200) | SPOILT)
def test_arbitrary_text_is_taken_or_refused_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    assert all(line.startswith("k.yaml:") for line in refusal(folder, text))
