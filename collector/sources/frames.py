"""Modbus frames as they came: what the library lets pass is checked here against what was asked.

The library takes a reply of another length, of another function and with transaction id 0 for a good one; a frame that it
cannot decode raises inside the event loop and closes the connection. The framers here remember the last frame and swallow
nothing but such failures, which then count as a bad frame. A reply that is whole and just what was asked for needs no object.
"""

from __future__ import annotations

import asyncio
import struct
from typing import NamedTuple

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU

BIT_FUNCTIONS = frozenset({1, 2})
LATE_IDS = 16
"""A reply with one of so many transaction ids before ours is the late answer to an earlier request."""
LATE = "late answer"


class Asked(NamedTuple):
    """A read as it is sent again and again over Modbus TCP: all but the transaction id, which comes first."""

    tail: bytes
    head: bytes
    """How the right answer begins behind its transaction id: header, function code, number of bytes."""
    length: int
    """How long the right answer is [bytes]."""


def asked(frame: bytes, count: int) -> Asked:
    """From the frame of a read of `count` registers or bits, as the library builds it.

    The header is transaction id, protocol id 0, number of bytes that follow, unit id (Modbus messaging on TCP/IP V1.0b, section
    3.1.3).
    """
    unit, function = frame[6], frame[7]
    expected = bytes_of(function, count)
    return Asked(frame[2:], struct.pack(">HHBBB", 0, 3 + expected, unit, function, expected), 9 + expected)


def bytes_of(function: int, count: int) -> int:
    """How many bytes of values answer a read of `count` registers or bits."""
    return (count + 7) // 8 if function in BIT_FUNCTIONS else 2 * count


def words_of(body: bytes, function: int, count: int) -> list[int]:
    """The registers or bits in the bytes of an answer: registers high byte first, bits from the lowest of the first byte."""
    if function in BIT_FUNCTIONS:
        return [body[number >> 3] >> (number & 7) & 1 for number in range(count)]
    return list(struct.unpack(f">{count}H", body))


class MbapFramer(FramerSocket):
    """Frames of Modbus TCP, also inside TLS (where the library's own framer has no length check)."""

    function_at = 7

    def __init__(self) -> None:
        super().__init__(DecodePDU(False))
        self.pdu = b""
        self.transaction = 0
        self._answers: asyncio.Future[ModbusPDU | bytes] | None = None
        self._head, self._length = b"", 0

    def expect(self, answers: asyncio.Future[ModbusPDU | bytes], head: bytes, length: int) -> None:
        """Give the answer that begins so and is so long [bytes] to its future as it came; any other goes the library's way."""
        self._answers, self._head, self._length = answers, head, length

    def decode(self, data: bytes) -> tuple[int, int, int, bytes]:
        """Take one frame off the bytes and remember it."""
        used, unit, transaction, pdu = super().decode(data)
        if pdu:
            self.pdu, self.transaction = pdu, transaction
        return used, unit, transaction, pdu

    def handleFrame(  # noqa: N802 - the library's name
        self, data: bytes, exp_devid: int, exp_tid: int
    ) -> tuple[int, ModbusPDU | None]:
        """Take a reply off the bytes; what cannot be decoded is dropped."""
        answers = self._answers
        if answers is not None and len(data) == self._length and data.startswith(self._head) and not answers.done():
            self._answers = None
            answers.set_result(bytes(data))
            return len(data), None
        try:
            return super().handleFrame(data, exp_devid, exp_tid)
        except (ModbusException, ValueError, IndexError, struct.error):
            return len(data), None


class RtuFramer(FramerRTU):
    """Frames of Modbus RTU, on a serial line or inside TCP. There is no transaction id."""

    function_at = 1
    transaction = 0

    def __init__(self) -> None:
        super().__init__(DecodePDU(False))
        self.pdu = b""

    def decode(self, data: bytes) -> tuple[int, int, int, bytes]:
        """Take one frame off the bytes and remember it."""
        used, unit, transaction, pdu = super().decode(data)
        if pdu:
            self.pdu = pdu
        return used, unit, transaction, pdu

    def handleFrame(  # noqa: N802 - the library's name
        self, data: bytes, exp_devid: int, exp_tid: int
    ) -> tuple[int, ModbusPDU | None]:
        """Take a reply off the bytes; what cannot be decoded is dropped."""
        try:
            return super().handleFrame(data, exp_devid, exp_tid)
        except (ModbusException, NotImplementedError, ValueError, IndexError, struct.error):
            return len(data), None


def check_reply(pdu: bytes, function: int, count: int) -> str:
    """What is wrong with a reply to a read of `count` registers or bits; empty where nothing is.

    A reply is the function code, the number of bytes that follow, and the bytes (Modbus application protocol V1.1b3, sections
    6.1 to 6.4).
    """
    if not pdu or pdu[0] != function:
        return f"function code {pdu[0] if pdu else 'missing'} instead of {function}"
    expected = bytes_of(function, count)
    if len(pdu) != 2 + expected or pdu[1] != expected:
        return f"{max(len(pdu) - 2, 0)} bytes instead of {expected}"
    return ""


def describe_mbap(heard: bytes, transaction: int, unit: int) -> str:
    """Why bytes that were heard are no reply to a request over Modbus TCP."""
    if len(heard) < 8:
        return "short reply"
    heard_transaction, protocol, length, heard_unit = struct.unpack_from(">HHHB", heard)
    if protocol:
        return "no Modbus header"
    if 0 < transaction - heard_transaction <= LATE_IDS:
        return LATE
    if heard_transaction != transaction:
        return "other transaction id"
    if heard_unit != unit:
        return "other unit id"
    if len(heard) < 6 + length:
        return "short reply"
    return "undecodable reply"


def describe_rtu(heard: bytes, unit: int) -> str:
    """Why bytes that were heard are no reply to a request over RTU."""
    if len(heard) < 5:
        return "short reply"
    if not FramerRTU.check_CRC(heard[:-2], int.from_bytes(heard[-2:], "big")):
        return "wrong checksum or short reply"
    return "other unit id" if heard[0] != unit else "undecodable reply"
