"""Nodes that are read again and again: the request is encoded once, the values are taken out of the reply without objects between.

The library makes both anew at each read, element by element, which is most of what a poll of many nodes costs. What is not a single
number with plain time stamps is left to its own decoder.
"""

from __future__ import annotations

import itertools
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any, NamedTuple, overload

from asyncua import ua
from asyncua.common.utils import Buffer
from asyncua.ua import ua_binary
from asyncua.ua.attribute_ids import AttributeIds

from collector.sources.opcua_values import NodeValue, plain

READ_REQUEST = ua.ReadRequest().TypeId
_FORMATS = dict(zip(range(1, 12), "?bBhHiIqQfd", strict=True))
"""Numbers by their type in a Variant: Boolean to Double (OPC UA Part 6, clause 5.1.2)."""
_EPOCH_US = 11_644_473_600_000_000
"""From 1601, where its times begin, to 1970 [us] (OPC UA Part 6, clause 5.2.2.5)."""
_LAST_US = 253_402_300_799_000_000 + _EPOCH_US
"""The end of the year 9999, which also stands for whatever is later [us]."""


class Prepared(bytes):
    """Bytes that are sent as they are."""


class _AsItIs:
    @staticmethod
    def pack(data: Prepared) -> bytes:
        return data


# the library looks up by the name of a type how it is written
ua_binary.Primitives.Prepared = _AsItIs()  # type: ignore[attr-defined]


@dataclass(slots=True, kw_only=True)
class ReadRequest:
    """A Read request whose parameters are encoded already; the guard knows it by its name."""

    TypeId: ua.NodeId = READ_REQUEST
    RequestHeader: ua.RequestHeader = field(default_factory=ua.RequestHeader)
    Parameters: Prepared


class Batch:
    """The values of some nodes, with both time stamps."""

    def __init__(self, nodes: Sequence[ua.NodeId]) -> None:
        self.nodes = tuple(nodes)
        self._most = 0
        self._parts: list[tuple[int, Prepared]] = []
        self._layouts: dict[Prepared, Layout | None] = {}

    def parts(self, most: int) -> list[tuple[int, Prepared]]:
        """Requests of at most so many nodes: how many each reads, and its parameters as they are sent."""
        if most != self._most:
            cuts = [self.nodes[first : first + most] for first in range(0, len(self.nodes), most)]
            self._most, self._parts = most, [(len(cut), Prepared(_parameters(cut))) for cut in cuts]
        return self._parts

    def values(self, reply: Buffer, parameters: Prepared) -> Sequence[NodeValue]:
        """The values in the reply to a request of it; in one go where they lie as they lay in the reply before."""
        data = _results(reply)
        layout = self._layouts.get(parameters)
        found = None if layout is None else layout.read(data)
        if found is not None:
            return found
        values = _each(data)
        self._layouts[parameters] = _layout_of(data, len(values))
        return values


def _parameters(nodes: Sequence[ua.NodeId]) -> bytes:
    params = ua.ReadParameters()
    params.MaxAge = 0
    params.TimestampsToReturn = ua.TimestampsToReturn.Both
    params.NodesToRead = [ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value) for node in nodes]
    return ua_binary.struct_to_binary(params)


class _Kind(NamedTuple):
    """How a value of one kind lies in the reply: what takes it out, its length, and whether a status and a source time are in it."""

    take: Callable[[bytes, int], tuple[Any, ...]]
    length: int
    status: bool
    source: bool


def _kinds() -> dict[bytes, _Kind]:
    """By the two bytes that each begins with: which fields are there, and the type of the number.

    A DataValue is value, status, source time and its picoseconds, server time and its picoseconds, each where its bit is set
    (OPC UA Part 6, clause 5.2.2.17).
    """
    kinds = {}
    for (number, code), mask in itertools.product(_FORMATS.items(), range(1, 64, 2)):
        layout = struct.Struct(
            f"<2x{code}" + "".join(form for bit, form in ((2, "I"), (4, "q"), (16, "2x"), (8, "8x"), (32, "2x")) if mask & bit)
        )
        kinds[bytes((mask, number))] = _Kind(layout.unpack_from, layout.size, bool(mask & 2), bool(mask & 4))
    return kinds


_KINDS = _kinds()


