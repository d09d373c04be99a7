"""From registers and bits to values: pure, compiled once for each block of tags.

A block of registers is laid out as bytes twice: as it came (high byte first, the order of the Modbus standard) and with the
two bytes of each register swapped. Each of the four byte orders is then one of two byte orders in one of two layouts:

    ABCD   big-endian in the plain layout           CDAB   little-endian in the swapped layout
    DCBA   little-endian in the plain layout        BADC   big-endian in the swapped layout

CDAB therefore means: low register first, high byte first inside each register, also for values of four registers.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from math import isfinite
from typing import NamedTuple

from collector.bundle import Bundle, Tags
from collector.reading import BAD, GOOD
from config.model import ByteOrder, ModbusTag, OpcUaTag, WireType
from config.roles import ROLES, Kind
from config.units import convert

FORMATS = {
    WireType.INT16: "h",
    WireType.UINT16: "H",
    WireType.INT32: "i",
    WireType.UINT32: "I",
    WireType.INT64: "q",
    WireType.UINT64: "Q",
    WireType.FLOAT32: "f",
    WireType.FLOAT64: "d",
}
ORDERS = {ByteOrder.ABCD: (">", False), ByteOrder.CDAB: ("<", True), ByteOrder.BADC: (">", True), ByteOrder.DCBA: ("<", False)}
"""Byte order of `struct`, and whether the layout with swapped bytes is read."""
_PROBE = float(2**20)

Unpack = Callable[[bytes | bytearray], tuple[float | int, ...]]

NOT_FINITE = "not finite"
INVALID_MARKER = "invalid marker"


class Decoded(NamedTuple):
    """One value in the canonical unit of its role, NaN where bad; `raw` is what came over the wire."""

    value: float
    quality: int
    reason: str
    raw: tuple[float, ...]


def registers_of(tag: ModbusTag) -> int:
    """How many registers (or bits, in the tables of bits) a tag takes."""
    return 1 if tag.table in ("coil", "discrete") else struct.calcsize("=" + FORMATS[tag.type]) // 2


def bad(reason: str, raw: tuple[float, ...] = ()) -> Decoded:
    """A value that may not be used."""
    return Decoded(math.nan, BAD, reason, raw)


def unit_line(measured_in: str, role: str) -> tuple[float, float]:
    """Slope and intercept from the unit of a tag to the canonical unit of its role; ValueError where there is none."""
    if role not in ROLES:
        raise ValueError(f"{role!r} is no role")
    unit = ROLES[role].unit
    if measured_in in ("", unit):
        return 1.0, 0.0
    if not unit:
        raise ValueError(f"{role} has no unit, so it cannot be measured in {measured_in!r}")
    zero = convert(0.0, measured_in, unit)
    if zero == 0.0:
        return convert(1.0, measured_in, unit), 0.0
    return (convert(_PROBE, measured_in, unit) - convert(-_PROBE, measured_in, unit)) / (2 * _PROBE), zero


class Scaling:
    """From one raw number to the value of a role: marker, bit, scale and offset, unit, inversion.

    Roles of kind bit give 0.0 or 1.0 whatever the scale. Infinities and NaN are bad, before and after scaling.
    """

    def __init__(self, role: str, tag: ModbusTag | OpcUaTag, markers: Sequence[float]) -> None:
        slope, zero = unit_line(tag.measured_in, role)
        self._slope = tag.scale * slope
        self._zero = tag.offset * slope + zero
        if not (math.isfinite(self._slope) and math.isfinite(self._zero)):
            raise ValueError(f"scale {tag.scale} and offset {tag.offset} of {role} are beyond what a number can hold")
        self._markers = frozenset(markers)
        self._bit = tag.bit
        self._inverted = tag.inverted
        self._truth = ROLES[role].kind is Kind.BIT
        slope, zero = self._slope, self._zero
        self.plain: Callable[[float | int], float] | None = None
        """What is done to a finite number where no number is a marker and no bit of it is meant, else None."""
        if self._markers or self._bit is not None:
            return
        if self._truth:
            shut = float(self._inverted)
            self.plain = lambda number: 1.0 - shut if number else shut
        elif not self._inverted:
            self.plain = lambda number: number * slope + zero

    def quick(self, whole: bool) -> Callable[[float | int], float]:
        """What gives the value of a number, NaN or infinite where it is not good; `whole` says that only whole numbers come."""
        if self.plain is not None and (whole or not self._truth):
            return self.plain
        if whole and self._bit is not None and self._truth and not self._markers:
            bit, inverted = self._bit, int(self._inverted)
            return lambda number: float((int(number) >> bit & 1) ^ inverted)
        apply = self.apply
        return lambda number: apply(number, ()).value

    def apply(self, number: float | int, raw: tuple[float, ...]) -> Decoded:
        """Decode one number; never raises for an int or a float."""
        if isinstance(number, float) and not math.isfinite(number):
            return bad(NOT_FINITE, raw)
        if self._markers and number in self._markers:
            return bad(INVALID_MARKER, raw)
        if self._bit is not None:
            if isinstance(number, float) and not number.is_integer():
                return bad("a fraction has no bits", raw)
            number = (int(number) >> self._bit) & 1
        if self._inverted:
            number = 0 if number else 1
        value = (1.0 if number else 0.0) if self._truth else number * self._slope + self._zero
        return Decoded(value, GOOD, "", raw) if math.isfinite(value) else bad(NOT_FINITE, raw)


def _markers(tag: ModbusTag) -> list[float]:
    """The invalid markers as they look after a trip over the wire (a float32 has fewer digits than the site file)."""
    if tag.type is not WireType.FLOAT32:
        return list(tag.invalid)
    seen = list(tag.invalid)
    for marker in tag.invalid:
        try:
            seen.append(struct.unpack("<f", struct.pack("<f", marker))[0])
        except OverflowError:
            continue
    return seen


class BlockDecoder:
    """Decodes the tags of one block.

    Parameters
    ----------
    tags : sequence of (role, tag)
        All in one table.
    start, count
        First address and length of the block [registers or bits].

    Raises
    ------
    ValueError
        A tag does not lie in the block, has a bit of a float, or a unit that its role cannot have.
    """

    def __init__(self, tags: Sequence[tuple[str, ModbusTag]], start: int, count: int) -> None:
        self._count = count
        self._bits = bool(tags) and tags[0][1].table in ("coil", "discrete")
        self._steps: list[tuple[int, int, bool, Callable[[bytes, int], tuple[float, ...]], Scaling]] = []
        for role, tag in tags:
            first, width = tag.address - start, registers_of(tag)
            if first < 0 or first + width > count or (tag.table in ("coil", "discrete")) is not self._bits:
                raise ValueError(f"{role} at {tag.address} does not lie in the block {start}..{start + count - 1}")
            if tag.bit is not None and (self._bits or tag.type in (WireType.FLOAT32, WireType.FLOAT64)):
                raise ValueError(f"{role}: only a whole number in registers has bits that can be named")
            order, swapped = ORDERS[tag.order]
            reader = struct.Struct(order + FORMATS[tag.type]).unpack_from
            self._steps.append((first, width, swapped, reader, Scaling(role, tag, _markers(tag))))
        layouts = {swapped for _, _, swapped, _, _ in self._steps}
        packs = [
            struct.Struct(f"{order}{count}H").pack if swap in layouts else None for order, swap in ((">", False), ("<", True))
        ]
        self._pack = None if self._bits else packs
        self._scalings = [scaling for *_, scaling in self._steps]
        self._fields: tuple[list[Unpack], list[Unpack]] = ([], [])
        self._quick: list[tuple[int, Callable[[float | int], float]]] = []
        if self._bits:
            self._quick = [(first, scaling.quick(whole=True)) for first, _, _, _, scaling in self._steps]
            return
        wanted = [(ORDERS[tag.order], tag.address - start, FORMATS[tag.type]) for _, tag in tags]
        places: dict[tuple[tuple[str, bool], int, str], int] = {}
        for swapped in (False, True):
            for order in (">", "<"):
                left = sorted({field for field in wanted if field[0] == (order, swapped)}, key=lambda field: field[1])
                while left:  # fields that lie over each other are read one way after the other
                    form, at, over = order, 0, []
                    for field in left:
                        _, first, code = field
                        if first < at:
                            over.append(field)
                            continue
                        form += f"{2 * (first - at)}x{code}"
                        at = first + struct.calcsize("=" + code) // 2
                        places[field] = len(places)
                    self._fields[swapped].append(struct.Struct(form).unpack_from)
                    left = over
        self._quick = [
            (places[field], scaling.quick(whole=field[2] not in "fd"))
            for field, scaling in zip(wanted, self._scalings, strict=True)
        ]

    def decode(self, words: Sequence[int]) -> list[Decoded]:
        """Decode what was read, one result for each tag in order; ValueError where the length or a register is wrong."""
        return [scaling.apply(number, raw) for number, raw, scaling in self._numbers(words)]

    def bundle(self, body: bytes, tags: Tags, received: float) -> Bundle:
        """The same of registers as they came over the wire (high byte first), as the readings of these tags.

        Of bits `body` holds one byte each, 0 or 1. ValueError where the length is wrong.
        """
        if len(body) != (self._count if self._bits else 2 * self._count):
            raise ValueError(f"{len(body)} bytes read, {self._count} {'bits' if self._bits else 'registers'} expected")
        numbers = self._unpacked(body)
        values = [value(numbers[place]) for place, value in self._quick]
        if isfinite(sum(values)):
            return Bundle(tags, values, received, body)
        decoded = [scaling.apply(numbers[place], ()) for (place, _), scaling in zip(self._quick, self._scalings, strict=True)]
        return Bundle(
            tags,
            [one.value for one in decoded],
            received,
            body,
            quality=[one.quality for one in decoded],
            reasons=[one.reason for one in decoded],
        )

    def raw_of(self, body: bytes, number: int) -> tuple[float, ...]:
        """The registers of one tag in what came."""
        first, width = self._steps[number][:2]
        if self._bits:
            return (float(body[first]),)
        return tuple(map(float, struct.unpack_from(f">{width}H", body, 2 * first)))

    def _unpacked(self, body: bytes) -> Sequence[float | int]:
        """The number of each field, those of the layout as it came first."""
        if self._bits:
            return body
        plain, swapped = self._fields
        numbers: list[float | int] = []
        for reader in plain:
            numbers += reader(body)
        if swapped:
            turned = bytearray(len(body))
            turned[::2], turned[1::2] = body[1::2], body[::2]
            for reader in swapped:
                numbers += reader(turned)
        return numbers

    def _numbers(self, words: Sequence[int]) -> list[tuple[float | int, tuple[float, ...], Scaling]]:
        """The number of each tag, and its registers."""
        if len(words) != self._count:
            raise ValueError(f"{len(words)} read, {self._count} expected")
        if self._pack is None:
            return [(int(bool(words[first])), (float(words[first]),), scaling) for first, _, _, _, scaling in self._steps]
        raw = tuple(map(float, words))
        try:
            plain, swapped = (b"" if pack is None else pack(*words) for pack in self._pack)
        except struct.error as error:
            raise ValueError(f"a register holds 0 to 65535: {error}") from None
        return [
            (reader(swapped if swap else plain, 2 * first)[0], raw[first : first + width], scaling)
            for first, width, swap, reader, scaling in self._steps
        ]
