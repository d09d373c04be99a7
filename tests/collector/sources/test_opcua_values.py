from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from asyncua import ua

from checks.samples import BAD, GOOD, UNCERTAIN
from collector.sources.opcua_values import NodeDecoder, NodeValue, number_of, part_of, plain, quality_of, time_of
from config.model import OpcUaTag


def decoder(role: str = "flow", **fields: Any) -> NodeDecoder:
    return NodeDecoder("TB-07", role, OpcUaTag.model_validate({"endpoint": "plc", "node": "ns=2;s=flow", **fields}))


def data(value: Any, status: int = 0, source: datetime | None = None) -> NodeValue:
    stamped: Any = source
    return plain(ua.DataValue(ua.Variant(value), ua.StatusCode(ua.UInt32(status)), stamped))


# codes from the status code table of OPC UA Part 4 / Part 6 as the package asyncua carries it
@pytest.mark.parametrize(
    ("code", "quality", "name"),
    [
        (0x00000000, GOOD, ""),
        (0x00300000, GOOD, "GoodClamped"),
        (0x00960000, GOOD, "GoodLocalOverride"),
        (0x00000500, GOOD, ""),
        (0x00000600, GOOD, ""),
        (0x00000480, GOOD, ""),
        (0x40000000, UNCERTAIN, "Uncertain"),
        (0x40900000, UNCERTAIN, "UncertainLastUsableValue"),
        (0x40940000, UNCERTAIN, "UncertainEngineeringUnitsExceeded"),
        (0x80000000, BAD, "Bad"),
        (0x808B0000, BAD, "BadDeviceFailure"),
        (0x808B0600, BAD, "BadDeviceFailure"),
        (0x80340000, BAD, "BadNodeIdUnknown"),
        (0xC0000000, BAD, None),
    ],
)
def test_status_codes_become_qualities_by_their_two_highest_bits(code: int, quality: int, name: str | None) -> None:
    got = quality_of(code)
    assert got[0] == quality
    if name is not None:
        assert got[1] == name


def test_a_bad_status_with_a_value_is_never_a_value() -> None:
    decoded = decoder().decode(data(1.0, 0x808B0000))
    assert math.isnan(decoded.value)
    assert (decoded.quality, decoded.reason, decoded.raw) == (BAD, "BadDeviceFailure", (1.0,))


def test_uncertain_keeps_value_and_name() -> None:
    decoded = decoder().decode(data(1.0, 0x40900000))
    assert (decoded.value, decoded.quality, decoded.reason) == (1.0, UNCERTAIN, "UncertainLastUsableValue")


def test_an_overridden_value_is_good_and_says_so() -> None:
    decoded = decoder().decode(data(1.0, 0x00960000))
    assert (decoded.value, decoded.quality, decoded.reason) == (1.0, GOOD, "GoodLocalOverride")


@pytest.mark.parametrize(
    ("value", "texts", "number"),
    [
        (True, {}, 1),
        (7, {}, 7),
        ("on", {"on": 1.0}, 1.0),
        ("12.5", {}, 12.5),
        (datetime(1970, 1, 2, tzinfo=UTC), {}, 86400.0),
    ],
)
def test_numbers_from_what_servers_send(value: Any, texts: dict[str, float], number: float) -> None:
    assert number_of(value, texts) == number


@pytest.mark.parametrize("value", [None, [1.0], "seven", b"7", datetime(2026, 1, 1), 1j])  # noqa: DTZ001
def test_what_is_no_number_is_refused(value: Any) -> None:
    with pytest.raises(ValueError, match=r"."):
        number_of(value, {})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None, [1.0]])
def test_no_odd_value_becomes_good(value: Any) -> None:
    decoded = decoder().decode(data(value))
    assert decoded.quality == BAD
    assert decoded.reason


def test_parts_of_properties() -> None:
    assert part_of(ua.Range(0.0, 600.0), "EURange.low") == 0.0
    assert part_of(ua.Range(0.0, 600.0), "EURange.high") == 600.0
    units = ua.EUInformation("http://www.opcfoundation.org/UA/units/un/cefact", ua.Int32(4534584), ua.LocalizedText("t/h"))
    assert part_of(units, "EngineeringUnits") == 4534584
    units.UnitId = ua.Int32(-1)
    with pytest.raises(ValueError, match="no unit id"):
        part_of(units, "EngineeringUnits")
    with pytest.raises(ValueError, match="no EURange"):
        part_of(7.0, "EURange.low")


def test_a_range_in_another_unit_is_converted() -> None:
    decoded = decoder("plc_range_high", property="EURange.high", measured_in="kg/s").decode(data(ua.Range(0.0, 100.0)))
    assert decoded.value == pytest.approx(360.0)


def test_time_stamps_without_zone_or_before_1970_are_none() -> None:
    assert time_of(None) is None
    assert time_of(datetime(2026, 1, 1)) is None  # noqa: DTZ001
    assert time_of(datetime(1601, 1, 1, tzinfo=UTC)) is None
    assert time_of(datetime(1970, 1, 1, 0, 1, tzinfo=UTC)) == 60.0


def test_bits_markers_and_inversion() -> None:
    assert decoder("maintenance", bit=2).decode(data(0b100)).value == 1.0
    assert decoder("drive_running", inverted=True).decode(data(True)).value == 0.0
    assert decoder(invalid=(9.96921e36,)).decode(data(9.969209968386869e36)).reason == "invalid marker"
    assert decoder(invalid=(1e300,)).decode(data(1e300)).reason == "invalid marker"


@pytest.mark.parametrize(
    "got",
    [
        *(NodeValue(value, 0, 5.5) for value in (12.5, 7, True, "on", float("nan"), float("inf"), None, -0.0, 1e308)),
        *(NodeValue(12.5, status, None) for status in (0x00960000, 0x40900000, 0x808B0000)),
    ],
)
@pytest.mark.parametrize("fields", [{}, {"scale": 10.0, "offset": -3.0}, {"invalid": (12.5,)}, {"measured_in": "kg/s"}])
def test_a_reading_says_what_is_decoded(got: NodeValue, fields: dict[str, Any]) -> None:
    one = decoder(**fields)
    reading, decoded = one.reading(got, 9.0), one.decode(got)
    assert reading[:2] == ("TB-07", "flow")
    assert (reading.receive_time, reading.source_time) == (9.0, got.source_time)
    np.testing.assert_equal((reading.value, reading.quality, reading.reason, reading.raw), decoded)
