"""From an arrival to judged readings."""

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.model import Arrival, Measured, Quality
from kojimon.probes.formats.routes import FIRST_LINE
from kojimon.probes.pipeline import TOPICS_LIMIT, Pipeline
from kojimon.settings.spec import (
    Calibration,
    KernelSource,
    ModbusSource,
    MqttSource,
    Probe,
    SerialSource,
    SimulatedSource,
    Source,
)

BROKER = MqttSource("broker", "localhost")


def probe(name: str = "bed", quantity: str = "temperature", source: str = "broker", **more: Any) -> Probe:
    unit = "%" if quantity == "humidity" else "C"
    return Probe(name, "box", "bed", quantity, source, **({"unit": unit, "topic": "koji/bed"} | more))


def pipeline(*probes: Probe, sources: Sequence[Source] = (BROKER,)) -> Pipeline:
    return Pipeline(probes, {one.name: number for number, one in enumerate(probes, 1)}, sources)


def one(payload: bytes | float, of: Probe | None = None, **flags: bool) -> Measured:
    of = of or probe()
    readings = pipeline(of).take(Arrival("broker", 0, of.topic, payload, **flags), 0)
    assert len(readings) == 1
    return readings[0]


def test_a_plain_number_is_a_good_reading() -> None:
    assert one(b"31.4375") == Measured(1, 31.4375, 31.4375, Quality.GOOD)


@pytest.mark.parametrize(
    ("settings", "payload", "raw_c"),
    [
        ({"unit": "F"}, b"86", 30.0),
        ({"unit": "F", "scale": 0.1}, b"860", 30.0),
        ({"scale": 0.001}, b"28001", 28.001),
        ({"scale": 0.1}, b"-205", -20.5),
        ({"scale": 0.0625}, b"401", 25.0625),
        ({"scale": 2.0}, b"15", 30.0),
    ],
)
def test_scale_and_unit(settings: dict[str, Any], payload: bytes, raw_c: float) -> None:
    assert one(payload, probe(**settings)).raw == raw_c


@pytest.mark.parametrize(
    ("unit", "payload", "raw_c"),
    [
        ("F", b'{"koji": {"value": 34.1, "unit": "C"}}', 34.1),
        ("C", b'{"koji": {"value": 86, "unit": "\xc2\xb0F"}}', 30.0),
        ("C", b'{"koji": {"value": 86}, "TempUnit": "F"}', 30.0),
        ("F", b'{"koji": {"value": 86}, "air": {"unit": "C"}}', 30.0),
        ("F", b'{"koji": {"value": 86, "unit": "%"}}', 30.0),
        ("F", b'{"koji": {"value": 86, "unit": "C", "temp_unit": "F"}}', 30.0),
    ],
)
def test_the_unit_that_a_message_names_is_believed_before_the_settings(unit: str, payload: bytes, raw_c: float) -> None:
    assert one(payload, probe(unit=unit, key="koji.value")).raw == raw_c


def test_calibration_changes_the_value_and_keeps_the_raw() -> None:
    measured = one(b"30.0", probe(calibration=Calibration(((0.4, 0.0),))))
    assert measured.raw == 30.0
    assert measured.value == pytest.approx(29.6)


def test_a_calibration_taken_later_counts_from_the_next_reading_on() -> None:
    pipe = pipeline(probe())
    pipe.calibrate("bed", Calibration(((30.0, 31.0),)))
    assert pipe.take(Arrival("broker", 0, "koji/bed", b"30"), 0) == [Measured(1, 30.0, 31.0, Quality.GOOD)]


def test_a_senseless_calibration_names_the_probe() -> None:
    with pytest.raises(ValueError, match=r"probe bed: .*slope"):
        pipeline(probe(calibration=Calibration(((0.0, 0.0), (10.0, 1.0)))))


@pytest.mark.parametrize("payload", [b"", b"21,5", b"true", b"1_000", b"1e400", b"\xff" * 40, b"x" * 200_000])
def test_no_number_is_unreadable_and_has_no_value(payload: bytes) -> None:
    assert one(payload) == Measured(1, None, None, Quality.UNREADABLE)


@pytest.mark.parametrize("payload", [b"nan", b"null", b"NaN", float("nan"), float("inf")])
def test_a_device_that_says_it_has_none(payload: bytes | float) -> None:
    assert one(payload) == Measured(1, None, None, Quality.SENTINEL)


