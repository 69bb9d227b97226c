"""A Modbus RTU bus through pymodbus: the only place that knows that library.

RTU has no transaction numbers: the late answer to the request before is a valid answer to this one. So after every
request without a sound answer the bus is left silent and read empty. The library's client waits by the wall clock,
which may jump; its bytes therefore go through our own port, and only framing and decoding are the library's.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any, Final

from kojimon.clock import real_s
from kojimon.errors import LinkError
from kojimon.links.serial_port import SerialPort

DENORMAL: Final = 1e-6
"""A float below this and not 0 is two words in the wrong order (30.5 turns into 2.4e-41 and would show as 0.0)."""
DRAIN_S: Final = 2.0
"""Longest time the bus is read empty."""
FRAME_OVERHEAD: Final = 5
"""Bytes of an answer besides its registers: unit, function, byte count, checksum of two (Modbus over serial line
V1.02, 2.5.1)."""
STRAY: Final = 8
"""Bytes beside the answer that are put up with: glitches when the line turns round. More is noise, and not worth the
library's hunt for a frame in it, whose cost grows with the cube of the length in some versions."""

EXCEPTIONS: Final = {1: "illegal function", 2: "no such register", 3: "illegal value", 4: "device failure", 6: "busy"}


class ModbusRefusal(LinkError):
    """The device answered that it cannot or will not: an exception reply.

    Attributes:
        code: exception code of the Modbus application protocol.
    """

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


class NoAnswer(LinkError):
    """No sound answer in time."""


class ModbusBus:
    """One bus as master. Not for several threads at once: whoever holds it owns the bus.

    Args:
        path, baud, parity, stop_bits: the port.
        timeout_s: longest wait for an answer; also how long the bus must be quiet after a failure.

    Raises:
        LinkError: the port cannot be opened.
    """

    def __init__(self, path: str, baud: int, parity: str, stop_bits: int, timeout_s: float) -> None:
        from pymodbus.framer import FramerRTU
        from pymodbus.pdu import DecodePDU

        self._timeout_s = timeout_s
        self._framer: Any = FramerRTU(DecodePDU(False))
        self._port = SerialPort(path, baud, parity, stop_bits, read_s=min(timeout_s, 1.0))
        self.drained = 0

    def read(self, unit: int, function: int, register: int, count: int) -> list[int]:
        """Reads `count` registers of a unit in one request.

        Args:
            unit: address of the device, 1 to 247.
            function: 3 (holding registers) or 4 (input registers).
            register: first register, counted from 0 as on the wire.

        Returns:
            the registers as unsigned 16-bit numbers.

        Raises:
            ModbusRefusal: the device answered with an exception. NoAnswer: nothing sound came in time. LinkError: the
            port is gone.
        """
        from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

        kinds = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
        request = kinds[function](address=register, count=count, dev_id=unit)
        try:
            self._port.write(self._framer.buildFrame(request))
            answer = self._answer(unit, FRAME_OVERHEAD + 2 * count + STRAY)
        except NoAnswer:
            self._quieten()
            raise
        if answer.function_code == function | 0x80:
            code = int(getattr(answer, "exception_code", 0))
            meaning = EXCEPTIONS.get(code, f"exception {code}")
            raise ModbusRefusal(f"unit {unit}, function {function}, register {register}: {meaning}", code)
        if answer.function_code != function or len(answer.registers) != count:
            self._quieten()
            raise NoAnswer(f"unit {unit}: answered to another request; the answer was thrown away")
        return list(answer.registers)

    def _answer(self, unit: int, limit: int) -> Any:
        from pymodbus.exceptions import ModbusException

        until_s, received = real_s() + self._timeout_s, b""
        while real_s() < until_s:
            received += self._port.read()
            if len(received) > limit:
                raise NoAnswer(f"unit {unit}: noise on the bus; termination, wiring, another master?")
            try:
                used, answer = self._framer.handleFrame(received, unit, 0)
            except (ModbusException, ValueError, IndexError) as error:
                raise NoAnswer(f"unit {unit}: an answer that makes no sense ({error})") from error
            if answer is not None:
                return answer
            received = received[used:]
        rest = f" ({len(received)} bytes that are no frame)" if received else ""
        raise NoAnswer(f"unit {unit}: no answer within {self._timeout_s:g} s{rest}; address, wires A and B, power?")

    def _quieten(self) -> None:
        """Reads the bus empty until it was silent for a whole answer time."""
        until_s = quiet_s = real_s()
        until_s += DRAIN_S
        while (now_s := real_s()) < until_s and now_s - quiet_s < self._timeout_s:
            if late := self._port.read():
                self.drained += len(late)
                quiet_s = real_s()

    def wake(self) -> None:
        """Ends a wait, from another thread."""
        self._port.wake()

    def close(self) -> None:
        """Gives the port back."""
        self._port.close()


WORDS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
"""Registers of each data type."""


def value_of(registers: Sequence[int], data_type: str, word_order: str) -> float | None:
    """The number in registers.

    Args:
        registers: as many as the type has.
        data_type: a key of WORDS.
        word_order: `big` (high word first) or `little`.

    Returns:
        the number; NaN where the device says that it has none (float NaN, int16 8000h: Vaisala HMW90 and HMP110
        manuals, Modbus tables); None where it is no measurement (a float of wrong word order).
    """
    from pymodbus.client.mixin import ModbusClientMixin as Mixin

    kind = Mixin.DATATYPE[data_type.upper()]
    order: Any = word_order
    number = Mixin.convert_from_registers(list(registers), kind, word_order=order)
    if not isinstance(number, int | float):
        return None
    if data_type == "int16" and number == -0x8000:
        return float("nan")
    value = float(number)
    if not isfinite(value):
        return float("nan")
    return None if value and abs(value) < DENORMAL else value
