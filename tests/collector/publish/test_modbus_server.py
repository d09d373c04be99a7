"""The register server on a real socket, spoken to in bytes by the Modbus application protocol V1.1b3."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from typing import Any

import pytest

from collector.publish.modbus_server import MOST_CONNECTIONS, RegisterServer
from collector.publish.registers import length
from config.publish import ModbusPublish
from tests.collector.publish.test_registers import FAULT, FIT, TIME

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS = 1, 2
WAIT_S = 10.0


@pytest.fixture
async def server() -> AsyncIterator[RegisterServer]:
    made = RegisterServer(ModbusPublish(port=0), 2)
    await made.open()
    made.show(5, TIME, [FAULT, FIT], alive=True)
    try:
        yield made
    finally:
        await made.shutdown()  # type: ignore[no-untyped-call]


def port_of(server: RegisterServer) -> int:
    listening: Any = server.transport
    port: int = listening.sockets[0].getsockname()[1]
    return port


class Client:
    """Frames of Modbus TCP by hand."""

    async def __aenter__(self) -> Client:
        return self

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    async def __aexit__(self, *_: object) -> None:
        self._writer.close()
        await asyncio.wait({asyncio.ensure_future(self._writer.wait_closed())}, timeout=WAIT_S)

    async def ask(self, pdu: bytes, unit: int = 1) -> bytes:
        self._writer.write(struct.pack(">HHHB", 9, 0, len(pdu) + 1, unit) + pdu)
        head = await asyncio.wait_for(self._reader.readexactly(7), WAIT_S)
        transaction, protocol, size, _ = struct.unpack(">HHHB", head)
        assert (transaction, protocol) == (9, 0)
        return await asyncio.wait_for(self._reader.readexactly(size - 1), WAIT_S)

    async def registers(self, function: int, first: int, count: int) -> tuple[int, ...]:
        answer = await self.ask(struct.pack(">BHH", function, first, count))
        assert answer[:2] == bytes((function, 2 * count))
        return struct.unpack(f">{count}H", answer[2:])


async def connect(server: RegisterServer) -> Client:
    return Client(*await asyncio.open_connection("127.0.0.1", port_of(server)))


async def test_both_tables_show_the_same(server: RegisterServer) -> None:
    async with await connect(server) as client:
        for function in (3, 4):
            cells = await client.registers(function, 0, 16 + 64)
            assert cells[:6] == (1, 5, 1, 2, 64, 16)
            assert cells[16:22] == (0, 0, 3, 3, 7, 7)
            assert (await client.registers(function, 16 + 64, 3)) == (1, 0, 1)


WRITES = {
    "coil": struct.pack(">BHH", 5, 16, 0xFF00),
    "register": struct.pack(">BHH", 6, 16, 1),
    "coils": struct.pack(">BHHBB", 15, 0, 8, 1, 255),
    "registers": struct.pack(">BHHBH", 16, 16, 1, 2, 1),
    "mask": struct.pack(">BHHH", 22, 16, 0, 1),
    "read and write": struct.pack(">BHHHHBH", 23, 0, 1, 16, 1, 2, 1),
    "file record": bytes((21, 9, 6, 0, 1, 0, 0, 0, 1, 0, 1)),
}
OTHERS = {
    "coils": struct.pack(">BHH", 1, 0, 8),
    "discrete inputs": struct.pack(">BHH", 2, 0, 8),
    "restart communications": struct.pack(">BHH", 8, 1, 0),
    "listen only": struct.pack(">BHH", 8, 4, 0),
    "exception status": bytes((7,)),
    "server id": bytes((17,)),
    "queue": struct.pack(">BH", 24, 0),
    "user defined": bytes((65, 1, 2)),
    "device identification": bytes((43, 14, 1, 0)),
}


@pytest.mark.parametrize("pdu", [*WRITES.values(), *OTHERS.values()], ids=[*WRITES, *(f"not {name}" for name in OTHERS)])
async def test_whatever_does_not_read_registers_is_refused_and_changes_nothing(server: RegisterServer, pdu: bytes) -> None:
    async with await connect(server) as client:
        before = await client.registers(3, 0, 96)
        answer = await client.ask(pdu)
        assert answer == bytes((pdu[0] | 0x80, ILLEGAL_FUNCTION))
        assert await client.registers(3, 0, 96) == before


async def test_beyond_the_table_is_an_illegal_address(server: RegisterServer) -> None:
    async with await connect(server) as client:
        size = length(2)
        assert len(await client.registers(4, size - 1, 1)) == 1
        for first, count in ((size, 1), (size - 1, 2), (65535, 1)):
            assert await client.ask(struct.pack(">BHH", 4, first, count)) == bytes((0x84, ILLEGAL_ADDRESS))


async def test_noise_ends_no_other_connection(server: RegisterServer) -> None:
    async with await connect(server) as good:
        for noise in (b"\xff" * 300, b"GET / HTTP/1.1\r\n\r\n", struct.pack(">HHHB", 1, 0, 0, 1), b"\0" * 8):
            reader, writer = await asyncio.open_connection("127.0.0.1", port_of(server))
            writer.write(noise)
            await writer.drain()
            writer.close()
            del reader
        assert (await good.registers(3, 0, 1)) == (1,)


async def test_fifty_clients_at_once_and_one_too_many(server: RegisterServer) -> None:
    clients = [await connect(server) for _ in range(50)]
    try:
        answers = await asyncio.gather(*(client.registers(3, 1, 1) for client in clients for _ in range(1)))
        assert answers == [(5,)] * 50
        more = [await connect(server) for _ in range(MOST_CONNECTIONS - 50)]
        clients += more
        assert (await more[-1].registers(3, 1, 1)) == (5,)
        extra = await connect(server)
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await extra.registers(3, 1, 1)
        await extra.__aexit__()
    finally:
        for client in clients:
            await client.__aexit__()
    async with await connect(server) as again:
        assert (await again.registers(3, 1, 1)) == (5,)


@pytest.mark.parametrize(
    ("clients", "address", "admitted"),
    [
        ((), "127.0.0.1", True),
        ((), "::1", True),
        ((), "::ffff:127.0.0.1", True),
        ((), "192.0.2.30", False),
        (("192.0.2.30",), "192.0.2.30", True),
        (("192.0.2.30",), "192.0.2.31", False),
        (("192.0.2.30",), "127.0.0.1", False),
        (("192.0.2.0/28", "2001:db8::1"), "2001:db8::1", True),
        (("192.0.2.0/28",), "::ffff:192.0.2.5", True),
        (("192.0.2.0/28",), "not an address", False),
    ],
)
async def test_only_known_addresses_are_admitted(clients: tuple[str, ...], address: str, admitted: bool) -> None:
    assert RegisterServer(ModbusPublish(port=0, clients=clients), 1).admits(address) is admitted


async def test_a_stranger_is_hung_up_on() -> None:
    server = RegisterServer(ModbusPublish(port=0, clients=("192.0.2.30",)), 1)
    await server.open()
    try:
        client = await connect(server)
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await client.registers(3, 0, 1)
        await client.__aexit__()
        assert server.refused == 1
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


async def test_another_unit_is_not_answered_as_if_it_were_this_one(server: RegisterServer) -> None:
    async with await connect(server) as client:
        answer = await client.ask(struct.pack(">BHH", 3, 0, 1), unit=9)
        assert answer == bytes((0x83, 0x0B))  # gateway target device failed to respond (V1.1b3, 7)