@pytest.mark.parametrize(
    ("settings", "payload"),
    [
        # DallasTemperature library 4.0.5: disconnected -127 (-196.6 °F), short -253, open -254 (-425.2 °F).
        ({}, b"-127"),
        ({"unit": "F"}, b"-196.6"),
        ({}, b"-254"),
        ({"unit": "F"}, b"-425.2"),
        # DS18B20 data sheet Rev 4: +85 at power-on; failed conversion 127.94 (w1_therm.c), 127937 m°C.
        ({"device": "ds18b20"}, b"85"),
        ({"device": "ds18b20", "unit": "F"}, b"185.0"),
        ({"device": "ds18b20"}, b"127.94"),
        ({"device": "ds18b20", "scale": 0.001}, b"127937"),
        # Missing values of station files: SURFRAD -9999.9, NREL MIDC -7999, US climate reference network -9999, -99.
        ({}, b"-9999.9"),
        ({}, b"-7999"),
        ({}, b"-9999"),
        ({}, b"-99"),
        ({"quantity": "humidity"}, b"-99"),
    ],
)
def test_known_sentinels(settings: dict[str, Any], payload: bytes) -> None:
    measured = one(payload, probe(**settings))
    assert measured.quality == Quality.SENTINEL
    assert measured.value == measured.raw


def test_85_is_a_temperature_for_another_device() -> None:
    assert one(b"85").quality == Quality.GOOD


@pytest.mark.parametrize(
    ("settings", "payload", "quality"),
    [
        ({"device": "dht22"}, b"-3276.7", Quality.RANGE),
        ({"device": "ds18b20"}, b"125.1", Quality.RANGE),
        ({"device": "ds18b20"}, b"124.9", Quality.GOOD),
        ({"range_high": 70.0}, b"70.1", Quality.RANGE),
        ({"range_low": -127.5}, b"-126", Quality.GOOD),
        ({}, b"1e300", Quality.RANGE),
        ({"scale": 1e30}, b"1e300", Quality.SENTINEL),
        ({"quantity": "humidity"}, b"-0.1", Quality.RANGE),
        ({"quantity": "humidity", "device": "sht4x", "scale": 0.001}, b"118998", Quality.RANGE),
    ],
)
def test_range_of_the_device_or_of_the_settings(settings: dict[str, Any], payload: bytes, quality: Quality) -> None:
    assert one(payload, probe(**settings)).quality == quality


@pytest.mark.parametrize(
    ("payload", "value", "quality"),
    # Practice of a national weather service, WMO CBS/ET-AWS-1 doc. 9(2): over 100 set to 100, from 104 on fail.
    [
        (b"100", 100.0, Quality.GOOD),
        (b"103", 100.0, Quality.GOOD),
        (b"104", 104.0, Quality.RANGE),
        (b"120", 120.0, Quality.RANGE),
    ],
)
def test_humidity_over_100(payload: bytes, value: float, quality: Quality) -> None:
    measured = one(payload, probe(quantity="humidity"))
    assert (measured.value, measured.quality) == (value, quality)
    assert measured.raw == float(payload)


def test_sht4x_below_zero_is_dry_air() -> None:
    measured = one(b"-5.9", probe(quantity="humidity", device="sht4x"))
    assert (measured.raw, measured.value, measured.quality) == (-5.9, 0.0, Quality.GOOD)


def test_late_and_retained_readings_keep_their_value_and_are_not_good() -> None:
    assert one(b"31", late=True) == Measured(1, 31.0, 31.0, Quality.LATE)
    assert one(b"31", retained=True) == Measured(1, 31.0, 31.0, Quality.RETAINED)
    assert one(b"31", retained=True, late=True).quality == Quality.RETAINED
    assert one(b"-127", late=True).quality == Quality.SENTINEL


def test_a_redelivered_arrival_is_no_reading() -> None:
    pipe = pipeline(probe())
    assert pipe.take(Arrival("broker", 0, "koji/bed", b"31", duplicate=True), 0) == []
    assert pipe.counts()["duplicate"] == 1


