from __future__ import annotations

import math
import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.samples import BAD, GOOD
from collector.bundle import Tags
from collector.sources.decode import FORMATS, BlockDecoder, Decoded, Scaling, bad, registers_of, unit_line
from config.model import ByteOrder, ModbusTag, OpcUaTag, WireType

REGISTER = st.integers(0, 65535)


def tag(**fields: Any) -> ModbusTag:
    return ModbusTag.model_validate({"endpoint": "gauge", "address": 0, **fields})


def decode(words: list[int], role: str = "flow", **fields: Any) -> Decoded:
    return BlockDecoder([(role, tag(**fields))], 0, len(words)).decode(words)[0]


# computed with IEEE 754 packing; the big-endian order of registers is that of the Modbus application protocol V1.1b3, 4.2
FLOATS = [
    (1.0, ("3F80 0000", "0000 3F80", "803F 0000", "0000 803F")),
    (20.0, ("41A0 0000", "0000 41A0", "A041 0000", "0000 A041")),
    (123.456, ("42F6 E979", "E979 42F6", "F642 79E9", "79E9 F642")),
    (-1.5, ("BFC0 0000", "0000 BFC0", "C0BF 0000", "0000 C0BF")),
]


@pytest.mark.parametrize(("value", "forms"), FLOATS)
def test_float32_is_read_in_each_of_the_four_orders(value: float, forms: tuple[str, ...]) -> None:
    for order, form in zip(ByteOrder, forms, strict=True):
        words = [int(word, 16) for word in form.split()]
        got = decode(words, type="float32", order=order)
        assert got.value == pytest.approx(value, rel=1e-7)
        assert got.quality == GOOD
        assert got.raw == tuple(map(float, words))


@pytest.mark.parametrize(
    ("stored", "value", "read"),
    [
        ("CDAB", 123.456, -1.883367e25),
        ("BADC", 123.456, -9.861115e32),
        ("DCBA", 123.456, 1.518500e35),
        ("BADC", 20.0, -1.6348e-19),
    ],
)
def test_float32_in_the_wrong_order_is_the_known_nonsense(stored: str, value: float, read: float) -> None:
    forms = dict(zip(("ABCD", "CDAB", "BADC", "DCBA"), dict(FLOATS)[value], strict=True))
    words = [int(word, 16) for word in forms[stored].split()]
    assert decode(words, type="float32", order="ABCD").value == pytest.approx(read, rel=1e-4)


@pytest.mark.parametrize("form", ["7FC0 0000", "7F80 0000", "FF80 0000"])
def test_what_is_not_finite_is_bad(form: str) -> None:
    got = decode([int(word, 16) for word in form.split()], type="float32")
    assert (got.quality, got.reason) == (BAD, "not finite")
    assert math.isnan(got.value)


def test_int32_of_100000_lies_as_0001_86a0() -> None:
    assert decode([0x0001, 0x86A0], type="int32").value == 100000.0


def test_registers_of_123_456_in_decimal() -> None:
    assert decode([17142, 59769], type="float32").value == pytest.approx(123.456, rel=1e-7)


@given(kind=st.sampled_from(list(WireType)), order=st.sampled_from(list(ByteOrder)), data=st.data())
def test_every_type_survives_every_order(kind: WireType, order: ByteOrder, data: st.DataObject) -> None:
    width = struct.calcsize("=" + FORMATS[kind])
    if kind in (WireType.FLOAT32, WireType.FLOAT64):
        value: float = data.draw(st.floats(width=width * 8, allow_nan=False, allow_infinity=False))  # type: ignore[arg-type]
    else:
        signed = kind.startswith("int")
        bits = 8 * width
        value = data.draw(st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else st.integers(0, 2**bits - 1))
    octets = struct.pack(">" + FORMATS[kind], value)
    words = [octets[place : place + 2] for place in range(0, width, 2)]
    if order in (ByteOrder.CDAB, ByteOrder.DCBA):
        words.reverse()
    if order in (ByteOrder.BADC, ByteOrder.DCBA):
        words = [word[::-1] for word in words]
    got = decode([int.from_bytes(word, "big") for word in words], type=kind, order=order)
    assert got.value == float(value)


@given(st.lists(REGISTER, min_size=4, max_size=4), st.sampled_from(list(WireType)), st.sampled_from(list(ByteOrder)))
def test_any_registers_give_a_finite_value_or_a_reason(words: list[int], kind: WireType, order: ByteOrder) -> None:
    got = BlockDecoder([("flow", tag(type=kind, order=order, scale=1e300))], 0, 4).decode(words)[0]
    assert (got.quality == GOOD) == math.isfinite(got.value)
    assert (got.quality == GOOD) == (got.reason == "")


@given(st.lists(st.integers(-10, 70000), max_size=6))
def test_only_value_errors_escape(words: list[int]) -> None:
    decoder = BlockDecoder([("flow", tag(type="float32"))], 0, 2)
    try:
        decoder.decode(words)
    except ValueError:
        return
    assert len(words) == 2
    assert all(0 <= word <= 65535 for word in words)


