"""Where on a device does a value lie that somebody reads on its display? Found by trying every type, order and scale.

With the first value many places fit. When the value has changed and is given again, only places that changed with it stay.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from collector.commissioning.decodings import WIDTHS, all_decodings, decode
from collector.commissioning.registers import runs
from config.model import ByteOrder, WireType

SCALES = (1.0, 0.1, 0.01, 0.001, 0.0001, 10.0, 100.0, 1000.0)
"""What one digit of an integer may be worth."""
FLOATS = frozenset({WireType.FLOAT32, WireType.FLOAT64})
REL = 0.002
"""A display rounds, and the value moves while it is typed: so near is the same [parts]."""
MOST_DIGITS = 50.0
"""The same in units of the last digit that was typed: a total with many digits hardly moves."""


@dataclass(frozen=True, slots=True, order=True)
class Spot:
    """A place and a way to read it that gives the value, the plainest way first when sorted."""

    plainness: int
    table: str
    address: int
    type: WireType
    order: ByteOrder
    scale: float

    def words(self) -> str:
        """As the site file writes it."""
        order = f", order: {self.order.value}" if WIDTHS[self.type] > 1 or self.order is not ByteOrder.ABCD else ""
        scale = f", scale: {self.scale:g}" if self.scale != 1.0 else ""
        return f"{{table: {self.table}, address: {self.address}, type: {self.type.value}{order}{scale}}}"


def tolerance(value: float, digits: str = "") -> float:
    """How near is the same: half a unit of the last digit that was typed, and a little for the time it took."""
    _, _, decimals = digits.replace(",", ".").partition(".")
    digit = 10.0 ** -len(decimals)
    return 0.5 * digit + min(REL * abs(value), MOST_DIGITS * digit)


def locate(words: dict[str, dict[int, int]], value: float, within: float) -> list[Spot]:
    """Every spot that reads as `value` within a tolerance.

    Parameters
    ----------
    words : dict of table to dict of address to int
        What the device gave.
    value, within : float
        What the display shows, in the device's unit, and how near is the same.
    """
    found: list[Spot] = []
    for table, registers in words.items():
        for start, piece in runs(registers):
            for way in all_decodings(piece):
                found += [
                    Spot(_plainness(way.type, way.order, scale), table, start + way.at, way.type, way.order, scale)
                    for scale in ((1.0,) if way.type in FLOATS else SCALES)
                    if abs(way.number * scale - value) <= within and not _by_chance(way.type, way.number, scale, within)
                ]
    return sorted(found)


def narrow(spots: Iterable[Spot], words: dict[str, dict[int, int]], value: float, within: float) -> list[Spot]:
    """The spots that read as another value too, from registers that were read when the display showed it."""
    kept = []
    for spot in spots:
        registers = words.get(spot.table, {})
        piece = [registers.get(spot.address + place, -1) for place in range(WIDTHS[spot.type])]
        if -1 not in piece and abs(decode(piece, 0, spot.type, spot.order) * spot.scale - value) <= within:
            kept.append(spot)
    return kept


def _by_chance(kind: WireType, number: float, scale: float, within: float) -> bool:
    """Small integers fit anything that is rounded coarsely."""
    return kind not in FLOATS and scale > 1.0 and abs(number) < 100.0 and scale > within


def _plainness(kind: WireType, order: ByteOrder, scale: float) -> int:
    """How usual a way of reading is, the smaller the more usual; common practice, no source."""
    by_type = {WireType.FLOAT32: 0, WireType.INT16: 1, WireType.UINT16: 1, WireType.INT32: 2, WireType.UINT32: 2}
    by_order = {ByteOrder.ABCD: 0, ByteOrder.CDAB: 1, ByteOrder.BADC: 3, ByteOrder.DCBA: 3}
    return by_type.get(kind, 4) + by_order[order] + round(abs(math.log10(scale))) + (2 if scale > 1.0 else 0)
