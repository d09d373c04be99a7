"""A wire that notes when each piece of a client came by, and what it asked for."""

from __future__ import annotations

import asyncio
import time

from tests.proxy import Proxy

Sent = list[tuple[float, bytes]]


class TimedProxy(Proxy):
    """A proxy that keeps every piece that clients sent with its time [s]."""

    def __init__(self, target_port: int) -> None:
        super().__init__(target_port)
        self.sent: Sent = []

    async def __aenter__(self) -> TimedProxy:
        await self.accept()
        return self

    async def _outward(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while piece := await reader.read(65536):
            self.sent.append((time.monotonic(), piece))
            self.to_server += piece
            writer.write(piece)
            await writer.drain()
        raise ConnectionResetError


def opcua_requests(sent: Sent) -> list[float]:
    """When each message of a session was sent: chunks of type MSG (OPC UA Part 6, 7.1.2.2)."""
    times = []
    for moment, piece in sent:
        while len(piece) >= 8:
            if piece[:3] == b"MSG":
                times.append(moment)
            piece = piece[int.from_bytes(piece[4:8], "little") or len(piece) :]
    return times


def modbus_requests(sent: Sent) -> list[tuple[float, int, int, int]]:
    """When, with which function code, from which address and for how many registers each request of Modbus TCP was sent."""
    found = []
    for moment, piece in sent:
        while len(piece) >= 12:
            found.append((moment, piece[7], int.from_bytes(piece[8:10], "big"), int.from_bytes(piece[10:12], "big")))
            piece = piece[6 + int.from_bytes(piece[4:6], "big") :]
    return found
