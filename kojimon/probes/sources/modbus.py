"""Readings from devices on an RS-485 bus, polled as Modbus RTU master."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from kojimon.clock import Clock, real_s
from kojimon.contract.health import ModbusHealth
from kojimon.links.modbus_rtu import WORDS, ModbusBus, ModbusRefusal, NoAnswer, value_of
from kojimon.model import Arrival
from kojimon.probes.sources.worker import SourceWorker
from kojimon.settings.spec import ModbusSource, Probe

SKIP_LONGEST: Final = 32
"""A unit that does not answer is left alone for 1, 3, 7 ... at most so many rounds, or it would starve the others."""
BLOCK_LIMIT: Final = 16
"""Most registers read in one request."""
ILLEGAL_ADDRESS: Final = 2


class Block(Struct, frozen=True):
    """Registers read in one request, with the probes that live in them."""

    unit: int
    function: int
    register: int
    count: int
    probes: tuple[Probe, ...]


def blocks(probes: Sequence[Probe], apart: bool = False) -> list[Block]:
    """Requests for a set of probes: registers that follow each other without a gap are read together.

    Args:
        apart: one request for each probe's registers (for devices that refuse to be read in one go).
    """
    made: list[Block] = []
    for probe in sorted(probes, key=lambda probe: (probe.unit_id, probe.function, probe.register)):
        end = probe.register + WORDS[probe.data_type]
        last = made[-1] if made and not apart else None
        if last and _joins(last, probe, end):
            count = max(last.count, end - last.register)
            made[-1] = Block(last.unit, last.function, last.register, count, (*last.probes, probe))
        else:
            made.append(Block(probe.unit_id, probe.function, probe.register, WORDS[probe.data_type], (probe,)))
    return made


def _joins(block: Block, probe: Probe, end: int) -> bool:
    same = (block.unit, block.function) == (probe.unit_id, probe.function)
    return same and probe.register <= block.register + block.count and end - block.register <= BLOCK_LIMIT


class Unit:
    """One device on the bus: its requests and how it has been answering."""

    def __init__(self, probes: Sequence[Probe]) -> None:
        self.probes = tuple(probes)
        self.blocks = blocks(probes)
        self.apart = False
        self.trouble = "not asked yet"
        self.failures = self.skip = 0

    def answered(self, trouble: str = "") -> None:
        """Notes an answer, perhaps a refusal."""
        self.failures, self.trouble = 0, trouble

    def failed(self, trouble: str) -> None:
        """Notes a missing answer and decides how many rounds to leave the unit alone."""
        self.failures, self.trouble = self.failures + 1, trouble
        self.skip = min(2 ** (self.failures - 1) - 1, SKIP_LONGEST)

    def split(self) -> None:
        """Reads each probe by itself from now on."""
        self.blocks, self.apart = blocks(self.probes, apart=True), True


class ModbusProbes(SourceWorker):
    """Asks every unit once a round; one thread, so that the bus never carries two requests.

    An answer becomes a number under the probe's name. A refusal, or registers that are no number, become an empty
    payload: the device is there and has nothing. No answer becomes silence.

    Args:
        settings: port and pace.
        probes: the bus's own probes.
        clock: world time, for stamping.
    """

    kind = "modbus"

    def __init__(self, settings: ModbusSource, probes: Sequence[Probe], clock: Clock) -> None:
        super().__init__(settings.name, clock)
        self._settings = settings
        numbers = sorted({probe.unit_id for probe in probes})
        self._units = {unit: Unit([probe for probe in probes if probe.unit_id == unit]) for unit in numbers}
        self._bus: ModbusBus | None = None
        self._rounds = self._no_answer = self._refused = self._drained = 0

    def facts(self) -> ModbusHealth:
        """See SourceLink."""
        return ModbusHealth(
            **vars(super().facts()),
            rounds=self._rounds,
            no_answer=self._no_answer,
            refused=self._refused,
            late_bytes=self._drained + (self._bus.drained if self._bus else 0),
            units={str(number): unit.trouble for number, unit in self._units.items()},
        )

    def _session(self, stop: threading.Event) -> None:
        given = self._settings
        bus = self._bus = ModbusBus(given.port, given.baud, given.parity, given.stop_bits, given.timeout_s)
        try:
            due_s = real_s()
            while not stop.is_set():
                self._round(bus, stop)
                due_s = max(due_s + given.poll_every_s, real_s())
                self._pause(due_s - real_s(), stop)
        finally:
            self._bus = None
            self._drained += bus.drained
            bus.close()

    def _wake(self) -> None:
        if (bus := self._bus) is not None:
            bus.wake()

    def _round(self, bus: ModbusBus, stop: threading.Event) -> None:
        for unit in self._units.values():
            if unit.skip:
                unit.skip -= 1
                continue
            for block in unit.blocks:
                if stop.is_set():
                    return
                self._beat()
                if not self._ask(bus, unit, block):
                    break
        self._rounds += 1
        troubles = [unit.trouble for unit in self._units.values() if unit.trouble]
        if troubles:
            self._down("; ".join(troubles[:3]))
        elif self._trouble:
            self._up()

    def _ask(self, bus: ModbusBus, unit: Unit, block: Block) -> bool:
        """One request. False when the unit did not answer and is to be left alone."""
        try:
            registers = bus.read(block.unit, block.function, block.register, block.count)
        except ModbusRefusal as refusal:
            self._refused += 1
            if refusal.code == ILLEGAL_ADDRESS and len(block.probes) > 1 and not unit.apart:
                unit.split()
                unit.answered(str(refusal))
                return False
            unit.answered(str(refusal))
            for probe in block.probes:
                self._hand(Arrival(self.name, self._clock.boot_ms(), probe.name, b""))
            return True
        except NoAnswer as missing:
            self._no_answer += 1
            unit.failed(str(missing))
            return False
        unit.answered()
        boot_ms = self._clock.boot_ms()
        for probe in block.probes:
            at = probe.register - block.register
            value = value_of(registers[at : at + WORDS[probe.data_type]], probe.data_type, probe.word_order)
            self._hand(Arrival(self.name, boot_ms, probe.name, b"" if value is None else value))
        return True
