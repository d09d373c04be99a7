"""What goes over the wire against worked examples from outside the project."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from collector.clock import SystemClock
from collector.sources.failure import LinkError
from collector.sources.frames import RtuFramer, check_reply, describe_mbap, describe_rtu
from collector.sources.modbus import ModbusLink
from config.model import ModbusEndpoint
from config.units import unece_unit_id

# Modbus application protocol V1.1b3, worked examples of sections 6.1 to 6.4 (01, 02, 04 from memory; 03 seen, with the RTU
# checksums, in device texts and recomputed)
EXAMPLES = [
    (1, 0x13, 19, "01 00 13 00 13", "01 03 CD 6B 05", "1011 0011 1101 0110 101"),
    (2, 0xC4, 22, "02 00 C4 00 16", "02 03 AC DB 35", "0011 0101 1101 1011 101011"),
    (3, 0x6B, 3, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", "555 0 100"),
    (4, 0x08, 1, "04 00 08 00 01", "04 02 00 0A", "10"),
]


@asynccontextmanager
async def answering(reply: bytes, size: int, heard: bytearray, *, rtu: bool = False) -> AsyncIterator[ModbusLink]:
    """A link to a server that hears one request of this size and sends this reply."""

    ended = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.extend(await reader.readexactly(size))
        writer.write(reply)
        await writer.drain()
        await reader.read()
        writer.close()
        await writer.wait_closed()
        ended.set()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        endpoint = ModbusEndpoint.model_validate(
            {
                "protocol": "modbus",
                "host": "127.0.0.1",
                "port": server.sockets[0].getsockname()[1],
                "transport": "rtu-over-tcp" if rtu else "tcp",
                "timeout": 0.3,
            }
        )
        link = ModbusLink("gauge", endpoint, SystemClock())
        await link.open()
        try:
            yield link
        finally:
            link.close()
            await asyncio.wait_for(ended.wait(), 5.0)


@pytest.mark.parametrize(("function", "start", "count", "request_pdu", "reply_pdu", "content"), EXAMPLES)
async def test_the_worked_examples_of_the_standard(
    function: int, start: int, count: int, request_pdu: str, reply_pdu: str, content: str
) -> None:
    asked, answer = bytes.fromhex(request_pdu), bytes.fromhex(reply_pdu)
    assert check_reply(answer, function, count) == ""
    # Modbus messaging on TCP/IP guide V1.0b: transaction, protocol 0, length of unit and PDU, unit (from memory)
    head = bytes.fromhex("0001 0000")
    reply = head + (1 + len(answer)).to_bytes(2, "big") + b"\x11" + answer
    heard = bytearray()
    async with answering(reply, 12, heard) as link:
        got = await link.read(17, function, start, count)
    assert bytes(heard) == head + b"\x00\x06\x11" + asked
    wanted = [int(bit) for bit in content.replace(" ", "")] if function in (1, 2) else [int(word) for word in content.split()]
    assert got == wanted


async def test_the_rtu_example_with_its_checksums() -> None:
    heard = bytearray()
    async with answering(bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A"), 8, heard, rtu=True) as link:
        assert await link.read(1, 3, 0x6B, 3) == [555, 0, 100]
    assert bytes(heard) == bytes.fromhex("01 03 00 6B 00 03 74 17")


async def test_an_exception_reply_is_function_plus_128_and_a_code() -> None:
    # section 7 of the same standard
    heard = bytearray()
    async with answering(bytes.fromhex("0001 0000 0003 11 83 02"), 12, heard) as link:
        with pytest.raises(LinkError, match="exception 2") as caught:
            await link.read(17, 3, 0x6B, 3)
    assert caught.value.code == 2


@pytest.mark.parametrize(
    ("pdu", "function", "count", "wrong"),
    [
        ("", 3, 1, "function code missing"),
        ("04 02 00 0A", 3, 1, "function code 4 instead of 3"),
        ("03 02 00 0A", 3, 2, "2 bytes instead of 4"),
        ("03 03 00 0A 00", 3, 2, "3 bytes instead of 4"),
        ("03 04 00 0A 00 00", 3, 2, ""),
        ("03 05 00 0A 00 00", 3, 2, "4 bytes instead of 4"),
        ("01 02 CD 6B", 1, 19, "2 bytes instead of 3"),
        ("01 01 CD", 1, 8, ""),
        ("01 02 CD 00", 1, 8, "2 bytes instead of 1"),
    ],
)
def test_replies_are_held_against_what_was_asked(pdu: str, function: int, count: int, wrong: str) -> None:
    found = check_reply(bytes.fromhex(pdu), function, count)
    assert found.startswith(wrong) if wrong else not found


@pytest.mark.parametrize(
    ("heard", "why"),
    [
        ("0005 0000 0009 11", "short reply"),
        ("0005 0001 0009 11 03", "no Modbus header"),
        ("0004 0000 0009 11 03", "late answer"),
        ("0006 0000 0009 11 03", "other transaction id"),
        ("0005 0000 0009 12 03 06 022B00000064", "other unit id"),
        ("0005 0000 0009 11 03 06 022B", "short reply"),
        ("0005 0000 0003 11 63 00", "undecodable reply"),
    ],
)
def test_bytes_that_are_no_reply_are_named(heard: str, why: str) -> None:
    assert describe_mbap(bytes.fromhex(heard), 5, 0x11) == why


@pytest.mark.parametrize(
    ("heard", "why"),
    [
        ("01 03", "short reply"),
        ("01 03 06 02 2B 00 00 00 64 05 7B", "wrong checksum or short reply"),
        ("01 03 06 02 2B 00 00 00 64 05 7A", "other unit id"),
    ],
)
def test_rtu_bytes_that_are_no_reply_are_named(heard: str, why: str) -> None:
    assert describe_rtu(bytes.fromhex(heard), 2) == why


def test_the_checksum_of_the_rtu_example_is_the_librarys() -> None:
    assert RtuFramer.compute_CRC(bytes.fromhex("01 03 00 6B 00 03")) == 0x7417


def test_unit_ids_follow_the_character_rule() -> None:
    # OPC UA Part 8, 5.6.3: the characters of the UNECE Recommendation 20 code, 8 bits each, first most significant
    for unit, code, number in [("t/h", "E18", 4534584), ("kg/s", "KGS", 4933459), ("m/s", "MTS", 5067859), ("mA", "4K", 13387)]:
        assert unece_unit_id(unit) == number == int.from_bytes(code.encode("ascii"), "big")
