"""The Modbus adapter against published frames and against every kind of wrong answer."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import isnan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.errors import LinkError
from kojimon.links.modbus_rtu import WORDS, ModbusBus, ModbusRefusal, NoAnswer, value_of
from tests.parts.modbus import Line, Scripted, Server
from tests.parts.wait import DEADLINE_S, until

SOON_S = 0.15
"""For what never comes. An answer that is to come may take its time."""


@contextmanager
def bus_to(
    folder: Path, answer: Callable[[bytes], list[bytes]], timeout_s: float = DEADLINE_S
) -> Iterator[tuple[ModbusBus, Scripted]]:
    with Scripted(folder, answer) as device:
        bus = ModbusBus(str(device.device.path), 9600, "N", 1, timeout_s)
        try:
            yield bus, device
        finally:
            bus.close()


PUBLISHED = [
    # Manuals of XY-MD02 type transmitters: 30.5 °C and 54.6 % in tenths, one by one and both at once.
    ("01 04 00 01 00 01 60 0A", "01 04 02 01 31 79 74", (1, 4, 1, 1), [0x0131]),
    ("01 04 00 02 00 01 90 0A", "01 04 02 02 22 38 49", (1, 4, 2, 1), [0x0222]),
    ("01 04 00 01 00 02 20 0B", "01 04 04 01 31 02 22 2A CE", (1, 4, 1, 2), [0x0131, 0x0222]),
    ("01 04 00 01 00 02 20 0B", "01 04 04 01 1D 02 7F 2A FE", (1, 4, 1, 2), [0x011D, 0x027F]),
    # pymodbus, test/framer/test_framer.py (commit 7361275).
    ("11 03 00 7C 00 02 07 43", "11 03 04 00 8D 00 8E FB BD", (0x11, 3, 0x7C, 2), [141, 142]),
    ("11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD", (0x11, 3, 0x6B, 3), [0xAE41, 0x5652, 0x4340]),
    # E+E Elektronik manuals (EE074/EE431, EE212): floats, low word first.
    ("E9 03 03 EA 00 02 F2 93", "E9 03 04 A1 06 41 D7 21 CE", (0xE9, 3, 0x3EA, 2), [0xA106, 0x41D7]),
    ("2E 03 00 19 00 02 12 53", "2E 03 04 B3 7E 41 C8 53 AB", (0x2E, 3, 0x19, 2), [0xB37E, 0x41C8]),
]


@pytest.mark.parametrize(
    ("request_hex", "answer_hex", "asked", "registers"), PUBLISHED, ids=lambda value: str(value)[:16]
)
def test_published_frames(
    tmp_path: Path, request_hex: str, answer_hex: str, asked: tuple[int, int, int, int], registers: list[int]
) -> None:
    with bus_to(tmp_path, lambda request: [bytes.fromhex(answer_hex)]) as (bus, device):
        assert bus.read(*asked) == registers
        assert device.requests == [bytes.fromhex(request_hex)]


@pytest.mark.parametrize("cut", range(1, 8))
def test_an_answer_in_two_pieces(tmp_path: Path, cut: int) -> None:
    answer = bytes.fromhex("01 04 04 01 31 02 22 2A CE")
    with bus_to(tmp_path, lambda request: [answer[:cut], answer[cut:]]) as (bus, _):
        assert bus.read(1, 4, 1, 2) == [0x0131, 0x0222]


@pytest.mark.parametrize(
    ("asked", "answer_hex", "code", "words"),
    [
        # pymodbus, test/framer/test_framer.py: exception 2; codes of the Modbus application protocol V1.1b3, 7.
        ((0x11, 3, 0x7C, 2), "11 83 02 C1 34", 2, "no such register"),
        ((1, 4, 1, 2), "01 84 02 C2 C1", 2, "no such register"),
        ((1, 4, 1, 2), "01 84 04 42 C3", 4, "device failure"),
        ((1, 3, 1, 2), "01 83 06 C1 32", 6, "busy"),
    ],
)
def test_exception_replies(
    tmp_path: Path, asked: tuple[int, int, int, int], answer_hex: str, code: int, words: str
) -> None:
    with bus_to(tmp_path, lambda request: [bytes.fromhex(answer_hex)]) as (bus, _):
        with pytest.raises(ModbusRefusal, match=words) as refusal:
            bus.read(*asked)
        assert refusal.value.code == code


@pytest.mark.parametrize(
    "answer_hex",
    [
        "",
        "01 04 02 02 22 D1 BA",  # printed in a vendor's manual, with a wrong checksum
        "01 04 02 02",
        "02 04 02 02 22 3C FC",  # another unit
        "01 03 02 02 22 39 3D",  # another function
        "01 04 04 01 31 02 22 2A CE",  # the answer to a longer request
        "FF FF FF FF FF FF FF FF",
        "00 00 00 00 00 00 00 00",
        "01 04 00 78 F0",
        "01 04 FE" + " 00" * 300,
    ],
    ids=lambda text: text[:20] or "nothing",
)
def test_no_sound_answer(tmp_path: Path, answer_hex: str) -> None:
    answer = [bytes.fromhex(answer_hex)] if answer_hex else []
    with bus_to(tmp_path, lambda request: answer, SOON_S) as (bus, _), pytest.raises(NoAnswer, match="unit 1"):
        bus.read(1, 4, 2, 1)


def test_a_late_answer_is_not_taken_for_the_next_one(tmp_path: Path) -> None:
    late, right = bytes.fromhex("01 04 02 01 31 79 74"), bytes.fromhex("01 04 02 02 22 38 49")
    pending: list[bytes] = []

    def answer(request: bytes) -> list[bytes]:
        if request[3] == 1:
            pending.append(late)
            return []
        return [right]

    with bus_to(tmp_path, answer, SOON_S) as (bus, device):
        original = bus._quieten

        def late_then_quieten() -> None:
            device.device.send(until(lambda: pending and pending.pop()))
            original()

        bus._quieten = late_then_quieten  # type: ignore[method-assign]
        with pytest.raises(NoAnswer):
            bus.read(1, 4, 1, 1)
        assert bus.drained == len(late)
        bus._timeout_s = DEADLINE_S
        assert bus.read(1, 4, 2, 1) == [0x0222]


def test_a_babbling_bus_is_given_up_in_time(tmp_path: Path) -> None:
    with bus_to(tmp_path, lambda request: [b"\xff" * 3000], SOON_S) as (bus, _), pytest.raises(NoAnswer):
        bus.read(1, 4, 1, 1)


def test_a_bus_that_is_pulled_out_is_a_lost_link(tmp_path: Path) -> None:
    with bus_to(tmp_path, lambda request: []) as (bus, device):
        device.device.unplug()
        with pytest.raises(LinkError, match=r"gone|written"):
            bus.read(1, 4, 1, 1)
        device.device.plug()


def test_against_the_librarys_own_server(tmp_path: Path) -> None:
    devices = {1: ({}, {1: 305, 2: 546}), 7: ({0x3EA: 0xA106, 0x3EB: 0x41D7}, {})}
    with Line(tmp_path) as line, Server(line.theirs, devices):
        bus = ModbusBus(str(line.ours), 9600, "N", 1, DEADLINE_S)
        assert bus.read(1, 4, 1, 2) == [305, 546]
        assert bus.read(7, 3, 0x3EA, 2) == [0xA106, 0x41D7]
        with pytest.raises(ModbusRefusal):
            bus.read(1, 4, 100, 1)
        assert bus.read(1, 4, 1, 2) == [305, 546]
        bus.close()


@pytest.mark.parametrize(
    ("registers", "data_type", "order", "value"),
    [
        # XY-MD02 and L-com SRTH100 manuals: FF33 is -20.5, FF9B is -10.1 in tenths.
        ([0xFF33], "int16", "big", -205),
        ([0xFF9B], "int16", "big", -101),
        ([0xFF33], "uint16", "big", 65331),
        # E+E EE074/EE431, EE212 (low word first), EE240 (high word first); Vaisala test register; pymodbus test_client.
        ([0xA106, 0x41D7], "float32", "little", 26.953624725),
        ([0xB37E, 0x41C8], "float32", "little", 25.087642669677734),
        ([0x4197, 0xC28F], "float32", "big", 18.969999),
        ([0xE666, 0xC2F6], "float32", "little", -123.45),
        ([0x46D3, 0xE700], "float32", "big", 27123.5),
        ([0x0000, 0x0000], "float32", "big", 0.0),
        ([0x0001, 0x86A0], "int32", "big", 100000),
        ([0x7960, 0xFFFE], "int32", "little", -100000),
        ([0xFFFF, 0xFFFF], "uint32", "big", 4294967295),
    ],
)
def test_data_types(registers: list[int], data_type: str, order: str, value: float) -> None:
    assert value_of(registers, data_type, order) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("registers", "data_type"),
    # Vaisala manuals (HMW90 table 41, HMP110 table 40): quiet NaN and 8000h stand for "not available".
    [([0x7FC0, 0x0000], "float32"), ([0x8000], "int16"), ([0x7F80, 0x0000], "float32"), ([0xFF80, 0x0000], "float32")],
)
def test_values_that_say_there_is_none(registers: list[int], data_type: str) -> None:
    value = value_of(registers, data_type, "big")
    assert value is not None
    assert isnan(value)


@pytest.mark.parametrize("registers", [[0x0000, 0x41F4], [0x0000, 0x42BE]])
def test_floats_of_the_wrong_word_order_are_no_number(registers: list[int]) -> None:
    # Regression check (arithmetic): 30.5 and 95.0 read with the words exchanged are 2.4e-41.
    assert value_of(registers, "float32", "big") is None
    assert value_of(registers, "float32", "little") in (30.5, 95.0)


@given(
    st.sampled_from(sorted(WORDS)),
    st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2),
    st.sampled_from(["big", "little"]),
)
def test_no_registers_make_it_raise_or_invent(data_type: str, registers: list[int], order: str) -> None:
    value = value_of(registers[: WORDS[data_type]], data_type, order)
    assert value is None or isnan(value) or value == 0 or abs(value) >= 1e-6
