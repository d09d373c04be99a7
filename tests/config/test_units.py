"""Units at the border, against definitions that were not made here."""

from __future__ import annotations

import contextlib
import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.unit_table import ATOMS, OFFERED, UNECE_CODES, YEAR_D
from config.units import convert, example_units, known_unit, parse_quantity, registry, unece_unit_id, unit_from_unece

# Exact by definition: 1 lb = 0.45359237 kg, 1 ft = 0.3048 m, short ton 2000 lb, long ton 2240 lb (NIST SP 811, appendix B,
# pages from memory; the same digits by the package pint 0.24.4).
EXACT = [
    ("1 lb", "kg", 0.45359237),
    ("1 short_ton", "kg", 907.18474),
    ("1 long_ton", "kg", 1016.0469088),
    ("1 short_ton/h", "t/h", 0.90718474),
    ("1 long_ton/h", "t/h", 1.0160469088),
    ("1 kg/s", "t/h", 3.6),
    ("1 ft/min", "m/s", 0.00508),
    ("1 in", "m", 0.0254),
    ("1 Ci", "Bq", 3.7e10),
    ("1 g/cm2", "kg/m2", 10.0),
]
ROUNDED = [
    ("1 t", "short_ton", 1.10231131092439),
    ("1 t", "long_ton", 0.984206527611061),
    ("1 kg/s", "lb/h", 7936.64143865559),
    ("1 m/s", "ft/min", 196.850393700787),
    ("1 lb/ft", "kg/m", 1.48816394356955),
]


@pytest.mark.parametrize(("text", "unit", "factor"), EXACT)
def test_factor_that_is_exact_by_definition_is_exact(text: str, unit: str, factor: float) -> None:
    assert parse_quantity(text, unit) == factor


@pytest.mark.parametrize(("text", "unit", "factor"), ROUNDED)
def test_rounded_factor_agrees_to_fifteen_digits(text: str, unit: str, factor: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(factor, rel=5e-15)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("420 t/h", "t/h", 420.0),
        ("420t/h", "t/h", 420.0),
        ("  1e3   kg/h ", "t/h", 1.0),
        ("500 short ton/h", "t/h", 453.59237),
        ("500 short tons / h", "t/h", 453.59237),
        ("7 tonne/h", "t/h", 7.0),
        ("7 metric ton/h", "t/h", 7.0),
        ("60 lb/min", "lb/h", 3600.0),
        ("38 kg/m", "kg/m", 38.0),
        ("114 m/min", "m/s", 1.9),
        ("5200 1/s", "1/s", 5200.0),
        ("5200 cps", "1/s", 5200.0),
        ("5200 counts/s", "1/s", 5200.0),
        ("27648 count", "count", 27648.0),
        ("5 us", "s", 5e-6),
        ("5 µs", "s", 5e-6),
        ("5 μs", "s", 5e-6),
        ("8 h", "s", 28800.0),
        ("35 d", "s", 3024000.0),
        ("1 year", "s", YEAR_D * 86400.0),
        ("-20 degC", "degC", -20.0),
        ("\N{MINUS SIGN}20 °C", "degC", -20.0),
        ("0.5 %", "%", 0.5),
        ("0.5%", "%", 0.5),
        ("50 Hz", "Hz", 50.0),
        ("250 ohm", "ohm", 250.0),
        ("250 Ω", "ohm", 250.0),
        ("3.6 mA", "mA", 3.6),
        ("24 V", "V", 24.0),
        (".5 m", "m", 0.5),
        ("1000 mm", "m", 1.0),
    ],
)
def test_spelling_of_the_trade_is_understood(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize("text", [*OFFERED, *ATOMS, "short ton", "long tons/h", "count/s", "1/min"])
def test_every_unit_of_the_table_is_in_the_registry(text: str) -> None:
    assert known_unit(text)
    assert registry().Unit(text).dimensionality
    assert convert(1.25, text, text) == 1.25


def test_absolute_temperatures_shift_and_differences_do_not() -> None:
    # fixed points: water freezes at 32 degF = 0 degC = 273.15 K and boils at 212 degF = 100 degC
    assert parse_quantity("32 degF", "degC") == 0.0
    assert parse_quantity("212 °F", "degC") == 100.0
    assert parse_quantity("273.15 K", "degC") == 0.0
    assert parse_quantity("2 degC/min", "K/min") == 2.0
    assert parse_quantity("1.8 degF/min", "K/min") == 1.0
    assert parse_quantity("60 K/h", "K/min") == 1.0
    assert convert(np.array([32.0, math.nan, 212.0]), "degF", "degC") == pytest.approx([0.0, math.nan, 100.0], nan_ok=True)


@pytest.mark.parametrize(
    "unit", ["ton", "tons", "T", "tph", "mton", "ton/h", "tons/h", "T/h", "Ton/h", "TPH", "stph", "MT", "TONS"]
)
def test_bare_ton_is_refused_with_the_question_which(unit: str) -> None:
    with pytest.raises(ValueError, match=r"^which ton is meant by .*short_ton .*long_ton"):
        parse_quantity(f"5 {unit}", "t/h")
    assert not known_unit(unit)


@pytest.mark.parametrize(
    ("value", "unit", "message"),
    [
        (420, "t/h", "the bare number 420 has no unit; use one of: t/h, kg/s, kg/h"),
        ("420", "t/h", "the bare number 420 has no unit"),
        ("420 kg/m", "t/h", "'kg/m' is mass per length, but mass flow is asked for; use one of: t/h"),
        ("10 m", "s", "'m' is a length, but a time is asked for"),
        ("50 Hz", "1/s", "'Hz' is a frequency, but a count rate is asked for"),
        ("5 count", "%", "'count' is a count, but a share is asked for"),
        ("5 furlong", "m", "'furlong' is no known unit; use one of: m, mm, in, ft"),
        ("5 MA", "mA", "did you mean mA"),
        ("1,5 t/h", "t/h", "decimals take a point"),
        ("1 000 t/h", "t/h", "decimals take a point"),
        ("2 min 30 s", "s", "not one number and one unit"),
        ("t/h", "t/h", "does not begin with a number"),
        ("", "t/h", "does not begin with a number"),
        ("nan t", "t", "does not begin with a number"),
        ("inf t", "t", "does not begin with a number"),
        ("1e400 t", "t", "beyond what a number can hold"),
        ("1e999999999 t", "t", "beyond what a number can hold"),
        (True, "t", "a number with a unit is needed"),
        (None, "t", "a number with a unit is needed"),
        (["1 t"], "t", "a number with a unit is needed"),
    ],
)
def test_bad_quantity_says_what_is_wrong_and_what_is_allowed(value: object, unit: str, message: str) -> None:
    with pytest.raises(ValueError, match=re.escape(message)):
        parse_quantity(value, unit)


def test_bare_number_passes_only_where_it_is_allowed() -> None:
    assert parse_quantity(420, "t/h", allow_bare=True) == 420.0
    assert parse_quantity("420", "t/h", allow_bare=True) == 420.0
    with pytest.raises(ValueError, match="needed"):
        parse_quantity(True, "t/h", allow_bare=True)


@given(st.text(max_size=30))
def test_any_text_gives_a_number_or_a_value_error(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert math.isfinite(parse_quantity(text, "t/h"))


PAIRS = [
    (unit, other) for unit in ("t/h", "t", "kg/m", "m/s", "1/s", "s", "m", "degC", "K/min") for other in example_units(unit)
]


@given(st.floats(-1e9, 1e9), st.sampled_from(PAIRS))
def test_there_and_back_gives_the_same_number(value: float, pair: tuple[str, str]) -> None:
    there = convert(value, *pair)
    assert convert(there, pair[1], pair[0]) == pytest.approx(value, rel=1e-14, abs=1e-12)


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=5), st.sampled_from(PAIRS))
def test_array_and_float_convert_alike(values: list[float], pair: tuple[str, str]) -> None:
    singles = [convert(value, *pair) for value in values]
    assert convert(np.array(values), *pair) == pytest.approx(singles, rel=1e-14, abs=1e-12)


