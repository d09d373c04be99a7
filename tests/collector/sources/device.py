"""A small Modbus device of our own: registers by address, and replies that a test may spoil."""

from __future__ import annotations

import asyncio
import ssl
from collections import Counter
from collections.abc import Callable
from types import TracebackType

from pymodbus.framer import FramerRTU

Reply = Callable[[bytes, bytes], bytes]
"""From the request frame and the honest reply frame to what is sent; empty for no reply."""


def honest(_request: bytes, reply: bytes) -> bytes:
    """Send the reply as it is."""
    return reply


class Device:
    """Serves function codes 1 to 4 of every unit; anything else gets exception 1.

    An address in `holes` gives exception 2. The same registers stand in all tables; a bit is whether its register is not zero.
    """

    def __init__(self, *, rtu: bool = False, tls: ssl.SSLContext | None = None) -> None:
        self.registers: dict[int, int] = {}
        self.holes: set[int] = set()
        self.dead_units: set[int] = set()
        self.functions: Counter[int] = Counter()
        self.requests: list[tuple[int, int, int, int]] = []
        """Unit, function, address, count of each request."""
        self.reply: Reply = honest
        self.pieces = 1
        """In how many pieces a reply is sent."""
        self.port = 0
        self._rtu, self._tls = rtu, tls
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> Device:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        """Listen, at the same port as before where there was one."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, ssl=self._tls, reuse_address=True)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Stop listening and end all connections."""
        if self._server is not None:
            self._server.close()
        while self._tasks:
            for writer in self._writers:
                writer.transport.abort()
            await asyncio.wait(self._tasks, timeout=0.05)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        self._writers.add(writer)
        try:
            while True:
                sent = self.answer(await self._request(reader))
                size = max(1, -(-len(sent) // self.pieces))
                for start in range(0, len(sent), size):
                    writer.write(sent[start : start + size])
                    await writer.drain()
        except (OSError, asyncio.IncompleteReadError):
            return
        finally:
            self._writers.discard(writer)
            writer.transport.abort()

    async def _request(self, reader: asyncio.StreamReader) -> bytes:
        if self._rtu:
            return await reader.readexactly(8)
        header = await reader.readexactly(6)
        return header + await reader.readexactly(int.from_bytes(header[4:6], "big"))

    def answer(self, request: bytes) -> bytes:
        """The frame that answers a request frame."""
        unit, pdu = (request[0], request[1:-2]) if self._rtu else (request[6], request[7:])
        self.functions[pdu[0]] += 1
        if unit in self.dead_units:
            return b""
        body = bytes([unit]) + self._body(unit, pdu)
        if self._rtu:
            return self.reply(request, body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))
        return self.reply(request, request[:4] + len(body).to_bytes(2, "big") + body)

    def _body(self, unit: int, pdu: bytes) -> bytes:
        function = pdu[0]
        if function not in (1, 2, 3, 4):
            return bytes([function | 0x80, 1])
        address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        self.requests.append((unit, function, address, count))
        wanted = range(address, address + count)
        if self.holes & set(wanted):
            return bytes([function | 0x80, 2])
        words = [self.registers.get(number, 0) for number in wanted]
        if function in (1, 2):
            bits = sum(1 << place for place, word in enumerate(words) if word)
            data = bits.to_bytes((count + 7) // 8, "little")
        else:
            data = b"".join(word.to_bytes(2, "big") for word in words)
        return bytes([function, len(data)]) + data
