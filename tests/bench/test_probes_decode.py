"""How fast payloads become judged readings, beside `json.loads` alone in the same run."""

import gc
import json
import time
from collections.abc import Callable

import pytest

from kojimon.model import Arrival
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import MqttSource, Probe, SerialSource
from tests.bench.figures import record

ROUNDS = 40_000
BROKER = MqttSource("broker", "localhost")
JSON = b'{"Time":"2019-01-01T00:00:00","AM2301":{"Temperature":24.6,"Humidity":58.2},"TempUnit":"C"}'
SOURCES = [BROKER, *(SerialSource(form, "/dev/serial/by-id/x", form, columns=("t", "h")) for form in ("csv", "keys"))]


def probe(name: str, source: str, topic: str, key: str) -> Probe:
    quantity, unit = ("humidity", "%") if name.startswith("h") else ("temperature", "C")
    return Probe(name, "box", "air", quantity, source, topic=topic, key=key, unit=unit, device="sht4x")


PROBES = [
    probe("t-number", "broker", "n", ""),
    probe("t-wild", "broker", "w/+/t", ""),
    probe("t-json", "broker", "j", "AM2301.Temperature"),
    probe("h-json", "broker", "j", "AM2301.Humidity"),
    probe("t-csv", "csv", "", "t"),
    probe("h-csv", "csv", "", "h"),
    probe("t-keys", "keys", "", "t"),
    probe("h-keys", "keys", "", "h"),
]
ARRIVALS = {
    "plain number": (Arrival("broker", 0, "n", b"24.6"), 1),
    "plain number below a wildcard": (Arrival("broker", 0, "w/1/t", b"24.6"), 1),
    "JSON by path, two readings": (Arrival("broker", 0, "j", JSON), 2),
    "CSV line, two readings": (Arrival("csv", 0, "", b"24.6,58.2"), 2),
    "key=value line, two readings": (Arrival("keys", 0, "", b"t=24.6 h=58.2"), 2),
}


def cpu_us(work: Callable[[int], object]) -> float:
    """Processor time of one call, µs; the best of three rounds."""
    best = float("inf")
    gc.disable()
    try:
        for _ in range(3):
            start = time.process_time()
            for at in range(ROUNDS):
                work(at)
            best = min(best, time.process_time() - start)
    finally:
        gc.enable()
    return best / ROUNDS * 1e6


@pytest.mark.bench
def test_readings_a_second(capsys: pytest.CaptureFixture[str]) -> None:
    pipeline = Pipeline(PROBES, {one.name: at for at, one in enumerate(PROBES)}, SOURCES)
    bare_us = cpu_us(lambda at: json.loads(JSON))
    rows = {}
    for name, (arrival, count) in ARRIVALS.items():
        assert len(pipeline.take(arrival, 0)) == count
        rows[name] = (cpu_us(lambda at, arrival=arrival: pipeline.take(arrival, at * 10_000)), count)  # type: ignore[misc]
    with capsys.disabled():
        print(f"\n  json.loads alone: {bare_us:.2f} µs a document")
        for name, (us, count) in rows.items():
            print(
                f"  {name:32s} {us:6.2f} µs a message, {us / count:5.2f} µs a reading, {us / bare_us:5.2f} x json.loads"
            )
        times = (f"{name} {us / bare_us:.1f} times" for name, (us, _) in rows.items())
        record("decoding and judging a reading", ", ".join(times), f"json.loads {bare_us:.2f} us")
    assert rows["plain number"][0] < 2 * bare_us
    assert rows["JSON by path, two readings"][0] < 3 * bare_us
