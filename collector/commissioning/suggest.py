"""Which line of the site file would make a value right: another order, the next address, another unit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass

from checks.commissioning.plausible import Expected, oddity
from collector.commissioning.decodings import WIDTHS, decode, orders_of
from collector.sources.decode import Scaling
from config.model import ByteOrder, ModbusTag, OpcUaTag, WireType
from config.roles import ROLES
from config.units import example_units

SHIFTS = (0, -1, 1)
FACTORS = (1.0, 0.1, 0.01, 0.001, 10.0)
"""What one digit of a whole number is worth against what was declared; tried in the declared unit."""
NEARER = 3.0
"""A change must bring a value so many times nearer to what is expected than the next best, or both are told."""
NOTHING = 0.06
"""Deviations below this tell nothing apart: the stations of one moment do not agree better [parts]."""
MOST = 3


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A change of the site file: the keys with their new values, the value it gives, and how many keys it touches."""

    keys: tuple[tuple[str, str], ...]
    value: float
    off: float
    overlaps: bool = False
    """Whether it takes registers that another tag is read from."""

    def words(self) -> str:
        """The keys as they are written."""
        return ", ".join(f"{key}: {value}" for key, value in self.keys)


def for_modbus(
    role: str,
    tag: ModbusTag,
    registers: Mapping[int, int],
    expected: Expected | None,
    reason: str,
    taken: Set[int] = frozenset(),
) -> list[Suggestion]:
    """Changes of a Modbus tag that make its value fit, the smallest first.

    Parameters
    ----------
    role, tag
        The tag as it is declared.
    registers : mapping of address to int
        What the device gave around it.
    expected : Expected or None
        What the value should be near; None: only the limits of the role are known.
    reason : str
        Why the present value cannot be right; without an expectation, nothing is suggested for a value that is possible.
    taken : set of int
        Registers of other tags of the same table: two tags seldom share one.
    """
    if tag.table in ("coil", "discrete") or tag.bit is not None or (expected is None and not reason):
        return []
    found = []
    for shift in SHIFTS:
        for kind in _kinds(tag.type):
            for order in orders_of(kind):
                number = _number(registers, tag.address + shift, kind, order)
                for changed in _variants(tag, role, kind):
                    value = _value(role, changed, number)
                    if _fits(role, value, expected):
                        keys = _modbus_keys(role, tag, changed, shift, order)
                        if keys:
                            off = _off(value, expected) * _usual(role, _unit(changed, role))
                            first = tag.address + shift
                            found.append(Suggestion(keys, value, off, bool(taken & set(range(first, first + WIDTHS[kind])))))
    return _best(found)


def for_opcua(role: str, tag: OpcUaTag, number: float, expected: Expected | None, said_unit: str = "") -> list[Suggestion]:
    """Changes of an OPC UA tag that make its value fit; `said_unit` is what the server itself says it measures in."""
    if expected is None:
        return []
    found = []
    for unit in _units(tag, role):
        value = _value(role, tag.model_copy(update={"measured_in": unit}), number)
        if unit != _unit(tag, role) and _fits(role, value, expected):
            found.append(
                Suggestion(
                    (("measured_in", unit),), value, 0.0 if unit == said_unit else _off(value, expected) * _usual(role, unit)
                )
            )
    return _best(found)


def gaining(
    role: str, tag: ModbusTag, before: Mapping[int, int], after: Mapping[int, int], wanted: float, within: float
) -> list[Suggestion]:
    """Changes of a tag of a total that make it gain what is wanted between two readings of the registers around it."""
    if wanted <= within:
        return []
    found = []
    for shift in SHIFTS:
        for kind in _kinds(tag.type):
            for order in orders_of(kind):
                first, second = (_number(words, tag.address + shift, kind, order) for words in (before, after))
                for changed in _variants(tag, role, kind):
                    value = _value(role, changed, second)
                    gain = value - _value(role, changed, first)
                    keys = _modbus_keys(role, tag, changed, shift, order)
                    if keys and abs(gain - wanted) <= within and oddity(role, value, None) is None:
                        found.append(Suggestion(keys, value, abs(gain - wanted) / wanted))
    return _best(found)


