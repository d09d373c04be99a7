"""A TCP proxy that tests command: pass, cut, refuse, stay silent, garble, delay. It keeps every byte that clients sent.

async with Proxy(port_of_the_server) as proxy:
    ...                      # connect to proxy.port
    proxy.silent()           # accept and pass nothing on
    proxy.cut()              # end all connections now
    await proxy.refuse()     # nobody listens any more
    await proxy.accept()     # listen again at the same port
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from types import TracebackType

Change = Callable[[bytes], bytes]


class Proxy:
    """One listener in front of one server on the loopback."""

    def __init__(self, target_port: int) -> None:
        self.target_port = target_port
        self.port = 0
        self.connections = 0
        self.to_server = bytearray()
        """Every byte that clients sent, in order."""
        self.to_client = bytearray()
        """Every byte the server sent, before it was garbled."""
        self._server: asyncio.Server | None = None
        self._pairs: set[tuple[asyncio.StreamWriter, asyncio.StreamWriter]] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._change: Change = bytes
        self._silent = False
        self._delay_s = 0.0

    async def __aenter__(self) -> Proxy:
        await self.accept()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.refuse()
        while self._tasks:
            self.cut()
            await asyncio.wait(self._tasks, timeout=0.05)

    async def accept(self) -> None:
        """Listen, at the same port as before where there was one."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, reuse_address=True)
        self.port = self._server.sockets[0].getsockname()[1]

    async def refuse(self) -> None:
        """Stop listening and end all connections."""
        if self._server is not None:
            self._server.close()
            self._server = None
        self.cut()

    def cut(self) -> None:
        """End all connections at once, in the middle of whatever goes on."""
        for pair in self._pairs:
            for writer in pair:
                writer.transport.abort()

    def pass_on(self) -> None:
        """Pass everything on unchanged, at once."""
        self._change, self._silent, self._delay_s = bytes, False, 0.0

    def silent(self) -> None:
        """Accept connections and requests, and let no answer through."""
        self._silent = True

    def garble(self, change: Change) -> None:
        """Change each piece that the server sends."""
        self._change = change

    def delay(self, seconds: float) -> None:
        """Hold each piece that the server sends for this time [s]."""
        self._delay_s = seconds

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target_port)
        except OSError:
            writer.transport.abort()
            return
        pair = (writer, far_writer)
        self._pairs.add(pair)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._outward(reader, far_writer))
                group.create_task(self._homeward(far_reader, writer))
        except* OSError:
            pass
        finally:
            self._pairs.discard(pair)
            for one in pair:
                one.transport.abort()

    async def _outward(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while piece := await reader.read(65536):
            self.to_server += piece
            writer.write(piece)
            await writer.drain()
        raise ConnectionResetError

    async def _homeward(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while piece := await reader.read(65536):
            self.to_client += piece
            if self._delay_s:
                await asyncio.sleep(self._delay_s)
            if not self._silent:
                writer.write(self._change(piece))
                await writer.drain()
        raise ConnectionResetError
