from __future__ import annotations

import asyncio
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import SystemClock
from collector.sources.frames import MbapFramer, RtuFramer, asked, check_reply, describe_mbap, describe_rtu, words_of
from collector.sources.modbus import DEAD_PEER_MS, ModbusLink
from config.model import ModbusEndpoint
from tests.collector.sources.device import Device
from tests.collector.sources.sites import modbus_site

NOISE = st.binary(max_size=300)


@given(NOISE, st.integers(0, 255), st.integers(0, 65535))
def test_noise_never_raises_out_of_the_framers(noise: bytes, unit: int, transaction: int) -> None:
    for framer in (MbapFramer(), RtuFramer()):
        used, _ = framer.handleFrame(noise, unit, transaction)
        assert 0 <= used <= len(noise)


@given(st.binary(min_size=2, max_size=20), st.integers(0, 255))
def test_noise_behind_a_sound_header_never_raises(pdu: bytes, unit: int) -> None:
    frame = b"\x00\x07\x00\x00" + (1 + len(pdu)).to_bytes(2, "big") + bytes([unit]) + pdu
    MbapFramer().handleFrame(frame, unit, 7)
    body = bytes([unit]) + pdu
    RtuFramer().handleFrame(body + RtuFramer.compute_CRC(body).to_bytes(2, "big"), unit, 0)


@given(NOISE, st.integers(1, 4), st.integers(1, 125))
def test_noise_is_described_and_seldom_a_reply(noise: bytes, function: int, count: int) -> None:
    assert describe_mbap(noise, 7, 1)
    assert describe_rtu(noise, 1)
    if not check_reply(noise, function, count):
        assert noise[0] == function
        assert noise[1] == len(noise) - 2


@given(st.binary(min_size=1, max_size=8), st.integers(1, 3))
def test_a_frame_in_pieces_is_waited_for(data: bytes, at: int) -> None:
    pdu = b"\x03" + bytes([len(data)]) + data
    frame = b"\x00\x07\x00\x00" + (1 + len(pdu)).to_bytes(2, "big") + b"\x01" + pdu
    assert MbapFramer().handleFrame(frame[:-at], 1, 7) == (0, None)


# Modbus application protocol V1.1b3, examples of sections 6.3 (registers 108 to 110) and 6.1 (coils 20 to 38), from memory, behind the
# header of Modbus messaging on TCP/IP V1.0b
ASKED = bytes.fromhex("0001 0000 0006 11 03 006B 0003")
ANSWERED = bytes.fromhex("0001 0000 0009 11 03 06 022B 0000 0064")


async def test_the_right_answer_is_given_as_it_came_also_in_pieces() -> None:
    ask = asked(ASKED, 3)
    assert (ask.tail, ask.length, b"\x00\x01" + ask.head) == (ASKED[2:], len(ANSWERED), ANSWERED[:9])
    assert words_of(ANSWERED[9:], 3, 3) == [0x022B, 0x0000, 0x0064]
    for at in range(1, len(ANSWERED)):
        framer, answers = MbapFramer(), asyncio.get_running_loop().create_future()
        framer.expect(answers, ANSWERED[:2] + ask.head, ask.length)
        assert framer.handleFrame(ANSWERED[:at], 0x11, 1) == (0, None)
        assert framer.handleFrame(ANSWERED, 0x11, 1) == (len(ANSWERED), None)
        assert answers.result() == ANSWERED


@pytest.mark.parametrize(
    ("at", "byte"),
    [(1, 2), (3, 1), (5, 10), (6, 0x12), (7, 4), (8, 4)],
    ids=["transaction", "protocol", "length", "unit", "function", "count"],
)
async def test_any_other_answer_goes_the_way_of_the_library(at: int, byte: int) -> None:
    ask = asked(ASKED, 3)
    framer, answers = MbapFramer(), asyncio.get_running_loop().create_future()
    framer.expect(answers, ANSWERED[:2] + ask.head, ask.length)
    spoilt = bytearray(ANSWERED)
    spoilt[at] = byte
    framer.handleFrame(bytes(spoilt), 0x11, 1)
    assert not answers.done()


def test_bits_lie_from_the_lowest_of_the_first_byte() -> None:
    assert words_of(bytes.fromhex("CD6B05"), 1, 19) == [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]


async def test_the_system_is_asked_to_notice_a_dead_peer() -> None:
    async with Device() as device:
        endpoint = modbus_site(device.port, {"flow": {"address": 0}}).endpoints["gauge"]
        assert isinstance(endpoint, ModbusEndpoint)
        link = ModbusLink("gauge", endpoint, SystemClock())
        await link.open()
        wire = link.client.ctx.transport.get_extra_info("socket")
        assert wire.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == DEAD_PEER_MS
        link.close()
        link.close()
