"""The child: serves what the service tells it, and says that it is silent when it is.

    python -P -m collector.publish

Its first line on stdin is `{"publish": ..., "passwords": {user: password}, "loops": [...]}`; it answers one line, `{"at": {protocol:
address}}` or `{"error": {...}}`. Each further line is one beat (`picture.to_line`), answered with `{"beat", "clients", "refused"}`.
It ends with its stdin, so with the service.
"""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
import time
from typing import TYPE_CHECKING, Any

from collector.cli import exits
from collector.publish.picture import Picture, from_line
from collector.publish.watch import Watch
from config.publish import Publish

if TYPE_CHECKING:
    from collector.publish.modbus_server import RegisterServer
    from collector.publish.opcua_server import VerdictServer

TICK_S = 0.5
LONGEST_LINE = 1 << 24


class Servers:
    """The servers that the site file names, over one watch."""

    def __init__(self, publish: Publish, passwords: dict[str, str], pictures: list[Picture]) -> None:
        self._watch = Watch(pictures, time.monotonic())
        self._first = pictures
        self._publish = publish
        self._opcua: VerdictServer | None = None
        self._modbus: RegisterServer | None = None
        if publish.opcua is not None:  # a library that nothing needs costs a second of processor time
            from collector.publish.opcua_server import VerdictServer

            self._opcua = VerdictServer(publish.opcua, passwords)
        if publish.modbus is not None:
            from collector.publish.modbus_server import RegisterServer

            self._modbus = RegisterServer(publish.modbus, len(pictures))
        self._turn = asyncio.Lock()

    async def open(self) -> dict[str, str]:
        """Listen on all; the addresses by protocol."""
        at: dict[str, str] = {}
        if self._modbus is not None and self._publish.modbus is not None:
            at["modbus"] = f"{self._publish.modbus.host}:{await self._modbus.open()}"
        if self._opcua is not None:
            at["opcua"] = await self._opcua.open(self._first)
        await self.show()
        return at

    async def hear(self, line: bytes) -> dict[str, Any]:
        """Take a beat; what is answered to it."""
        beat, at, pictures = from_line(line)
        self._watch.hear(beat, at, pictures, time.monotonic())
        await self.show()
        clients: dict[str, int] = {}
        if self._opcua is not None:
            clients["opcua"] = self._opcua.clients
        if self._modbus is not None:
            clients["modbus"] = len(self._modbus.active_connections)
        return {"beat": beat, "clients": clients, "refused": self._modbus.refused if self._modbus is not None else 0}

    async def show(self) -> None:
        """Bring what is served up to date."""
        async with self._turn:
            now = time.monotonic()
            alive, pictures = self._watch.alive(now), self._watch.pictures(now)
            if self._modbus is not None:
                self._modbus.show(self._watch.beat, self._watch.time, pictures, alive=alive)
            if self._opcua is not None:
                await self._opcua.space.show(self._watch.beat, self._watch.time, pictures, alive=alive)

    async def watch(self) -> None:
        """Look again and again whether the service still speaks."""
        while True:
            await asyncio.sleep(TICK_S)
            await self.show()


async def serve() -> int:
    """Serve until stdin closes; the exit code."""
    reader = asyncio.StreamReader(limit=LONGEST_LINE)
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    order = json.loads(await reader.readline())
    pictures = from_line(json.dumps({"beat": 0, "time": 0.0, "loops": order["loops"]}).encode())[2]
    try:
        servers = Servers(Publish.model_validate(order["publish"]), order["passwords"], pictures)
        at = await servers.open()
    except (OSError, ValueError) as error:
        _say({"error": getattr(error, "strerror", None) or str(error), "file": str(getattr(error, "filename", None) or "")})
        return exits.BAD_INPUT
    _say({"at": at})
    watching = asyncio.create_task(servers.watch())
    reading = asyncio.create_task(_read(reader, servers))
    done, _ = await asyncio.wait({watching, reading}, return_when=asyncio.FIRST_COMPLETED)
    for task in done:
        task.result()
    return exits.NO_FINDING


async def _read(reader: asyncio.StreamReader, servers: Servers) -> None:
    while line := await reader.readline():
        _say(await servers.hear(line))


def _say(message: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


def main() -> int:
    """Entry of the process; the service alone ends it, in its own order."""
    for sign in (signal.SIGINT, signal.SIGTERM):
        signal.signal(sign, signal.SIG_IGN)
    for name in ("asyncua", "pymodbus"):  # they log every session and every refusal; that would fill a disk
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        return asyncio.run(serve())
    except BrokenPipeError:
        return exits.INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