class Layout:
    """Where the numbers of a reply lie that has only such with plain time stamps, all with or all without a source time."""

    def __init__(self, heads: Sequence[bytes]) -> None:
        form, at = "<i", 1
        values: list[int] = []
        statuses: list[int] = []
        sources: list[int] = []
        for head in heads:
            form += f"2s{_FORMATS[head[1]]}"
            values.append(at + 1)
            at += 2
            for bit, code, places in ((2, "I", statuses), (4, "q", sources)):
                if head[0] & bit:
                    form += code
                    places.append(at)
                    at += 1
            form += "".join(code for bit, code in ((16, "2x"), (8, "8x"), (32, "2x")) if head[0] & bit)
        self._status_place = {
            number: place for place, number in enumerate(number for number, head in enumerate(heads) if head[0] & 2)
        }
        self.whole = tuple(_FORMATS[head[1]] not in "fd" for head in heads)
        """Of each value whether it is a whole number or a bit."""
        self._unpack = struct.Struct(form).unpack_from
        self._size = struct.calcsize(form)
        self._first = (len(heads),)
        self._heads = tuple(heads)
        self._head_places = _places([place - 1 for place in values])
        self._values, self._statuses, self._sources = _places(values), _places(statuses), _places(sources)

    def status_of(self, statuses: Sequence[int], number: int) -> int:
        """The status code of a value, among those that were told; 0, which is good, where none was."""
        place = self._status_place.get(number)
        return 0 if place is None else statuses[place]

    def read(self, data: bytes) -> Numbers | None:
        """The values; None where they lie in another way."""
        if len(data) < self._size:
            return None
        fields = self._unpack(data)
        if fields[:1] != self._first or self._head_places(fields) != self._heads:
            return None
        ticks = self._sources(fields)
        same = len(set(ticks)) == 1
        sources = [_time_of(ticks[0])] * len(ticks) if same else [_time_of(one) for one in ticks]
        return Numbers(self, self._values(fields), self._statuses(fields), sources or None)


def _places(places: Sequence[int]) -> Callable[[tuple[Any, ...]], tuple[Any, ...]]:
    if not places:
        return lambda fields: ()
    if len(places) == 1:
        return lambda fields: (fields[places[0]],)
    return itemgetter(*places)


class Numbers(Sequence[NodeValue]):
    """Values of nodes column by column. `statuses` holds only those that the server told: a good value needs none."""

    def __init__(
        self, layout: Layout, numbers: tuple[float, ...], statuses: tuple[int, ...], sources: list[float | None] | None
    ) -> None:
        self.layout, self.numbers, self.statuses, self.sources = layout, numbers, statuses, sources

    def __len__(self) -> int:
        return len(self.numbers)

    @overload
    def __getitem__(self, number: int) -> NodeValue: ...

    @overload
    def __getitem__(self, number: slice) -> Sequence[NodeValue]: ...

    def __getitem__(self, number: int | slice) -> NodeValue | Sequence[NodeValue]:
        if isinstance(number, slice):
            return [self[one] for one in range(*number.indices(len(self)))]
        return NodeValue(
            self.numbers[number],
            self.layout.status_of(self.statuses, number),
            None if self.sources is None else self.sources[number],
        )


def values_of(reply: Buffer) -> list[NodeValue]:
    """The values of a ReadResponse, in order.

    Raises
    ------
    UaError, struct.error, ValueError
        The server refused the request, or the reply is torn.
    """
    return _each(_results(reply))


def _results(reply: Buffer) -> bytes:
    """What follows the header of a response that the server did not refuse."""
    ua_binary.nodeid_from_binary(reply)
    header: ua.ResponseHeader = ua_binary.struct_from_binary(ua.ResponseHeader, reply)
    header.ServiceResult.check()
    return bytes(reply)


def _each(data: bytes) -> list[NodeValue]:
    (count,) = struct.unpack_from("<i", data)
    values = []
    at = 4
    for _ in range(count):
        kind = _KINDS.get(data[at : at + 2])
        if kind is None:
            rest = Buffer(data, at)
            values.append(plain(ua_binary.struct_from_binary(ua.DataValue, rest)))
            at = rest.cur_pos
            continue
        take, length, has_status, has_source = kind
        value, *more = take(data, at)
        at += length
        values.append(
            NodeValue(value, more[0] if has_status else 0, _time_of(more[-1]) if has_source else None)  # both are whole numbers
        )
    return values


def _layout_of(data: bytes, count: int) -> Layout | None:
    """How the values of a reply lie; None where one of them is no plain number, or only some have a source time."""
    heads = []
    at = 4
    for _ in range(count):
        head = data[at : at + 2]
        kind = _KINDS.get(head)
        if kind is None:
            return None
        heads.append(head)
        at += kind.length
    return Layout(heads) if len({_KINDS[head].source for head in heads}) == 1 else None


def _time_of(ticks: int) -> float | None:
    """Epoch seconds of a time in steps of 100 ns since 1601; None before 1970."""
    microseconds = min(ticks // 10, _LAST_US) - _EPOCH_US
    return microseconds / 1_000_000 if microseconds > 0 else None
