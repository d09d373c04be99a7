"""One tag of a survey: what was read, what lies around it, and what was made of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from checks.commissioning.plausible import Expected
from collector.commissioning.decodings import WIDTHS, decode, orders_of
from collector.commissioning.suggest import Suggestion
from collector.reading import BAD, Reading
from config.model import ModbusTag, Tag


@dataclass(slots=True, kw_only=True)
class Surveyed:
    """One tag: its reading, what was around it, why it cannot be right (empty: nothing speaks against it), and what would."""

    loop: str
    role: str
    tag: Tag
    reading: Reading
    registers: dict[int, int] = field(default_factory=dict)
    said_unit: str = ""
    said_range: tuple[float, float] | None = None
    expected: Expected | None = None
    odd: str = ""
    suggestions: list[Suggestion] = field(default_factory=list)

    @property
    def value(self) -> float:
        """The decoded value, NaN where bad."""
        return self.reading.value if self.reading.quality != BAD else math.nan

    def orders(self) -> dict[str, float]:
        """The registers of a Modbus number in each order of words and bytes, before scale and unit."""
        if not isinstance(self.tag, ModbusTag) or self.tag.table in ("coil", "discrete"):
            return {}
        width = WIDTHS[self.tag.type]
        words = [
            self.registers[self.tag.address + place] for place in range(width) if self.tag.address + place in self.registers
        ]
        return (
            {order.value: decode(words, 0, self.tag.type, order) for order in orders_of(self.tag.type)}
            if len(words) == width
            else {}
        )