def test_one_json_document_carries_several_probes() -> None:
    pipe = pipeline(
        probe("t", key="DS18B20-1.Temperature"), probe("h", "humidity", key="AM2301.Humidity"), probe("x", key="x[1]")
    )
    payload = b'{"DS18B20-1":{"Id":"00000566CC39","Temperature":13.3},"AM2301":{"Humidity":null}}'
    assert pipe.take(Arrival("broker", 0, "koji/bed", payload), 0) == [
        Measured(1, 13.3, 13.3, Quality.GOOD),
        Measured(2, None, None, Quality.SENTINEL),
    ]
    assert pipe.counts()["absent"] == 1


def test_a_malformed_document_on_its_own_topic_is_an_unreadable_reading_of_each_probe() -> None:
    pipe = pipeline(probe("t", key="t"), probe("h", "humidity", key="h"))
    readings = pipe.take(Arrival("broker", 0, "koji/bed", b'{"t":21'), 0)
    assert [reading.quality for reading in readings] == [Quality.UNREADABLE] * 2
    assert pipe.counts()["undecodable"] == 1


def test_wildcards_and_unknown_topics() -> None:
    pipe = pipeline(probe("a", topic="koji/+/t"), probe("b", topic="rest/#", key="t"))
    assert pipe.take(Arrival("broker", 0, "koji/bed/t", b"31"), 0)[0].probe == 1
    assert pipe.take(Arrival("broker", 0, "rest/x/y", b'{"t":1}'), 0)[0].probe == 2
    assert pipe.take(Arrival("broker", 0, "koji/bed", b"31"), 0) == []
    assert pipe.take(Arrival("other", 0, "koji/bed/t", b"31"), 0) == []
    assert pipe.counts()["unknown_topic"] == 2


def test_topics_below_a_wildcard_are_remembered_up_to_a_limit() -> None:
    pipe = pipeline(probe(topic="koji/#"))
    for number in range(TOPICS_LIMIT + 500):
        assert pipe.take(Arrival("broker", 0, f"koji/{number}", b"31"), 0)[0].value == 31.0
        pipe.take(Arrival("broker", 0, f"else/{number}", b"31"), 0)
    assert len(pipe._routes) <= TOPICS_LIMIT


CSV = SerialSource("port", "/dev/serial/by-id/x", "csv")


def csv(columns: tuple[str, ...] = ()) -> Pipeline:
    source = SerialSource("port", "/dev/serial/by-id/x", "csv", columns=columns)
    return pipeline(
        probe("bed", source="port", key="bed"), probe("rh", "humidity", source="port", key="rh"), sources=[source]
    )


def values(pipe: Pipeline, line: bytes, topic: str = "") -> list[tuple[int, float | None]]:
    return [(reading.probe, reading.value) for reading in pipe.take(Arrival("port", 0, topic, line), 0)]


def test_csv_columns_named_in_the_settings() -> None:
    pipe = csv(("time", "bed", "rh"))
    assert values(pipe, b"12:00, 31.5 ,80") == [(1, 31.5), (2, 80.0)]
    assert values(pipe, b"12:00,31.5,") == [(1, 31.5)]
    assert values(pipe, b"12:00,err,80") == [(1, None), (2, 80.0)]
    assert values(pipe, b"time,bed,rh") == []
    assert pipe.counts()["undecodable"] == 0


@pytest.mark.parametrize("line", [b"31.5,80", b"12:00,31,5,80", b"31.5", b"", b"Booting...", b"12:00;31.5;80"])
def test_a_csv_line_with_another_number_of_fields_is_refused(line: bytes) -> None:
    pipe = csv(("time", "bed", "rh"))
    assert values(pipe, line) == []
    assert pipe.counts()["undecodable"] == 1


def test_a_decimal_comma_among_columns_parted_by_commas_is_no_reading() -> None:
    """`31,9 C` has as many fields as `bed,rh`: read as such it would be 31."""
    pipe = csv(("bed", "rh"))
    assert values(pipe, b"31,9 C") == [] and pipe.counts()["undecodable"] == 1


def test_csv_columns_named_by_a_header_line() -> None:
    pipe = csv()
    assert values(pipe, b"31.5,80") == []
    assert values(pipe, b'"bed","rh"') == []
    assert values(pipe, b"31.5,80") == [(1, 31.5), (2, 80.0)]
    assert values(pipe, b"rh,n,bed") == []
    assert values(pipe, b"80,7,31.5") == [(1, 31.5), (2, 80.0)]


