"""Values of one moment against each other: the majority is believed, a lonely one is odd, an empty belt says nothing."""

from __future__ import annotations

import math
import struct

import pytest

from checks.commissioning.plausible import agreed_flow, expectations, implied_flows, oddity
from tests.checks.runs_of_terminal import terminal

LOOP = terminal().loops["TB-07"]
SOUND = {
    "flow": 210.0, "load": 210.0 / 3.6 / 1.9, "speed": 1.9, "gauge_output": 12.0, "loop_current": 12.0, "ai_raw": 13824.0,
    "plc_flow": 210.0, "drive_speed": 50.0,
}  # fmt: skip


def test_every_station_says_the_same_flow() -> None:
    """By hand: 12 mA of 4-20 mA over 0-420 t/h is half, 210 t/h; 13,824 of 27,648 counts too (IEC 60381-1, from memory)."""
    flows = implied_flows(LOOP, SOUND)
    assert list(flows.values()) == pytest.approx([210.0] * 6)


@pytest.mark.parametrize("role", ["flow", "gauge_output", "loop_current", "ai_raw", "plc_flow", "load", "speed"])
def test_lonely_value_is_odd_and_the_others_say_what_it_should_be(role: str) -> None:
    values = SOUND | {role: SOUND[role] * 1.4}
    expected = expectations(LOOP, values)
    found = {name for name, value in values.items() if oddity(name, value, expected.get(name))}
    assert found == {role} | ({"load"} if role == "speed" else set())  # a load is judged with the speed beside it
    assert expected[role].value == pytest.approx(SOUND[role], rel=1e-6)


def test_empty_belt_or_one_station_decides_nothing() -> None:
    assert agreed_flow(LOOP, {"flow": 1.0, "plc_flow": 1.0, "loop_current": 4.04}) is None
    assert agreed_flow(LOOP, {"flow": 210.0}) is None
    assert agreed_flow(LOOP, {"flow": 210.0, "plc_flow": 20.0}) is None
    assert agreed_flow(LOOP, {}) is None


@pytest.mark.parametrize(
    ("role", "value", "says"),
    [
        ("speed", 400.0, "cannot be"), ("speed", math.nan, "no number"), ("detector_temperature", -1e20, "cannot be"),
        ("loop_current", 140.25, "cannot be"), ("nuclide_code", 138.0, "no mass number"), ("plc_total", -5.0, "cannot be"),
    ],
)  # fmt: skip
def test_what_cannot_be_at_all(role: str, value: float, says: str) -> None:
    found = oddity(role, value, None)
    assert found is not None
    assert says in found.what


def test_nothing_speaks_against_a_sound_value() -> None:
    assert oddity("speed", 1.9, None) is None
    assert oddity("nuclide_code", 137.0, None) is None
    assert oddity("product", 3.0, None) is None


@pytest.mark.parametrize("role", ["flow", "plc_flow", "load", "detector_temperature"])
def test_numbers_that_a_wrong_order_of_words_makes_are_no_readings(role: str) -> None:
    # 228.9 and 12.5 as float32 in two registers, read with the registers exchanged: struct, IEEE 754.
    for value in (228.9, 12.5, 500.0, 21.6):
        high, low = struct.unpack(">HH", struct.pack(">f", value))
        (read,) = struct.unpack(">f", struct.pack(">HH", low, high))
        assert oddity(role, read, None) is not None, (value, read)
        assert oddity(role, value if role != "detector_temperature" else 21.6, None) is None
