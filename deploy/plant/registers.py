"""The register map of the invented gauge, and the words that a loop's values make in it.

Measured values are input registers, settings are holding registers. Numbers are 32-bit floats but for the total (0.1 t a
digit), the clock and the run time (seconds), which are unsigned 32-bit integers, and the status word.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from deploy.plant.spec import LoopSpec

Table = Literal["input", "holding"]
WordOrder = Literal["ABCD", "CDAB"]
TABLES: tuple[Table, ...] = ("input", "holding")
LENGTH = 20
"""Registers in each table, from address 0."""


@dataclass(frozen=True, slots=True)
class Register:
    """Where a role lies: table, first address, type, what one digit is worth."""

    role: str
    table: Table
    address: int
    type: Literal["float32", "uint32", "uint16"]
    scale: float = 1.0


MAP: tuple[Register, ...] = (
    Register("flow", "input", 0, "float32"),
    Register("load", "input", 2, "float32"),
    Register("speed", "input", 4, "float32"),
    Register("count_rate", "input", 6, "float32"),
    Register("detector_temperature", "input", 8, "float32"),
    Register("gauge_output", "input", 10, "float32"),
    Register("gauge_total", "input", 12, "uint32", 0.1),
    Register("gauge_status", "input", 14, "uint16"),
    Register("gauge_output_mode", "input", 15, "uint16"),
    Register("gauge_clock", "input", 16, "uint32"),
    Register("gauge_uptime", "input", 18, "uint32"),
    Register("gauge_range_low", "holding", 0, "float32"),
    Register("gauge_range_high", "holding", 2, "float32"),
    Register("empty_belt_rate", "holding", 4, "float32"),
    Register("background_rate", "holding", 6, "float32"),
    Register("gauge_unit", "holding", 8, "uint32"),
    Register("nuclide_code", "holding", 10, "uint16"),
)

STATUS_BITS: dict[str, int] = {"gauge_over_range": 1, "shutter_closed": 2, "calibrating": 4}
"""Bits of the status word that are roles of their own (bit 0 detector, bit 3 output in test)."""


def order_of(spec: LoopSpec) -> WordOrder:
    """Word order of a loop's gauge: the variable-speed one sends the low word first."""
    return "CDAB" if spec.belt.variable else "ABCD"


def words(register: Register, value: float, order: WordOrder) -> list[int]:
    """The registers of one value, most significant byte first in each; a value that does not fit is cut to what does."""
    if register.type == "float32":
        whole = int.from_bytes(struct.pack(">f", value), "big")
    else:
        limit = 0xFFFFFFFF if register.type == "uint32" else 0xFFFF
        whole = min(max(round(value / register.scale), 0), limit)
        if register.type == "uint16":
            return [whole]
    high, low = whole >> 16, whole & 0xFFFF
    return [high, low] if order == "ABCD" else [low, high]


def image(values: Mapping[str, float], order: WordOrder) -> dict[Table, list[int]]:
    """All registers of a gauge for these values of its roles; a role that is missing stays zero."""
    tables: dict[Table, list[int]] = {table: [0] * LENGTH for table in TABLES}
    for register in MAP:
        if register.role in values:
            cells = words(register, values[register.role], order)
            tables[register.table][register.address : register.address + len(cells)] = cells
    return tables