def test_scale_and_offset_come_before_the_unit() -> None:
    got = decode([1000], scale=0.1, offset=5.0, measured_in="kg/s")
    assert got.value == pytest.approx((1000 * 0.1 + 5.0) * 3.6, rel=1e-12)


def test_degrees_fahrenheit_become_celsius() -> None:
    assert decode([212], role="detector_temperature", measured_in="degF").value == pytest.approx(100.0, abs=1e-9)


def test_a_tag_without_unit_is_in_the_unit_of_its_role() -> None:
    assert unit_line("", "flow") == (1.0, 0.0)


@pytest.mark.parametrize(
    ("unit", "role"), [("m/s", "flow"), ("t/h", "drive_running"), ("t/h", "nothing"), ("ton", "plc_total")]
)
def test_a_unit_that_the_role_cannot_have_is_refused(unit: str, role: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        unit_line(unit, role)


def test_invalid_markers_are_compared_before_scaling() -> None:
    assert decode([0x8000], type="int16", invalid=(-32768,), scale=0.1).reason == "invalid marker"
    assert decode([0x7FFF], type="int16", invalid=(-32768,), scale=0.1).quality == GOOD


def test_a_float32_marker_is_known_although_the_site_file_has_more_digits() -> None:
    words = list(struct.unpack(">2H", struct.pack(">f", 9.96921e36)))
    assert decode(words, type="float32", invalid=(9.96921e36,)).reason == "invalid marker"


@pytest.mark.parametrize(("bit", "value"), [(0, 1.0), (1, 0.0), (15, 1.0)])
def test_bits_of_a_status_word(bit: int, value: float) -> None:
    assert decode([0x8001], role="calibrating", bit=bit).value == value
    assert decode([0x8001], role="calibrating", bit=bit, inverted=True).value == 1.0 - value


def test_a_role_of_kind_bit_is_zero_or_one() -> None:
    assert decode([7], role="drive_running").value == 1.0
    assert decode([0], role="drive_running").value == 0.0
    assert decode([0], role="drive_running", inverted=True).value == 1.0


def test_coils_and_inverted_coils() -> None:
    tags = [("drive_running", tag(table="coil", address=3)), ("maintenance", tag(table="coil", address=4, inverted=True))]
    got = BlockDecoder(tags, 3, 2).decode([True, True])
    assert [item.value for item in got] == [1.0, 0.0]


@pytest.mark.parametrize(
    "wrong",
    [
        {"type": "float32", "bit": 3},
        {"table": "coil", "bit": 3},
        {"address": 2},
        {"type": "float64"},
        {"scale": 1e308, "measured_in": "t/s", "type": "float32"},
    ],
)
def test_what_cannot_be_decoded_is_refused_when_compiled(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"."):
        BlockDecoder([("flow", tag(**wrong))], 0, 2)


def test_whole_numbers_beyond_float_precision_round_once() -> None:
    words = list(struct.unpack(">4H", struct.pack(">Q", 2**63 + 1)))
    assert decode(words, role="gauge_total", type="uint64").value == float(2**63 + 1)


def test_widths() -> None:
    assert [registers_of(tag(type=kind)) for kind in WireType] == [1, 1, 2, 2, 4, 4, 2, 4]
    assert registers_of(tag(table="coil", type="float64")) == 1


def test_bits_of_an_opcua_number_need_a_whole_number() -> None:
    scaling = Scaling("maintenance", OpcUaTag(endpoint="plc", node="ns=1;i=1", bit=40), ())
    assert scaling.apply(1 << 40, ()).value == 1.0
    assert scaling.apply(0.5, ()).quality == BAD


def test_bad_is_nan_with_its_reason() -> None:
    got = bad("timeout", (1.0,))
    assert math.isnan(got.value)
    assert (got.quality, got.reason, got.raw) == (BAD, "timeout", (1.0,))


@given(st.lists(REGISTER, min_size=12, max_size=12))
def test_readings_say_what_is_decoded(words: list[int]) -> None:
    tags = [
        ("flow", tag(type="float32", order="CDAB")),
        ("speed", tag(address=2, type="int16", scale=0.01, offset=-1.0)),
        ("count_rate", tag(address=3, type="uint32", invalid=(0.0, 7.0))),
        ("maintenance", tag(address=5, type="uint16", bit=3)),
        ("gauge_total", tag(address=6, type="float64", order="DCBA")),
        ("drive_running", tag(address=10, type="uint16", inverted=True)),
        ("detector_temperature", tag(address=11, type="int16", measured_in="degF")),
    ]
    block = BlockDecoder(tags, 0, len(words))
    names = [("TB-07", role) for role, _ in tags]
    bundle = block.bundle(struct.pack(">12H", *words), Tags(names, block.raw_of), 5.0)
    for name, reading, decoded in zip(names, bundle, block.decode(words), strict=True):
        assert reading[:2] == name
        assert (reading.receive_time, reading.source_time) == (5.0, None)
        np.testing.assert_equal((reading.value, reading.quality, reading.reason, reading.raw), decoded)
