"""Polling a bus: grouped requests, mute units, refusals, a real server."""

from pathlib import Path
from typing import Any

from kojimon.clock import ManualClock
from kojimon.model import Arrival
from kojimon.probes.pipeline import Pipeline
from kojimon.probes.sources.modbus import ModbusProbes, blocks
from kojimon.settings.spec import ModbusSource, Probe
from tests.parts.modbus import Line, Scripted, Server
from tests.parts.wait import DEADLINE_S, until


def probe(name: str, register: int, **more: Any) -> Probe:
    quantity = "humidity" if name.startswith("rh") else "temperature"
    unit = "%" if quantity == "humidity" else "C"
    return Probe(name, "box", "air", quantity, "bus", register=register, **({"unit": unit, "scale": 0.1} | more))


def polling(port: Path, *probes: Probe, timeout_s: float = DEADLINE_S) -> tuple[ModbusProbes, list[Arrival]]:
    arrivals: list[Arrival] = []

    def put(arrival: Arrival) -> bool:
        arrivals.append(arrival)
        return True

    settings = ModbusSource("bus", str(port), timeout_s=timeout_s, poll_every_s=0.05)
    source = ModbusProbes(settings, probes, ManualClock(0, boot_ms=4000))
    source.start(put, put)
    return source, arrivals


def test_neighbouring_registers_are_asked_for_at_once() -> None:
    made = blocks(
        [probe("rh", 2), probe("t", 1), probe("far", 9), probe("f", 3, data_type="float32"), probe("h", 1, function=3)]
    )
    assert [(block.function, block.register, block.count) for block in made] == [(3, 1, 1), (4, 1, 4), (4, 9, 1)]
    assert [[one.name for one in block.probes] for block in made] == [["h"], ["t", "rh", "f"], ["far"]]


def test_no_request_grows_without_bound() -> None:
    assert max(block.count for block in blocks([probe(f"t{at}", at) for at in range(100)])) == 16


def test_several_units_of_a_real_server(tmp_path: Path) -> None:
    devices = {1: ({}, {1: 305, 2: 546}), 2: ({10: 0xFF33}, {}), 3: ({0x3EA: 0xA106, 0x3EB: 0x41D7}, {})}
    probes = [
        probe("t", 1),
        probe("rh", 2),
        probe("cold", 10, unit_id=2, function=3),
        probe("exact", 0x3EA, unit_id=3, function=3, data_type="float32", word_order="little", scale=1.0),
    ]
    with Line(tmp_path) as line, Server(line.theirs, devices):
        source, arrivals = polling(line.ours, *probes)
        until(lambda: source.facts().rounds >= 1)
        source.stop()
    pipeline = Pipeline(probes, {one.name: at for at, one in enumerate(probes, 1)}, [ModbusSource("bus", "")])
    values = {one.probe: one.value for arrival in arrivals for one in pipeline.take(arrival, 0)}
    assert values[1] == 30.5
    assert values[2] == 54.6
    assert values[3] == -20.5
    assert values[4] is not None
    assert abs(values[4] - 26.953624725) < 1e-6
    assert source.facts().ok
    assert arrivals[0].boot_ms == 4000


def test_mute_units_are_told_and_do_not_starve_the_one_that_answers(tmp_path: Path) -> None:
    answer = bytes.fromhex("01 04 02 01 31 79 74")
    with Scripted(tmp_path, lambda request: [answer] if request[0] == 1 else []) as bus:
        mute = [probe(f"m{unit}", 1, unit_id=unit) for unit in range(2, 7)]
        source, arrivals = polling(bus.device.path, probe("t", 1), *mute, timeout_s=0.1)
        until(lambda: len(arrivals) >= 20 and source.facts().units["1"] == "" and not source.facts().ok)
        source.stop()
    assert {arrival.topic for arrival in arrivals} == {"t"}
    facts = source.facts()
    asked = [request[0] for request in bus.requests]
    # In rounds 1, 2, 4, 8, 16 ..., later every 33rd; the one that answers may be late itself on a busy machine.
    most = facts.rounds.bit_length() + 1 + facts.rounds // 33
    assert all(1 <= asked.count(unit) <= most for unit in range(2, 7))
    assert "unit 2: no answer" in facts.trouble


def test_a_unit_that_answers_again_is_back(tmp_path: Path) -> None:
    answers: list[bytes] = []
    with Scripted(tmp_path, lambda request: list(answers)) as bus:
        source, arrivals = polling(bus.device.path, probe("t", 1), timeout_s=0.1)
        until(lambda: source.facts().no_answer >= 2)
        answers.append(bytes.fromhex("01 04 02 01 31 79 74"))
        until(lambda: arrivals and source.facts().ok)
        source.stop()
    assert arrivals[0].payload == 0x0131


def test_a_unit_that_refuses_a_block_is_asked_one_by_one(tmp_path: Path) -> None:
    def answer(request: bytes) -> list[bytes]:
        both = request[5] == 2
        one = {1: "01 04 02 01 31 79 74", 2: "01 84 04 42 C3"}[request[3]]
        return [bytes.fromhex("01 84 02 C2 C1" if both else one)]

    with Scripted(tmp_path, answer) as bus:
        source, arrivals = polling(bus.device.path, probe("t", 1), probe("rh", 2))
        until(lambda: len(arrivals) >= 2)
        source.stop()
    assert [(arrival.topic, arrival.payload) for arrival in arrivals[:2]] == [("t", 305.0), ("rh", b"")]
    assert "device failure" in source.facts().trouble


def test_a_bus_that_is_unplugged_and_plugged_again(tmp_path: Path) -> None:
    answer = bytes.fromhex("01 04 02 01 31 79 74")
    with Scripted(tmp_path, lambda request: [answer]) as bus:
        source, arrivals = polling(bus.device.path, probe("t", 1))
        until(lambda: arrivals)
        bus.pull()
        until(lambda: "gone" in source.facts().trouble or "no such" in source.facts().trouble)
        before = len(arrivals)
        bus.plug()
        until(lambda: len(arrivals) > before)
        source.stop()
