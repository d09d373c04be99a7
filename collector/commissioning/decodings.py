"""What registers can mean: every type and every order of words and bytes."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from collector.sources.decode import FORMATS, ORDERS
from config.model import ByteOrder, WireType

WIDTHS = {kind: struct.calcsize("=" + letter) // 2 for kind, letter in FORMATS.items()}
"""Registers of each type."""


@dataclass(frozen=True, slots=True)
class Decoding:
    """One way to read registers: first register from the begin of what was read, type, order, and the number."""

    at: int
    type: WireType
    order: ByteOrder
    number: float


def decode(words: Sequence[int], at: int, kind: WireType, order: ByteOrder) -> float:
    """The number at a place; NaN where it does not fit in what was read."""
    width = WIDTHS[kind]
    if at < 0 or at + width > len(words):
        return math.nan
    sign, swapped = ORDERS[order]
    data = b"".join(struct.pack("<H" if swapped else ">H", word & 0xFFFF) for word in words[at : at + width])
    (number,) = struct.unpack(sign + FORMATS[kind], data)
    return float(number)


def orders_of(kind: WireType) -> tuple[ByteOrder, ...]:
    """The orders that make a difference for a type: those of the words make none in a single register."""
    return (ByteOrder.ABCD, ByteOrder.BADC) if WIDTHS[kind] == 1 else tuple(ByteOrder)


def all_decodings(words: Sequence[int], kinds: Sequence[WireType] = tuple(WireType)) -> Iterator[Decoding]:
    """Every way to read every place, numbers that are not finite left out."""
    for kind in kinds:
        for order in orders_of(kind):
            for at in range(len(words) - WIDTHS[kind] + 1):
                number = decode(words, at, kind, order)
                if math.isfinite(number):
                    yield Decoding(at, kind, order, number)
