"""Reads the registers of one transmitter on a Modbus bus and says which numbers are there."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan
from typing import Final

from msgspec import Struct

from kojimon.errors import LinkError
from kojimon.links.modbus_rtu import ModbusBus, ModbusRefusal, value_of
from kojimon.model import Quantity
from kojimon.probes.finding.guess import POSSIBLE

TIMEOUT_S: Final = 0.5
FIRST: Final = 16
"""So many registers from 0 on are read: small transmitters of temperature and humidity have no more (judgement)."""
SCALES: Final = (1.0, 0.1, 0.01)
SMALLEST: Final = 0.01
"""A float nearer to nothing is two whole numbers."""


class BusNumber(Struct, frozen=True):
    """A number in a register: raw as it came, and what it may mean."""

    register: int
    function: int
    raw: float
    scale: float = 1.0
    data_type: str = "int16"
    word_order: str = "big"

    @property
    def value(self) -> float:
        """The number as a probe would give it."""
        return self.raw * self.scale


class BusFind(Struct, frozen=True):
    """What a transmitter answered; `trouble` says why nothing could be had."""

    numbers: tuple[BusNumber, ...] = ()
    trouble: str = ""


def scan(port: str, baud: int, parity: str, unit: int) -> BusFind:
    """Reads the first registers of a unit, input registers first.

    Args:
        port, baud, parity: the bus. unit: address of the transmitter, 1 to 247.

    Returns:
        whole numbers that are not 0, by the scale that makes a temperature or a humidity of them, and pairs of
        registers that make one as a float.
    """
    found: list[BusNumber] = []
    try:
        bus = ModbusBus(port, baud, parity, 1, TIMEOUT_S)
    except LinkError as error:
        return BusFind(trouble=str(error))
    try:
        for function in (4, 3):
            found += _numbers(_registers(bus, unit, function), function)
    except LinkError as error:
        return BusFind(tuple(found), "" if found else str(error))
    finally:
        bus.close()
    return BusFind(tuple(found), "" if found else "it answers, and has no number in its first registers")


def _registers(bus: ModbusBus, unit: int, function: int) -> dict[int, int]:
    """By number; one by one where it refuses them all together."""
    try:
        return dict(enumerate(bus.read(unit, function, 0, FIRST)))
    except ModbusRefusal:
        found = {}
        for register in range(FIRST):
            try:
                found[register] = bus.read(unit, function, register, 1)[0]
            except ModbusRefusal:
                continue
        return found


def _numbers(registers: dict[int, int], function: int) -> Iterator[BusNumber]:
    low, high = POSSIBLE[Quantity.TEMPERATURE]
    for register, word in registers.items():
        raw = value_of([word], "int16", "big")
        if raw and not isnan(raw):
            scale = next((one for one in SCALES if low <= raw * one <= high), 1.0)
            yield BusNumber(register, function, raw, scale)
        after = registers.get(register + 1)
        for order in ("big", "little") if after is not None else ():
            raw = value_of([word, after or 0], "float32", order)
            if raw is not None and abs(raw) > SMALLEST and low <= raw <= high:
                yield BusNumber(register, function, raw, 1.0, "float32", order)
