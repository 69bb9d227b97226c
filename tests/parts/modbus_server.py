"""pymodbus's own serial server as a process: `modbus_server.py PORT JSON`, units with holding and input registers."""

import asyncio
import json
import sys

from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice


def block(registers: dict[str, int]) -> list[SimData]:
    """Registers as the server's own data; one far away where none are wanted, for it takes no empty list."""
    wanted = {int(at): value for at, value in registers.items()} or {60000: 0}
    return [SimData(at, values=value, datatype=DataType.REGISTERS) for at, value in sorted(wanted.items())]


async def serve(port: str, devices: dict[str, tuple[dict[str, int], dict[str, int]]]) -> None:
    """Serves until killed; says `ready` first."""
    bits = [SimData(0, values=0, datatype=DataType.BITS)]
    context = [
        SimDevice(int(unit), simdata=(bits, bits, block(holding), block(inputs)))
        for unit, (holding, inputs) in devices.items()
    ]
    server = ModbusSerialServer(context, framer=FramerType.RTU, port=port, baudrate=9600)
    await server.serve_forever(background=True)
    print("ready", flush=True)
    await server.serving


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], json.loads(sys.argv[2])))
