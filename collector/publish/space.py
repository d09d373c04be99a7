"""The address space: `Objects/Tallywire`, one object a loop, nothing that can be written or called.

The namespace is `urn:tallywire:published`; identifiers are texts such as `TB-07/FitForControl`.

`collector.publish.interface` lists the variables.

Verdict and what belongs to it are Good where the loop agrees or differs, Uncertain where it is doubtful or not evaluated,
BadWaitingForInitialData before the first evaluation, BadNoCommunication where the data or the service are silent. What is Bad has
no value (OPC 10000-4, 7.7.1: the server sets it to null), so a client that keeps the last value must look at the status.
Source timestamps are the end of what was evaluated.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import asyncua.ua
from asyncua.server.server import Server

from collector.publish.interface import MAP_VERSION, NAMESPACE
from collector.publish.picture import LINK_WORDS, STATUS_WORDS, VERDICT_WORDS, Picture
from collector.publish.status import BY_QUALITY, GOOD, HEALTHY, NO_DATA, UNCERTAIN, of_fit, of_value
from config.units import unece_unit_id

ua: Any = asyncua.ua
"""Untyped: the generated classes carry types that their own constructors do not take."""

UNITS_OF = "http://www.opcfoundation.org/UA/units/un/cefact"
_TYPES = ua.VariantType
_NEVER = datetime(1601, 1, 1, tzinfo=UTC)
"""The least DateTime of OPC UA: no time."""

Value = tuple[str, Any, Any, int]
"""Name, variant type, value, status code."""


class Space:
    """The nodes of the site, and what stands in them; a value is written only where it, its status or its time is new."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._index = 0
        self._last: dict[str, tuple[Any, int, float | None]] = {}
        self._level = -1

    async def build(self, pictures: Sequence[Picture]) -> None:
        """Make the nodes; once, before the server starts."""
        self._index = await self._server.register_namespace(NAMESPACE)
        top = await self._server.nodes.objects.add_object(self._id("Tallywire"), self._name("Tallywire"))
        await self._variable(top, "InterfaceVersion", _TYPES.UInt16, MAP_VERSION)
        await self._variable(top, "Heartbeat", _TYPES.UInt32, 0)
        for picture in pictures:
            loop = picture.loop
            place = await top.add_object(self._id(loop), self._name(loop))
            if picture.title:
                title = ua.DataValue(ua.Variant(ua.LocalizedText(picture.title), _TYPES.LocalizedText))
                await self._server.iserver.aspace.write_attribute_value(place.nodeid, ua.AttributeIds.DisplayName, title)
            await self._loop(place, picture)
        await self.show(0, 0.0, pictures, alive=False)

    async def show(self, beat: int, time: float, pictures: Sequence[Picture], *, alive: bool) -> None:
        """Bring all values up to date; `time` is that of the service [epoch s]."""
        level = HEALTHY if alive else NO_DATA
        if level != self._level:
            self._level = level
            value = ua.DataValue(ua.Variant(level, _TYPES.Byte))
            await self._server.write_attribute_value(ua.NodeId(ua.ObjectIds.Server_ServiceLevel), value)
        await self._put("InterfaceVersion", _TYPES.UInt16, MAP_VERSION, GOOD, None)
        status = GOOD if alive else int(ua.StatusCodes.BadNoCommunication)
        await self._put("Heartbeat", _TYPES.UInt32, beat % 2**32, status, time or None)
        for picture in pictures:
            for name, kind, shown, code in values_of(picture):
                await self._put(f"{picture.loop}/{name}", kind, shown, code, picture.time)

    async def _put(self, path: str, kind: Any, value: Any, status: int, time: float | None) -> None:
        if self._last.get(path) == (value, status, time):
            return
        self._last[path] = (value, status, time)
        at = datetime.fromtimestamp(time, UTC) if time is not None else None
        told = ua.DataValue(
            ua.Variant(value, kind), ua.StatusCode(status), SourceTimestamp=at, ServerTimestamp=datetime.now(UTC)
        )
        await self._server.write_attribute_value(self._id(path), told)

    async def _loop(self, place: Any, picture: Picture) -> None:
        words = {"Verdict": VERDICT_WORDS, "Ne107Status": STATUS_WORDS, "DeviatingLink": LINK_WORDS}
        ranges = {"DeviationRate": (picture.span_t_h, "t/h"), "DeviationSpan": (100.0, "%")}
        for name, kind, value, _ in values_of(picture):
            path = f"{picture.loop}/{name}"
            node = await self._variable(place, path, kind, value)
            if name in words:
                texts = [ua.LocalizedText(text) for text in words[name]]
                await self._property(node, path, "EnumStrings", ua.Variant(texts, _TYPES.LocalizedText))
                await self._typed(node, ua.ObjectIds.MultiStateDiscreteType)
            if name in ranges:
                half, symbol = ranges[name]
                text = ua.LocalizedText(symbol)
                unit = ua.EUInformation(
                    NamespaceUri=UNITS_OF, UnitId=unece_unit_id(symbol) or 0, DisplayName=text, Description=text
                )
                await self._property(node, path, "EURange", ua.Variant(ua.Range(-half, half), _TYPES.ExtensionObject))
                await self._property(node, path, "EngineeringUnits", ua.Variant(unit, _TYPES.ExtensionObject))
                await self._typed(node, ua.ObjectIds.AnalogItemType)

    async def _variable(self, place: Any, path: str, kind: Any, value: Any) -> Any:
        return await place.add_variable(self._id(path), self._name(path.rpartition("/")[2]), value, varianttype=kind)

    async def _property(self, node: Any, path: str, name: str, value: Any) -> None:
        await node.add_property(self._id(f"{path}/{name}"), ua.QualifiedName(name, 0), value)

    async def _typed(self, node: Any, kind: int) -> None:
        """Say what type of variable a node is, instead of the bare one that it was made with."""
        defined = ua.NodeId(ua.ObjectIds.HasTypeDefinition)
        await node.delete_reference(ua.NodeId(ua.ObjectIds.BaseDataVariableType), defined)
        await node.add_reference(ua.NodeId(kind), defined, bidirectional=False)

    def _id(self, path: str) -> Any:
        return ua.NodeId(path, self._index)

    def _name(self, name: str) -> Any:
        return ua.QualifiedName(name, self._index)


def values_of(picture: Picture) -> Iterator[Value]:
    """Every variable of a loop with its value and status."""
    known = BY_QUALITY[picture.quality]
    since = picture.agrees_since
    yield "FitForControl", _TYPES.Boolean, picture.fit, of_fit(picture)
    yield "FitForControlCode", _TYPES.UInt16, int(picture.fit), GOOD if picture.fit else UNCERTAIN
    yield "Verdict", _TYPES.UInt32, picture.verdict, known
    yield "Ne107Status", _TYPES.UInt32, picture.status, known
    yield "DeviatingLink", _TYPES.UInt32, picture.link, known
    yield "Cause", _TYPES.String, picture.cause, known
    yield "Reason", _TYPES.String, picture.reason, GOOD
    for name, value in (("DeviationRate", picture.deviation_t_h), ("DeviationSpan", picture.deviation_span)):
        yield name, _TYPES.Double, float("nan") if value is None else value, of_value(picture, value)
    agrees = _NEVER if since is None else datetime.fromtimestamp(since, UTC)
    yield "AgreesSince", _TYPES.DateTime, agrees, of_value(picture, since)
