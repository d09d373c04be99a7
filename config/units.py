"""Units at the border: text with a unit in, a float in the program's unit out."""

from __future__ import annotations

from functools import cache

import pint


@cache
def registry() -> pint.UnitRegistry[float]:
    """The one unit registry, with the trade's spellings added."""
    ureg: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    return ureg


def parse_quantity(value: object, unit: str, *, allow_bare: bool = False) -> float:
    """Read `420 t/h` as a float in `unit`; a number alone passes only with `allow_bare`."""
    if allow_bare and isinstance(value, int | float):
        return float(value)
    return float(registry().Quantity(str(value)).to(unit).magnitude)