def _best(found: Sequence[Suggestion]) -> list[Suggestion]:
    """The suggestions that touch the fewest keys; of those, the nearest and what is nearly as near."""
    if not found:
        return []
    fewest = min(len(item.keys) for item in found)
    few = [item for item in found if len(item.keys) == fewest]
    nearest = min(item.off for item in few)
    near = sorted(
        (item for item in few if item.off <= max(NEARER * nearest, NOTHING)),
        key=lambda item: (item.overlaps, _rank(item), item.off),
    )
    distinct: dict[tuple[tuple[str, str], ...], Suggestion] = {}
    for item in near:
        distinct.setdefault(item.keys, item)
    return list(distinct.values())[:MOST]


def _rank(item: Suggestion) -> int:
    """Which mistake is likelier where two changes do the same: an order of words, then a digit, a unit, an address, a type."""
    return max(("order", "scale", "measured_in", "address", "type").index(key) for key, _ in item.keys)


def _usual(role: str, unit: str) -> float:
    """Weight of a deviation: the unit of the role is likelier than a rare one that happens to lie nearer."""
    return 0.5 if unit == ROLES[role].unit else 1.0


def _kinds(declared: WireType) -> tuple[WireType, ...]:
    """The declared type, and the one it is most often taken for."""
    pairs = {
        WireType.INT16: (WireType.UINT16,), WireType.UINT16: (WireType.INT16,),
        WireType.INT32: (WireType.FLOAT32, WireType.UINT32), WireType.UINT32: (WireType.FLOAT32, WireType.INT32),
        WireType.FLOAT32: (WireType.INT32, WireType.UINT32),
    }  # fmt: skip
    return (declared, *pairs.get(declared, ()))


def _number(registers: Mapping[int, int], address: int, kind: WireType, order: ByteOrder) -> float:
    words = [registers[place] for place in range(address, address + 4) if place in registers]
    whole = all(place in registers for place in range(address, address + len(words)))
    return decode(words, 0, kind, order) if whole else math.nan


def _units(tag: ModbusTag | OpcUaTag, role: str) -> tuple[str, ...]:
    """The declared unit first, then the others of its kind."""
    declared = _unit(tag, role)
    unit = ROLES[role].unit
    return (declared,) if not unit else (declared, *(other for other in example_units(unit) if other != declared))


def _unit(tag: ModbusTag | OpcUaTag, role: str) -> str:
    return tag.measured_in or ROLES[role].unit


def _value(role: str, tag: ModbusTag | OpcUaTag, number: float) -> float:
    if not math.isfinite(number):
        return math.nan
    try:
        return Scaling(role, tag, ()).apply(number, ()).value
    except ValueError:
        return math.nan


def _fits(role: str, value: float, expected: Expected | None) -> bool:
    return math.isfinite(value) and oddity(role, value, expected) is None and (expected is not None or abs(value) > 1e-6)


def _off(value: float, expected: Expected | None) -> float:
    return 0.0 if expected is None else abs(value - expected.value) / max(abs(expected.value), 1e-9)


def _variants(tag: ModbusTag, role: str, kind: WireType) -> Iterator[ModbusTag]:
    """The tag as another type, in each unit, and with each worth of a digit of a whole number."""
    for unit in _units(tag, role):
        yield tag.model_copy(update={"measured_in": unit, "type": kind})
    if kind not in (WireType.FLOAT32, WireType.FLOAT64):
        for factor in FACTORS[1:]:
            # 0.1 x 0.1 is 0.010000000000000002
            yield tag.model_copy(
                update={"measured_in": _unit(tag, role), "type": kind, "scale": float(f"{tag.scale * factor:.9g}")}
            )


def _modbus_keys(role: str, tag: ModbusTag, changed: ModbusTag, shift: int, order: ByteOrder) -> tuple[tuple[str, str], ...]:
    """The keys of a tag that differ."""
    keys = []
    if shift:
        keys.append(("address", str(tag.address + shift)))
    if changed.type is not tag.type:
        keys.append(("type", changed.type.value))
    if order is not tag.order:
        keys.append(("order", order.value))
    if changed.scale != tag.scale:
        keys.append(("scale", f"{changed.scale:g}"))
    if _unit(changed, role) != _unit(tag, role):
        keys.append(("measured_in", _unit(changed, role)))
    return tuple(keys)
