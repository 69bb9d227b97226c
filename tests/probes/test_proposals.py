"""What boards and sensors of every habit send: what is proposed for it, and what the daemon then reads of it.

The messages are made up here, in the shapes that home-made boards and shop sensors send.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from kojimon.model import Arrival
from kojimon.probes.finding.guess import Guess, numbers_in
from kojimon.probes.finding.lines import guess_lines
from kojimon.probes.finding.look import guesses_in, is_likely
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import MqttSource, Probe, SerialSource, Source

Read = dict[str, float]


def read_by(source: Source, guesses: Sequence[Guess], arrival: Arrival) -> tuple[Read, Read]:
    """What the proposed probes read of a message: those that say what they measure, and those left open."""
    probes = [
        Probe(f"p{at}", "box", "air", one.quantity or "temperature", source.name, "", one.topic, one.key, one.unit)
        for at, one in enumerate(guesses)
    ]
    pipeline = Pipeline(probes, {probe.name: at for at, probe in enumerate(probes)}, [source])
    said, left = {}, {}
    for reading in pipeline.take(arrival, 0):
        one = guesses[reading.probe]
        if reading.raw is not None:
            (said if one.quantity else left)[one.key or one.topic] = round(reading.raw, 2)
    return said, left


COLUMNS = {"column-1": 31.9, "column-2": 84.1}


@pytest.mark.parametrize(
    ("line", "said", "left"),
    [
        ("31,9;84,1", {}, COLUMNS),
        ("31,9 84,1", {}, COLUMNS),
        ("31,9\t84,1", {}, COLUMNS),
        ("31.9;84.1", {}, COLUMNS),
        ("31.9\t84.1", {}, COLUMNS),
        ("31.9,84.1", {}, COLUMNS),
        ("31.9, 84", {}, {"column-1": 31.9, "column-2": 84.0}),
        ("31.9 C 84.1 %", {}, {"column-1": 31.9, "column-3": 84.1}),
        ("31,9 C 84,1 %", {}, {"column-1": 31.9, "column-3": 84.1}),
        ("31,9;1.013,2", {}, {"column-1": 31.9}),
        ("2026-11-27 12:00:05,31.9,84.1", {}, {"column-2": 31.9, "column-3": 84.1}),
        ("1764244805,31.9,84.1", {}, {"column-2": 31.9, "column-3": 84.1}),
        ("T=31,9;H=84,1", {"T": 31.9, "H": 84.1}, {}),
        ("T=31,9, H=84,1", {"T": 31.9, "H": 84.1}, {}),
        ("T=31,9,H=84", {"T": 31.9, "H": 84.0}, {}),
        ("T=31.9,H=84.1", {"T": 31.9, "H": 84.1}, {}),
        ("id=17 temp=31.9 hum=84 rssi=-67 n=512", {"temp": 31.9, "hum": 84.0}, {}),
        ('{"id":17,"t":1764244805,"temp":31.9,"hum":84.1,"battery":87}', {"temp": 31.9, "hum": 84.1}, {}),
        ('{"temp":"31.9","humidity":0.84}', {"temp": 31.9}, {"humidity": 0.84}),
        ('{"temp_raw":6720,"temp_c":31.9,"temp_max":33.2,"cpu_temp":48.3}', {"temp_c": 31.9}, {}),
        ('{"temp":3190,"uptime_h":14}', {}, {"temp": 3190.0}),
    ],
)  # fmt: skip
def test_a_serial_line_is_read_whole_or_left_alone(line: str, said: Read, left: Read) -> None:
    made = guess_lines([line.encode()] * 3)
    source = SerialSource("board", "/dev/x", made.format, 9600, made.columns, made.separator, made.decimal)
    assert made.trouble == ""
    assert read_by(source, made.guesses, Arrival("board", 0, "", line.encode())) == (said, left)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("31,9,84,1", "decimal commas or commas between whole numbers"),
        ("31,84", "decimal commas or commas between whole numbers"),
        ("31,9", "decimal commas or commas between whole numbers"),
        ("12:00:05,31,84", "decimal commas or commas between whole numbers"),
        ("1.234,5", "one number or several"),
        ("1,234.5", "one number or several"),
        ("31.9;84,1", "decimal points and decimal commas"),
        ("31.9,1,013", "commas inside its numbers"),
        ("31.9C,84.1%", "stuck to its numbers"),
        ("31,9C;84,1%", "stuck to its numbers"),
        ("T:31.9 H:84.1", "stuck to its numbers"),
        ("sensor 1 ready", "is no reading"),
    ],
)
def test_a_line_that_may_be_read_in_two_ways_is_refused_and_shown(line: str, why: str) -> None:
    made = guess_lines([line.encode()] * 3)
    assert (made.format, made.guesses) == ("", ())
    assert f"`{line}`" in made.trouble and why in made.trouble


def test_a_header_tells_fields_from_decimals() -> None:
    assert [one.key for one in guess_lines([b"temp,hum", b"31,84", b"31,85"]).guesses] == ["temp", "hum"]
    assert [one.quantity for one in guess_lines([b"id,temp,hum,rssi", *[b"17,31.9,84,-67"] * 3]).guesses] == [
        "temperature",
        "humidity",
    ]


def test_a_header_before_every_line_is_skipped() -> None:
    made = guess_lines([b"koji_f,air_f,hum", b"93.5,84.2,81.0"] * 3)
    assert (made.format, made.columns, made.trouble) == ("csv", (), "")
    assert [one.key for one in made.guesses] == ["koji_f", "air_f", "hum"]
    assert guess_lines([b"koji_f,air_f,hum"] * 3).format == ""


@pytest.mark.parametrize("columns", [("a", "b", "c"), ("a", "b"), ("a", "b", "c", "d")])
@pytest.mark.parametrize(
    "line",
    [
        "31,9;84,1",
        "31,9 84,1",
        "31,9\t84,1",
        "31,9C;84,1%",
        "31,9 C 84,1 %",
        "31,9;84,1;12",
        "1 013,2",
        "31,9;C;84,1;%",
    ],
)
def test_the_daemon_never_takes_half_a_number(line: str, columns: tuple[str, ...]) -> None:
    """Settings as an earlier search proposed them, a comma between columns, are still there."""
    source = SerialSource("board", "/dev/x", "csv", columns=columns)
    probes = tuple(Guess("", name, "temperature", "C", "", 0.0) for name in columns)
    assert read_by(source, probes, Arrival("board", 0, "", line.encode())) == ({}, {})


@pytest.mark.parametrize(
    ("topic", "payload", "said", "left"),
    [
        ("cellar/koji/temperature", "31.9", {"cellar/koji/temperature": 31.9}, {}),
        ("cellar/koji/temperature", "31,9", {}, {}),
        ("cellar/temperature/28-00000bbb9b13", "31.9", {"cellar/temperature/28-00000bbb9b13": 31.9}, {}),
        ("home/thermometer/1", '{"id":17,"value":31.9,"rssi":-67,"battery":87,"seq":512}', {"value": 31.9}, {}),
        ("home/thermometer/1/battery", "87", {}, {}),
        ("home/temperature", '{"kitchen":21.3,"samples":12}', {}, {"kitchen": 21.3}),
        ("tele/koji/SENSOR", '{"DS18B20":{"Id":"00000566","Temperature":31.9},"TempUnit":"C"}',
         {"DS18B20.Temperature": 31.9}, {}),
        ("zigbee/box", '{"temperature":31.9,"humidity":84.1,"linkquality":84,"voltage":2995,"device_temperature":34}',
         {"temperature": 31.9, "humidity": 84.1}, {"device_temperature": 34.0}),
        ("climate/box", '{"current_temperature":31.9,"target_temp":32,"temp_step":0.5,"hvac_mode":2}',
         {"current_temperature": 31.9}, {}),
        ("ble/a4c138", '{"tempc":31.9,"tempf":89.4,"hum":84,"batt":87,"volt":2.9}',
         {"tempc": 31.9, "tempf": 31.89, "hum": 84.0}, {}),
        ("node/3", '{"sensors":[{"id":28,"temp":31.9},{"id":31,"temp":32.4}],"ts":1764244805}',
         {"sensors[0].temp": 31.9, "sensors[1].temp": 32.4}, {}),
        ("lora/koji", '{"temp":319,"hum":841,"counter":30}', {}, {"temp": 319.0, "hum": 841.0}),
        ("weather/out", '{"temperature":{"value":12.3,"quality":98},"dew_point":9.1,"pressure":1013.2}',
         {"temperature.value": 12.3}, {}),
        ("garden/attempts", "21", {}, {}),
    ],
)  # fmt: skip
def test_a_message_is_read_where_it_says_what_it_is(topic: str, payload: str, said: Read, left: Read) -> None:
    guesses = tuple(filter(is_likely, guesses_in(topic, numbers_in(payload.encode()))))
    arrival = Arrival("house", 0, topic, payload.encode())
    assert read_by(MqttSource("house", "h"), guesses, arrival) == (said, left)
