"""A gauge: a Modbus TCP server in a process of its own. It answers reads (FC 3 and 4) and refuses everything that writes.

    python -P -m deploy.plant.gauge_server PARENT_PID [PORT]

Prints `{"port": N}` when it listens; then takes lines `{"input": [...], "holding": [...]}` on stdin, the registers of each
table from address 0. The two words of a value change together.
"""

from __future__ import annotations

import asyncio
import logging
import sys
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from deploy.plant.child import die_with, orders, say
from deploy.plant.registers import LENGTH

READS = {3: "holding", 4: "input"}
UNIT = 1


async def serve(port: int) -> None:
    """Serve until stdin closes."""
    tables: dict[str, list[int]] = {"input": [0] * LENGTH, "holding": [0] * LENGTH}

    async def answer(
        function_code: int,
        start_address: int,
        _address: int,
        _count: int,
        registers: list[int],
        _set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        table = READS.get(function_code)
        if table is None:
            return ExcCodes.ILLEGAL_FUNCTION
        registers[:] = tables[table][start_address : start_address + len(registers)]
        return None

    def block() -> list[SimData]:
        return [SimData(0, count=LENGTH, datatype=DataType.REGISTERS)]

    def bits() -> list[SimData]:
        return [SimData(0, values=[False] * 16, datatype=DataType.BITS)]

    device = SimDevice(id=UNIT, simdata=(bits(), bits(), block(), block()), action=answer)
    server: Any = ModbusTcpServer(device, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    say({"port": server.transport.sockets[0].getsockname()[1]})
    async for order in orders():
        tables.update(order)
    await server.shutdown()


def main() -> None:
    """Entry of the process."""
    die_with(int(sys.argv[1]))
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    asyncio.run(serve(int(sys.argv[2]) if len(sys.argv) > 2 else 0))


if __name__ == "__main__":
    main()
