"""Units at the border: text with a unit in, a float in the program's unit out, and nowhere else.

Arithmetic is by pint with exact fractions, so that a factor that is exact by definition stays exact until it is rounded
once to a float. What may be written at all is the table in `config.unit_table`.
"""

from __future__ import annotations

import difflib
import math
import re
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any, TypeVar

import numpy as np
import pint
from numpy.typing import NDArray

from config.unit_table import ATOMS, DEFINITIONS, OFFERED, UNECE_CODES, WHOLE, WORDS

Values = TypeVar("Values", float, NDArray[np.float64])

_NUMBER = re.compile(r"^[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_WHICH_TON = re.compile(r"(?<![A-Za-z_])(?:T|(?i:m?tons?|[msl]?tph|mt))(?![A-Za-z_])")
_TONS = "write t (tonne, 1000 kg), short_ton (2000 lb, 907.18 kg) or long_ton (2240 lb, 1016.05 kg)"
_MEASURES = {
    "t/h": "mass flow", "t": "a mass", "kg/m": "mass per length", "kg/m2": "mass per area", "m/s": "a speed", "m": "a length",
    "m2": "an area", "1/s": "a count rate", "count": "a count", "s": "a time", "degC": "a temperature",
    "K/min": "a rate of change of temperature", "mA": "a current", "V": "a voltage", "ohm": "a resistance",
    "Hz": "a frequency", "%": "a share", "Bq": "an activity",
}  # fmt: skip


@cache
def registry() -> pint.UnitRegistry[Any]:
    """The one unit registry; it takes every spelling of the site file, also the trade's."""
    ureg: pint.UnitRegistry[Any] = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True, non_int_type=Fraction, preprocessors=[lambda text: _expression(text) or text]
    )
    for definition in DEFINITIONS:
        ureg.define(definition)
    return ureg


@lru_cache(maxsize=1024)
def _expression(unit: str) -> str | None:
    """The registry's expression for a spelling, None where it is not one of the table."""
    text = " ".join(unit.split())
    for words, name in WORDS.items():
        text = text.replace(words, name)
    text = text.replace(" ", "")
    if text in WHOLE:
        return WHOLE[text]
    parts = text.split("/")
    if len(parts) > 2 or any(part not in ATOMS for part in parts):
        return None
    names = [ATOMS[part] for part in parts]
    if len(names) == 1:
        return names[0]
    # a temperature in a quotient is a difference
    return "/".join(f"({'delta_' + name if name in ('degC', 'degF') else name})" for name in names)


def _dimension(unit: str) -> Any:
    return registry().Unit(unit).dimensionality


@cache
def example_units(unit: str) -> tuple[str, ...]:
    """The units that can be written where `unit` is meant, that one first."""
    wanted = _dimension(unit)
    others = (offered for offered in OFFERED if offered != unit and _dimension(offered) == wanted)
    return (unit, *others)


def known_unit(text: str) -> bool:
    """Whether `text` is a unit that a site file may use."""
    return _expression(text) is not None


def _line(from_unit: str, to_unit: str) -> tuple[Fraction, Fraction]:
    """Slope and intercept from one unit to the other, exact."""
    _check(from_unit, to_unit)
    return _exact_line(from_unit, to_unit)


@lru_cache(maxsize=1024)
def _exact_line(from_unit: str, to_unit: str) -> tuple[Fraction, Fraction]:
    quantity = registry().Quantity
    zero = Fraction(quantity(Fraction(0), from_unit).to(to_unit).magnitude)
    one = Fraction(quantity(Fraction(1), from_unit).to(to_unit).magnitude)
    return one - zero, zero


@cache
def _measured(unit: str) -> str:
    dimension = _dimension(unit)
    return next((name for known, name in _MEASURES.items() if _dimension(known) == dimension), "something else")


def _offered(unit: str) -> str:
    return "use one of: " + ", ".join(example_units(unit))


