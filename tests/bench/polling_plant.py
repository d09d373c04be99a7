"""The wires of a site of many loops, for `polling.py`: the three loops of the demo plant, each shown by as many gauges as ask.

    python -P -m tests.bench.polling_plant PARENT_PID

Prints `{"gauges": {loop: port}, "plc": url}` when it listens. Every gauge of a pattern is a connection to the port of that pattern, and
every PLC a session with the one OPC UA server: what it costs the client is the same, and 1,500 loops fit on one machine.
The Modbus side is a protocol of its own, because the simulator of the library would need more than the client that is measured.
"""

from __future__ import annotations

import asyncio
import logging
import struct
import sys
import time
from functools import partial

from deploy.plant.child import die_with, say
from deploy.plant.plc_server import PlcServer
from deploy.plant.terminal import Terminal, fresh

SEED = 11
WARM_S = 3600
"""Seconds that the plant has run before anybody reads it [s]."""
TABLES = {3: "holding", 4: "input"}


class Gauge(asyncio.Protocol):
    """Answers reads of registers from an image that changes once a second; refuses everything else."""

    def __init__(self, image: dict[str, bytes]) -> None:
        self._image, self._left = image, b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Called by asyncio."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Called by asyncio."""
        left = self._left + data
        while len(left) >= 12:
            transaction, _, _, unit, function, start, count = struct.unpack_from(">HHHBBHH", left)
            left = left[12:]
            table = TABLES.get(function)
            body = b"" if table is None else self._image[table][2 * start : 2 * (start + count)]
            whole = bool(body) and len(body) == 2 * count
            answer = bytes((function, len(body))) + body if whole else bytes((function | 0x80, 2))
            self._transport.write(struct.pack(">HHHB", transaction, 0, 1 + len(answer), unit) + answer)
        self._left = left


async def serve() -> None:
    """Serve until the process is ended."""
    loop = asyncio.get_running_loop()
    terminal = Terminal(fresh(int(time.time()) - WARM_S), SEED)
    terminal.advance(WARM_S)
    images: dict[str, dict[str, bytes]] = {name: {} for name in terminal.specs}
    plc = PlcServer()
    url = await plc.start(terminal.plc_nodes())
    ports = {}
    for name, image in images.items():
        server = await loop.create_server(partial(Gauge, image), "127.0.0.1", 0, backlog=4096)
        ports[name] = server.sockets[0].getsockname()[1]

    async def show() -> None:
        for name, image in images.items():
            image.update({table: struct.pack(f">{len(cells)}H", *cells) for table, cells in terminal.registers(name).items()})
        await plc.put(terminal.plc_values())

    await show()
    say({"gauges": ports, "plc": url})
    due = loop.time()
    while True:
        due = max(due + 1.0, loop.time())
        await asyncio.sleep(due - loop.time())
        terminal.advance()
        await show()


def main() -> None:
    """Entry of the process."""
    die_with(int(sys.argv[1]))
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    asyncio.run(serve())


if __name__ == "__main__":
    main()
