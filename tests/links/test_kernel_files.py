"""Sensor files of the kernel: sound ones, broken ones, vanished ones."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon.errors import LinkError
from kojimon.links.kernel_files import SeveralError, candidates, counted, crc8, read, resolve, stable
from tests.probes.trees import BED, BROKEN, SOUND, W1, plant, plug


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return plant(tmp_path / "sys", SOUND)


@pytest.mark.parametrize(
    ("topic", "thousandths"),
    [
        # Documentation/hwmon/sysfs-interface.rst: tempN_input in millidegrees, humidityN_input in milli-percent.
        (f"{BED}/temperature", 30000),
        (f"{BED}/w1_slave", 30000),
        (f"{W1}/28-*/temperature", 30000),
        ("class/hwmon/name:sht4x/humidity1_input", 93998),
        ("class/hwmon/hwmon2/humidity1_input", 79998),
        # Documentation/ABI/testing/sysfs-bus-iio: in_temp_input in milli degrees Celsius; (raw + offset) * scale.
        ("bus/iio/devices/name:bme280/in_humidityrelative_input", 85125),
        ("bus/iio/devices/name:htu21/in_temp_raw", (6720 - 4368) * 10.725),
        # drivers/iio/chemical/bme680_core.c prints percent: an example shown there is 41.074000000.
        ("bus/iio/devices/name:bme680/in_humidityrelative_input", 41074),
        ("bus/iio/devices/name:bme680/in_temp_input", 28200),
    ],
)
def test_reads_thousandths(root: Path, topic: str, thousandths: float) -> None:
    assert read(resolve(root, topic)) == pytest.approx(thousandths, abs=1e-6)


@pytest.mark.parametrize(
    ("lines", "thousandths"),
    # DS18B20 data sheet Rev 4, table 1 (25.0625, -0.5, 85 at power-on), with the scratchpad around it; truncated
    # towards zero by the driver (w1_therm.c).
    [
        ("91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062", 25062),
        ("f8 ff 4b 46 7f ff 08 10 f8 : crc=f8 YES\nf8 ff 4b 46 7f ff 08 10 f8 t=-500", -500),
        ("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000", 85000),
        ("ff 07 4b 46 7f ff 0c 10 a6 : crc=a6 YES\nff 07 4b 46 7f ff 0c 10 a6 t=127937", 127937),
    ],
)
def test_w1_slave_lines(tmp_path: Path, lines: str, thousandths: float) -> None:
    (tmp_path / "w1_slave").write_text(lines + "\n")
    assert read(tmp_path / "w1_slave") == thousandths


@pytest.mark.parametrize("topic", BROKEN)
def test_a_broken_file_is_no_reading_and_no_error(tmp_path: Path, topic: str) -> None:
    assert read(plant(tmp_path, BROKEN) / topic) is None


def test_an_input_output_error_is_no_reading(tmp_path: Path) -> None:
    # /proc/self/mem cannot be read at address 0: the kernel answers EIO, as a sensor driver does.
    (tmp_path / "temp1_input").symlink_to("/proc/self/mem")
    assert read(tmp_path / "temp1_input") is None


def test_a_pipe_that_nobody_writes_to_does_not_block(tmp_path: Path) -> None:
    import os

    os.mkfifo(tmp_path / "temp1_input")
    assert read(tmp_path / "temp1_input") is None


@pytest.mark.parametrize(
    ("topic", "what"),
    [
        ("class/hwmon/hwmon9/temp1_input", "nothing there"),
        ("class/hwmon/name:none/temp1_input", "nothing there"),
        ("class/hwmon/name:sht4x#2/temp1_input", "1 of 2 sensors .* are there"),
        ("class/hwmon/name:sht4x#x/temp1_input", "nothing there"),
        ("class/hwmon/hwmon*/temp1_input", "fits 3 files"),
        ("../etc/passwd", "nothing there"),
        ("nowhere/*/x", "nothing there"),
    ],
)
def test_a_topic_that_means_no_single_file_is_told(root: Path, topic: str, what: str) -> None:
    with pytest.raises(LinkError, match=what):
        resolve(root, topic)


I2C = "fe804000.i2c/i2c-1/1-"
BY_BUS = "devices/platform/soc/fe804000.i2c/i2c-*/*-{}/hwmon/hwmon*/temp1_input"


def sht(celsius: float) -> dict[str, str]:
    return {"name": "sht4x\n", "temp1_input": f"{celsius * 1000:.0f}\n"}


def test_two_sensors_with_one_driver_go_by_their_address_whatever_the_order_of_the_start(tmp_path: Path) -> None:
    first = plug(tmp_path / "a", "class/hwmon", 1, f"{I2C}0044", sht(31.0))
    plug(tmp_path / "a", "class/hwmon", 2, f"{I2C}0045", sht(24.0))
    topic = stable(tmp_path / "a", first / "temp1_input")
    assert topic == BY_BUS.format("0044")
    assert read(resolve(tmp_path / "a", topic)) == 31000
    # Another order, another number of the bus.
    plug(tmp_path / "b", "class/hwmon", 2, "fe804000.i2c/i2c-4/4-0044", sht(31.5))
    plug(tmp_path / "b", "class/hwmon", 1, "fe804000.i2c/i2c-4/4-0045", sht(24.5))
    assert read(resolve(tmp_path / "b", topic)) == 31500
    # The other one alone.
    plug(tmp_path / "c", "class/hwmon", 1, f"{I2C}0045", sht(24.5))
    with pytest.raises(LinkError, match="nothing there"):
        resolve(tmp_path / "c", topic)


def test_a_name_that_fits_two_sensors_is_refused_with_both(tmp_path: Path) -> None:
    plug(tmp_path, "class/hwmon", 1, f"{I2C}0044", sht(31.0))
    plug(tmp_path, "class/hwmon", 2, f"{I2C}0045", sht(24.0))
    with pytest.raises(SeveralError) as refused:
        resolve(tmp_path, "class/hwmon/name:sht4x/temp1_input")
    assert BY_BUS.format("0044") in str(refused.value) and BY_BUS.format("0045") in str(refused.value)


def test_one_of_two_that_the_settings_speak_of_is_not_taken_for_the_other(tmp_path: Path) -> None:
    topics = ["class/hwmon/name:sht4x#1/temp1_input", "class/hwmon/name:sht4x#2/temp1_input"]
    other = plug(tmp_path, "class/hwmon", 2, f"{I2C}0045", sht(24.0))
    for topic in topics:
        with pytest.raises(SeveralError, match="1 of 2 sensors that call themselves sht4x are there"):
            resolve(tmp_path, topic, counted(topics))
    plug(tmp_path, "class/hwmon", 1, f"{I2C}0044", sht(31.0))
    assert [read(resolve(tmp_path, topic, counted(topics))) for topic in topics] == [31000, 24000]
    assert candidates(tmp_path, topics[1])[1].resolve() == (other / "temp1_input").resolve()


@pytest.mark.parametrize(
    ("tree", "device", "file", "topic"),
    [
        ("bus/iio/devices", "fe804000.i2c/i2c-1/1-0076", "in_temp_input",
         "devices/platform/soc/fe804000.i2c/i2c-*/*-0076/iio:device*/in_temp_input"),
        ("bus/iio/devices", "dht11@4", "in_temp_input", "devices/platform/soc/dht11@4/iio:device*/in_temp_input"),
        # Channels of a multiplexer are told apart by the numbers of their buses alone.
        ("class/hwmon", "fe804000.i2c/i2c-1/i2c-11/11-0044", "temp1_input",
         "devices/platform/soc/fe804000.i2c/i2c-1/i2c-11/11-0044/hwmon/hwmon*/temp1_input"),
    ],
)  # fmt: skip
def test_the_place_on_the_bus(tmp_path: Path, tree: str, device: str, file: str, topic: str) -> None:
    link = plug(tmp_path, tree, 3, device, {"name": "some\n", file: "30000\n"})
    assert stable(tmp_path, link / file) == topic
    assert read(resolve(tmp_path, topic)) == 30000


def test_two_sensors_of_one_kind_are_told_apart_by_their_place(root: Path) -> None:
    plant(root, {"class/hwmon/hwmon7/name": "sht4x\n", "class/hwmon/hwmon7/temp1_input": "31000\n"})
    assert read(resolve(root, "class/hwmon/name:sht4x#2/temp1_input")) == 31000
    with pytest.raises(LinkError, match="fits 2 files"):
        resolve(root, "class/hwmon/name:sht4x/temp1_input")


def test_a_vanished_file_or_a_folder_in_its_place_is_told(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="plugged in"):
        read(tmp_path / "temp1_input")
    (tmp_path / "temp1_input").mkdir()
    with pytest.raises(LinkError, match="directory"):
        read(tmp_path / "temp1_input")


@pytest.mark.parametrize(
    ("hexadecimal", "sound"),
    # Scratchpads and ROM codes printed in counterfeit_DS18B20 (commits 02a8f33, d3bd283); two do not fit as printed.
    [
        ("50 05 4B 46 7F FF 0C 10 1C", True),
        ("50 05 55 00 7F FF 0C 10 21", True),
        ("50 05 00 00 1F FF 0C 10 74", True),
        ("50 05 4B 46 7F FF 10 10 BD", True),
        ("90 01 55 05 7F 7E 81 66 27", False),
        ("28 13 9B BB 0B 00 00 1F", True),
        ("28 AA 3C 61 55 14 01 F0", True),
        ("28 FF 64 1D CD 96 F2 01", True),
        ("28 CA D6 10 10 00 00 FE", True),
        ("28 9B 9E CB 03 00 00 1F", False),
        ("FF FF FF FF FF FF FF FF FF", False),
    ],
)
def test_checksums_of_real_parts(hexadecimal: str, sound: bool) -> None:
    assert (crc8(bytes.fromhex(hexadecimal)) == 0) is sound


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=400), st.sampled_from(["temp1_input", "w1_slave", "in_temp_raw", "in_humidityrelative_input"])
)
def test_no_content_makes_a_reader_raise(tmp_path: Path, content: bytes, name: str) -> None:
    (tmp_path / name).write_bytes(content)
    value = read(tmp_path / name)
    assert value is None or abs(value) < 1e12