@lru_cache(maxsize=1024)
def _check(unit: str, wanted: str) -> None:
    """Raise ValueError where `unit` is unknown, ambiguous or measures something else than `wanted`."""
    if not known_unit(unit):
        if _WHICH_TON.search(unit):
            raise ValueError(f"which ton is meant by {unit!r}? {_TONS}")
        folded = {offered.lower(): offered for offered in reversed(OFFERED)}
        near = difflib.get_close_matches(unit.lower(), folded, n=1, cutoff=0.6)
        hint = f" (did you mean {folded[near[0]]}?)" if near else ""
        raise ValueError(f"{unit!r} is no known unit{hint}; {_offered(wanted)}")
    if _dimension(unit) != _dimension(wanted):
        raise ValueError(f"{unit!r} is {_measured(unit)}, but {_measured(wanted)} is asked for; {_offered(wanted)}")


def parse_quantity(value: object, unit: str, *, allow_bare: bool = False) -> float:
    """Read one quantity as a float in `unit`.

    Parameters
    ----------
    value : object
        Text such as `420 t/h`; with `allow_bare` also a number, which is in `unit` already.
    unit : str
        The unit of the result [-].

    Raises
    ------
    ValueError
        One sentence for a person: what is wrong, what is allowed. A bare number, an unknown unit, a unit of another
        dimension, a bare ton, a decimal comma, infinities and NaN are refused.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f"a number with a unit is needed, as text such as `1 {unit}`; {_offered(unit)}")
    if not isinstance(value, str):
        if allow_bare:
            return float(value)
        raise ValueError(f"the bare number {value} has no unit; {_offered(unit)}")
    text = value.strip().replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ")
    found = _NUMBER.match(text)
    if found is None:
        raise ValueError(f"{value!r} does not begin with a number; write for example `1 {unit}`; {_offered(unit)}")
    rest = text[found.end() :].strip()
    if not rest:
        if allow_bare:
            return float(found.group())
        raise ValueError(f"the bare number {text} has no unit; {_offered(unit)}")
    if re.match(r"[,'_]|\d(?!/)", rest) or re.search(r"\s[+-]?\d+(?!/)", rest):
        raise ValueError(f"{value!r} is not one number and one unit: decimals take a point, thousands no separator")
    slope, zero = _line(rest, unit)
    try:
        number = float(Fraction(found.group()) * slope + zero) if _writable(found.group()) else math.inf
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"{value!r} is beyond what a number can hold")
    return number


def _writable(digits: str) -> bool:
    """Whether a number is of a size that exact arithmetic takes at once (`1e999999999` is not)."""
    return len(digits) < 60 and abs(int(digits.lower().partition("e")[2] or 0)) < 310


def convert(values: Values, from_unit: str, to_unit: str) -> Values:
    """Convert a float or an array from one unit to another; NaN stays NaN, temperatures are absolute (`degF` to `degC`).

    Between two names of one unit the values come back as they are, an array without a copy.

    Raises ValueError with the allowed units where the two do not measure the same thing.
    """
    slope, zero = _line(from_unit, to_unit)
    if slope == 1 and zero == 0:
        return values
    if isinstance(values, np.ndarray):
        return values * float(slope) + float(zero)
    if isinstance(values, float | int) and math.isfinite(values):
        return float(Fraction(values) * slope + zero)
    return values * float(slope) + float(zero)


@cache
def _ids() -> dict[int, str]:
    return {_id_of(code): unit for unit, code in UNECE_CODES.items()}


def _id_of(code: str) -> int:
    return int.from_bytes(code.encode("ascii"), "big")


def unece_unit_id(unit: str) -> int | None:
    """OPC UA unit id of a unit in any spelling (OPC UA Part 8, clause 5.6.3), None where UNECE has no code for it."""
    if unit in UNECE_CODES:
        return _id_of(UNECE_CODES[unit])
    wanted = _expression(unit)
    if wanted is None:
        return None
    return next((_id_of(code) for name, code in UNECE_CODES.items() if _expression(name) == wanted), None)


def unit_from_unece(unit_id: int) -> str | None:
    """The unit of an OPC UA unit id, None where it is none of ours."""
    return _ids().get(unit_id)