def test_not_a_number_stays_so() -> None:
    assert math.isnan(convert(math.nan, "kg/s", "t/h"))
    assert convert(math.inf, "kg/s", "t/h") == math.inf


def test_belt_arithmetic_in_units() -> None:
    # 100 kg/m at 2 m/s is 720 t/h, by definition
    quantity = registry().Quantity
    assert float((quantity(100, "kg/m") * quantity(2, "m/s")).to("t/h").magnitude) == 720.0


# OPC UA Part 8 clause 5.6.3 with UNECE Recommendation 20; seen in a generated units table of an open OPC UA stack.
UNIT_IDS = {
    "t/h": 4534584, "kg/h": 4536627, "kg/s": 4933459, "short_ton/h": 13399, "lb/h": 13397, "degC": 4408652, "K": 4932940,
    "mA": 13387, "V": 5655636, "mV": 12890, "ohm": 5195853, "s": 5457219, "min": 5065038, "h": 4740434, "d": 4473177,
    "kg": 4933453, "t": 5525061, "lb": 4997714, "short_ton": 5461070, "long_ton": 5002318, "kg/m": 19276, "m/s": 5067859,
    "ft/min": 18002, "1/s": 4405559, "%": 20529, "MBq": 13390, "GBq": 4670033,
}  # fmt: skip


@pytest.mark.parametrize(("unit", "unit_id"), UNIT_IDS.items())
def test_unit_id_is_that_of_opc_ua(unit: str, unit_id: int) -> None:
    assert unece_unit_id(unit) == unit_id
    assert unit_from_unece(unit_id) == unit


def test_unit_id_is_found_by_any_spelling_and_unknown_ids_give_nothing() -> None:
    assert unece_unit_id("short ton/h") == 13399
    assert unece_unit_id("tonne/h") == 4534584
    assert unece_unit_id("°C") == 4408652
    assert unece_unit_id("cps") == 4405559
    assert unece_unit_id("long_ton/h") is None
    assert unece_unit_id("ton") is None
    assert unit_from_unece(-1) is None
    assert all(known_unit(unit) for unit in UNECE_CODES)
