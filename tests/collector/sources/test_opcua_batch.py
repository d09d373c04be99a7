"""What is encoded once and decoded without objects is, byte by byte and value by value, what the library would have made of it."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from asyncua import ua
from asyncua.common.utils import Buffer
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.ua_binary import struct_from_binary, struct_to_binary
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.sources.opcua_batch import Batch, Numbers, ReadRequest, values_of
from collector.sources.opcua_values import NodeValue, plain

NODES = [
    ua.NodeId(ua.Int32(1001), ua.Int16(2)),
    ua.NodeId(ua.String("PLC.Belt.Flow"), ua.Int16(3)),
    ua.NodeId(ua.Int32(7), ua.Int16(2)),
]
TYPES = ua.VariantType
WHOLE = {
    TYPES.SByte: (-128, 127), TYPES.Byte: (0, 255), TYPES.Int16: (-(2**15), 2**15 - 1), TYPES.UInt16: (0, 2**16 - 1),
    TYPES.Int32: (-(2**31), 2**31 - 1), TYPES.UInt32: (0, 2**32 - 1), TYPES.Int64: (-(2**63), 2**63 - 1), TYPES.UInt64: (0, 2**64 - 1),
}  # fmt: skip

variants = st.one_of(
    *(st.builds(ua.Variant, st.integers(*limits), st.just(kind)) for kind, limits in WHOLE.items()),
    st.booleans().map(lambda value: ua.Variant(value, TYPES.Boolean)),
    st.floats().map(lambda value: ua.Variant(value, TYPES.Double)),
    st.floats(width=32).map(lambda value: ua.Variant(value, TYPES.Float)),
    st.text(max_size=5).map(lambda value: ua.Variant(value, TYPES.String)),
    st.lists(st.floats(), max_size=3).map(lambda value: ua.Variant(value, TYPES.Double, is_array=True)),
    st.just(ua.Variant(ua.Range(0.0, 420.0))),
    st.just(ua.Variant(None)),
)
times = st.none() | st.datetimes(datetime(1900, 1, 1), datetime(9999, 12, 31)).map(lambda at: at.replace(tzinfo=UTC))  # noqa: DTZ001
values = st.builds(
    ua.DataValue, variants, st.none() | st.integers(0, 2**32 - 1).map(lambda code: ua.StatusCode(ua.UInt32(code))), times, times
)


def reply(results: list[ua.DataValue]) -> bytes:
    return struct_to_binary(ua.ReadResponse(Results=results))


@settings(deadline=None)
@given(st.lists(values, max_size=12))
def test_values_are_those_that_the_library_decodes(results: list[ua.DataValue]) -> None:
    data = reply(results)
    wanted = [plain(one) for one in struct_from_binary(ua.ReadResponse, Buffer(data)).Results]
    np.testing.assert_equal(values_of(Buffer(data)), wanted)


@settings(deadline=None)
@given(st.lists(values, min_size=1, max_size=4), st.data())
def test_a_torn_reply_is_an_error_and_never_a_shorter_list(results: list[ua.DataValue], draw: Any) -> None:
    whole = reply(results)[:-4]  # without the empty list of diagnostics, which nobody reads
    with pytest.raises((UaError, struct.error, ValueError, TypeError)):
        values_of(Buffer(whole[: draw.draw(st.integers(0, len(whole) - 1))]))


numbers = st.builds(
    ua.DataValue,
    st.one_of(
        st.booleans().map(lambda value: ua.Variant(value, TYPES.Boolean)),
        st.integers(*WHOLE[TYPES.Int32]).map(lambda value: ua.Variant(value, TYPES.Int32)),
        st.floats().map(lambda value: ua.Variant(value, TYPES.Double)),
    ),
    st.sampled_from([None, ua.StatusCode(ua.UInt32(0)), ua.StatusCode(ua.UInt32(StatusCodes.BadDeviceFailure))]),
    st.just(datetime(2026, 11, 25, 9, 36, 40, tzinfo=UTC)) | times,
    times,
)


@settings(deadline=None)
@given(st.lists(st.lists(numbers | values, min_size=3, max_size=3), min_size=1, max_size=2), st.data())
def test_replies_that_lie_alike_or_not_say_what_the_library_decodes(kinds: list[list[ua.DataValue]], draw: Any) -> None:
    batch = Batch(NODES)
    ((_, parameters),) = batch.parts(1000)
    for _ in range(4):
        data = reply(draw.draw(st.sampled_from(kinds)))
        wanted = [plain(one) for one in struct_from_binary(ua.ReadResponse, Buffer(data)).Results]
        np.testing.assert_equal(list(batch.values(Buffer(data), parameters)), wanted)


def test_plain_numbers_that_lie_as_before_are_taken_in_one_go() -> None:
    batch = Batch(NODES)
    ((_, parameters),) = batch.parts(1000)
    at: Any = datetime(2026, 11, 25, 9, 36, 40, tzinfo=UTC)

    def come(*three: ua.Variant, status: int = 0) -> bytes:
        return reply([ua.DataValue(one, ua.StatusCode(ua.UInt32(status)), at) for one in three])

    kinds = [ua.Variant(True, TYPES.Boolean), ua.Variant(7, TYPES.UInt16), ua.Variant(0.5, TYPES.Double)]
    assert isinstance(batch.values(Buffer(come(*kinds)), parameters), list)
    again = batch.values(Buffer(come(*kinds)), parameters)
    assert isinstance(again, Numbers)
    assert again.layout.whole == (True, True, False)
    assert (again.numbers, again.sources) == ((True, 7, 0.5), [at.timestamp()] * 3)
    bad = batch.values(Buffer(come(*kinds, status=StatusCodes.BadDeviceFailure)), parameters)
    assert [one.status for one in bad] == [StatusCodes.BadDeviceFailure] * 3
    with pytest.raises((UaError, struct.error, ValueError, TypeError)):
        batch.values(Buffer(come(*kinds)[:-12]), parameters)


def test_picoseconds_stand_behind_their_own_time() -> None:
    # OPC UA Part 6, table of the DataValue encoding, by hand: mask, Variant, status, source time, its picoseconds, server time, its
    source = datetime(2026, 11, 25, 9, 36, 40, tzinfo=UTC)
    ticks = int((source - datetime(1601, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1)) * 10
    one = struct.pack("<BBdIqHqH", 0x3F, 11, 412.5, 0x40900000, ticks, 17, ticks + 50, 23)
    other = struct.pack("<BBi", 0x01, 6, -3)
    head = reply([])[:-8]
    got = values_of(Buffer(head + struct.pack("<i", 2) + one + other + struct.pack("<i", -1)))
    assert got == [NodeValue(412.5, 0x40900000, source.timestamp()), NodeValue(-3, 0, None)]


def test_a_refusal_of_the_whole_is_raised() -> None:
    response = ua.ReadResponse()
    response.ResponseHeader.ServiceResult = ua.StatusCode(ua.UInt32(StatusCodes.BadTooManyOperations))
    with pytest.raises(UaStatusCodeError) as told:
        values_of(Buffer(struct_to_binary(response)))
    assert told.value.code == StatusCodes.BadTooManyOperations


@pytest.mark.parametrize(("most", "sizes"), [(1000, [3]), (3, [3]), (2, [2, 1]), (1, [1, 1, 1])])
def test_requests_are_byte_by_byte_those_of_the_library(most: int, sizes: list[int]) -> None:
    batch = Batch(NODES)
    assert [count for count, _ in batch.parts(most)] == sizes
    assert batch.parts(most) is batch.parts(most)
    left = list(NODES)
    for count, parameters in batch.parts(most):
        part, left = left[:count], left[count:]
        wanted = ua.ReadRequest()
        wanted.Parameters.TimestampsToReturn = ua.TimestampsToReturn.Both
        wanted.Parameters.NodesToRead = [ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value) for node in part]
        ours = ReadRequest(Parameters=parameters, RequestHeader=wanted.RequestHeader)
        assert struct_to_binary(ours) == struct_to_binary(wanted)
