"""Polling sensor files, from the tree to the judged reading."""

from pathlib import Path

import pytest

from kojimon.clock import ManualClock
from kojimon.links.kernel_files import stable
from kojimon.model import Arrival, Quality
from kojimon.probes.pipeline import Pipeline
from kojimon.probes.sources.kernel import KernelFiles
from kojimon.settings.spec import KernelSource, Probe
from tests.parts.wait import until
from tests.probes.trees import BED, BROKEN, SOUND, plant, plug

SHT4X = "class/hwmon/name:sht4x"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return plant(tmp_path / "sys", SOUND)


def collect(root: Path, *topics: str) -> tuple[KernelFiles, list[Arrival]]:
    arrivals: list[Arrival] = []

    def put(arrival: Arrival) -> bool:
        arrivals.append(arrival)
        return True

    source = KernelFiles(KernelSource("files", str(root), poll_every_s=0.05), topics, ManualClock(0, boot_ms=9000))
    source.start(put, put)
    return source, arrivals


@pytest.mark.parametrize(
    ("topic", "quantity", "device", "value"),
    # SHT3x and SHT4x data sheets: the same word CCCC is 80.00 % to the one and 94.00 % to the other, 6666 is 25 °C;
    # the drivers' integers differ from the equations by up to 0.003.
    [
        (f"{SHT4X}/temp1_input", "temperature", "sht4x", 25.0),
        (f"{SHT4X}/humidity1_input", "humidity", "sht4x", 94.0),
        ("class/hwmon/name:sht3x/humidity1_input", "humidity", "sht3x", 80.0),
        ("bus/iio/devices/name:bme680/in_humidityrelative_input", "humidity", "", 41.074),
    ],
)
def test_from_the_tree_to_the_reading(root: Path, topic: str, quantity: str, device: str, value: float) -> None:
    probe = Probe("p", "box", "air", quantity, "files", topic=topic, device=device)
    pipeline = Pipeline([probe], {"p": 1}, [KernelSource("files", str(root))])
    source, arrivals = collect(root, topic)
    until(lambda: arrivals)
    source.stop()
    assert arrivals[0].boot_ms == 9000
    reading = pipeline.take(arrivals[0], 0)[0]
    assert reading.value == pytest.approx(value, abs=0.005)
    assert reading.quality == Quality.GOOD


def test_a_power_on_value_is_a_sentinel(root: Path) -> None:
    plant(root, {f"{BED}/w1_slave": "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"})
    probe = Probe("p", "box", "bed", "temperature", "files", topic=f"{BED}/w1_slave", device="ds18b20")
    source, arrivals = collect(root, probe.topic)
    until(lambda: arrivals)
    source.stop()
    pipeline = Pipeline([probe], {"p": 1}, [KernelSource("files", str(root))])
    assert pipeline.take(arrivals[0], 0)[0].quality == Quality.SENTINEL


def test_a_sensor_without_a_reading_says_so_and_a_missing_one_is_silent(root: Path) -> None:
    plant(root, BROKEN)
    source, arrivals = collect(root, "empty/temperature", f"{BED}/temperature", "class/hwmon/hwmon9/temp1_input")
    until(lambda: source.facts().rounds >= 2)
    source.stop()
    assert {(arrival.topic, arrival.payload) for arrival in arrivals} == {
        ("empty/temperature", b""),
        (f"{BED}/temperature", 30000.0),
    }
    facts = source.facts()
    assert list(facts.missing) == ["class/hwmon/hwmon9/temp1_input"]
    assert "nothing there" in facts.trouble
    assert facts.ok is False


def test_a_sensor_that_comes_back_under_another_number_is_found(root: Path) -> None:
    source, arrivals = collect(root, f"{SHT4X}/temp1_input")
    until(lambda: arrivals)
    (root / "class/hwmon/hwmon1").rename(root / "gone")
    until(lambda: not source.facts().ok)
    (root / "gone").rename(root / "class/hwmon/hwmon5")
    until(lambda: source.facts().ok)
    source.stop()
    assert {arrival.payload for arrival in arrivals} == {24998.0}


def test_a_name_that_fitted_two_is_not_read_when_one_of_them_goes(tmp_path: Path) -> None:
    """Which of the two is left nobody can know; by its address each is read on."""
    sht = {"name": "sht4x\n", "temp1_input": "31000\n"}
    plug(tmp_path, "class/hwmon", 1, "fe804000.i2c/i2c-1/1-0044", sht)
    other = plug(tmp_path, "class/hwmon", 2, "fe804000.i2c/i2c-1/1-0045", sht | {"temp1_input": "24000\n"})
    steady = stable(tmp_path, other / "temp1_input")
    source, arrivals = collect(tmp_path, "class/hwmon/name:sht4x/temp1_input", steady)
    until(lambda: source.facts().rounds >= 1)
    (tmp_path / "class/hwmon/hwmon1").unlink()
    rounds = source.facts().rounds
    until(lambda: source.facts().rounds >= rounds + 3)
    source.stop()
    assert {(arrival.topic, arrival.payload) for arrival in arrivals} == {(steady, 24000.0)}
    assert "fits 2 files" in source.facts().missing["class/hwmon/name:sht4x/temp1_input"]
