"""A gauge that answers Modbus TCP reads of holding registers, written from the protocol specification alone.

MODBUS Messaging on TCP/IP Implementation Guide V1.0b (header) and MODBUS Application Protocol V1.1b3, 6.3 (function 3),
from memory.
"""

from __future__ import annotations

import asyncio
import struct
import threading
from types import TracebackType


class FakeGauge:
    """Serves float32 values from register 0 upwards on a free port of loopback, in a thread of its own."""

    def __init__(self, *values: float) -> None:
        self.values = values
        self.port = 0
        self.reads = 0
        self.others = 0
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> FakeGauge:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(10)

    def _serve(self) -> None:
        self._loop.run_until_complete(self._run())
        self._loop.close()

    async def _run(self) -> None:
        self._end = asyncio.Event()
        self._open: set[asyncio.StreamWriter] = set()
        server = await asyncio.start_server(self._answer, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._end.wait()
        server.close()
        for writer in list(self._open):
            writer.close()
        await server.wait_closed()
        await asyncio.sleep(0)

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._open.add(writer)
        try:
            while True:
                transaction, _, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
                request = await reader.readexactly(length - 1)
                answer = self._registers(request)
                writer.write(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self._open.discard(writer)
            writer.close()

    def _registers(self, request: bytes) -> bytes:
        if request[0] != 3:
            self.others += 1
            return bytes([request[0] | 0x80, 1])
        self.reads += 1
        address, count = struct.unpack(">HH", request[1:5])
        content = b"".join(struct.pack(">f", value) for value in self.values)
        part = content[2 * address : 2 * (address + count)]
        if len(part) < 2 * count:
            return bytes([0x83, 2])
        return bytes([3, len(part)]) + part