def test_the_first_line_may_name_columns_but_is_never_data() -> None:
    pipe = csv()
    assert values(pipe, b"bed,rh", FIRST_LINE) == []
    assert values(pipe, b"31.5,80", FIRST_LINE) == []
    assert values(pipe, b"31.5,80") == [(1, 31.5), (2, 80.0)]


def test_a_header_that_lost_its_start_cannot_shift_the_columns() -> None:
    pipe = csv()
    assert values(pipe, b"bed,rh", FIRST_LINE) == []  # was time,bed,rh
    assert values(pipe, b"12,31.5,80") == []


def test_key_value_lines() -> None:
    source = SerialSource("port", "/dev/serial/by-id/x", "keys")
    pipe = pipeline(
        probe("bed", source="port", key="T"), probe("rh", "humidity", source="port", key="H"), sources=[source]
    )
    assert values(pipe, b"T=31.42 H=80.1") == [(1, 31.42), (2, 80.1)]
    assert values(pipe, b"H = 80.1;T = nan") == [(1, None), (2, 80.1)]
    assert values(pipe, b"T=31,42") == []
    assert values(pipe, b"T=1 T=2") == [(1, None)]


def test_json_lines_that_carry_one_probe_each() -> None:
    source = SerialSource("port", "/dev/serial/by-id/x", "json")
    pipe = pipeline(probe("bed", source="port", key="bed"), probe("air", source="port", key="air"), sources=[source])
    assert values(pipe, b'{"bed":31.5}') == [(1, 31.5)]
    assert values(pipe, b'{"air":28}') == [(2, 28.0)]
    assert values(pipe, b'{"air":2') == []


def test_kernel_files_count_in_thousandths() -> None:
    # Documentation/hwmon/sysfs-interface.rst: tempN_input in millidegree Celsius.
    pipe = pipeline(probe(source="files", topic="class/hwmon/hwmon0/temp1_input"), sources=[KernelSource("files")])
    arrival = Arrival("files", 0, "class/hwmon/hwmon0/temp1_input", 30000.0)
    assert pipe.take(arrival, 0) == [Measured(1, 30.0, 30.0, Quality.GOOD)]
    assert pipe.take(arrival._replace(payload=b""), 0)[0].quality == Quality.UNREADABLE


def test_registers_and_simulated_probes_are_known_by_name() -> None:
    bus, sim = ModbusSource("bus", "/dev/serial/by-id/y"), SimulatedSource("sim")
    pipe = pipeline(
        probe("a", source="bus", scale=0.1, topic=""), probe("b", source="sim", topic=""), sources=[bus, sim]
    )
    assert values(pipe, b"") == []
    assert pipe.take(Arrival("bus", 0, "a", 305.0), 0)[0].value == 30.5
    assert pipe.take(Arrival("sim", 0, "b", 30.5), 0)[0].value == 30.5


FORMATS = {
    "broker": [
        probe("n"),
        probe("w", topic="w/+"),
        probe("j", topic="j", key="a.b[0]"),
        probe("f", topic="n", unit="F"),
    ],
    "csv": [probe("c", source="csv", key="c")],
    "keys": [probe("k", source="keys", key="k")],
    "json": [probe("l", source="json", key="l")],
}
EVERY = pipeline(
    *(one for group in FORMATS.values() for one in group),
    sources=[BROKER, *(SerialSource(name, "/dev/serial/by-id/z", name) for name in ("csv", "keys", "json"))],
)


@given(
    st.sampled_from([*FORMATS, "unknown"]),
    st.sampled_from(["", "n", "j", "w/1", "koji/bed", FIRST_LINE]) | st.text(max_size=10),
    st.binary(max_size=600) | st.floats(),
    st.booleans(),
)
def test_no_arrival_makes_the_pipeline_raise(source: str, topic: str, payload: bytes | float, late: bool) -> None:
    for reading in EVERY.take(Arrival(source, 0, topic, payload, late=late), 0):
        assert (reading.raw is None) == (reading.value is None)
        assert reading.raw is None or abs(reading.raw) < float("inf")
        assert reading.raw is not None or reading.quality in (Quality.UNREADABLE, Quality.SENTINEL)
        assert not (late and reading.quality == Quality.GOOD)
