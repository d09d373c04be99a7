"""Modbus frames as they came: what the library lets pass is checked here against what was asked.

The library takes a reply of another length, of another function and with transaction id 0 for a good one; a frame that it
cannot decode raises inside the event loop and closes the connection. The framers here remember the last frame and swallow
nothing but such failures, which then count as a bad frame.
"""

from __future__ import annotations

import struct

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU

BIT_FUNCTIONS = frozenset({1, 2})
LATE_IDS = 16
"""A reply with one of so many transaction ids before ours is the late answer to an earlier request."""
LATE = "late answer"


class MbapFramer(FramerSocket):
    """Frames of Modbus TCP, also inside TLS (where the library's own framer has no length check)."""

    function_at = 7

    def __init__(self) -> None:
        super().__init__(DecodePDU(False))
        self.pdu = b""
        self.transaction = 0

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
    expected = (count + 7) // 8 if function in BIT_FUNCTIONS else 2 * count
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
