"""The PLC: an OPC UA server in a process of its own. Clients may read and subscribe; writes are refused.

    python -P -m deploy.plant.plc_server PARENT_PID

Takes a first line `{"nodes": [{"node", "type", "unit": [id, symbol] or null}]}` on stdin, prints `{"url": ...}` when it
listens, then takes lines `{"time": s, "values": {node: value}, "status": {node: code}, "ranges": {node: [low, high]}}`.
A node that has a unit gets the properties EURange and EngineeringUnits (OPC 10000-8).
"""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import asyncua.ua
from asyncua.server.server import Server

from deploy.plant.child import die_with, orders, say
from deploy.plant.nodes import NAMESPACE

ua: Any = asyncua.ua
"""Untyped: the generated classes carry types that their own constructors do not take."""

UNITS_OF = "http://www.opcfoundation.org/UA/units/un/cefact"
TYPES: dict[str, tuple[Any, Callable[[float], Any]]] = {
    "Float": (ua.VariantType.Float, float),
    "Double": (ua.VariantType.Double, float),
    "Int32": (ua.VariantType.Int32, round),
    "Int16": (ua.VariantType.Int16, round),
    "UInt16": (ua.VariantType.UInt16, round),
    "Boolean": (ua.VariantType.Boolean, bool),
}


class PlcServer:
    """The address space, and the values in it."""

    def __init__(self) -> None:
        self._server = Server()
        self._types: dict[str, str] = {}
        self._range_nodes: dict[str, Any] = {}
        self._ranges: dict[str, list[float]] = {}
        self._index = 0

    async def start(self, nodes: list[dict[str, Any]]) -> str:
        """Listen on a free port; the URL."""
        server = self._server
        await server.init()
        server.set_server_name("Potash terminal PLC (invented)")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        server.set_endpoint("opc.tcp://127.0.0.1:0/plc")
        self._index = await server.register_namespace(NAMESPACE)
        folders: dict[str, Any] = {}
        for item in nodes:
            loop, name = item["node"].split("/")
            if loop not in folders:
                folders[loop] = await server.nodes.objects.add_folder(ua.NodeId(loop, self._index), f"{self._index}:{loop}")
            await self._add(folders[loop], item, name)
        await server.start()
        listening: Any = server.bserver
        return f"opc.tcp://127.0.0.1:{listening.port}/plc"

    async def _add(self, folder: Any, item: dict[str, Any], name: str) -> None:
        path, kind = item["node"], item["type"]
        variant, cast = TYPES[kind]
        self._types[path] = kind
        node = await folder.add_variable(self._id(path), f"{self._index}:{name}", cast(0), varianttype=variant)
        if item["unit"] is None:
            return
        unit_id, symbol = item["unit"]
        text = ua.LocalizedText(symbol)
        unit = ua.EUInformation(NamespaceUri=UNITS_OF, UnitId=unit_id, DisplayName=text, Description=text)
        await node.add_property(self._id(f"{path}/EngineeringUnits"), ua.QualifiedName("EngineeringUnits", 0), unit)
        self._range_nodes[path] = self._id(f"{path}/EURange")
        await node.add_property(self._range_nodes[path], ua.QualifiedName("EURange", 0), ua.Range(0.0, 0.0))

    def _id(self, path: str) -> Any:
        return ua.NodeId(path, self._index)

    async def put(self, order: dict[str, Any]) -> None:
        """Values of one second, with its time as source time."""
        at = datetime.fromtimestamp(order["time"], UTC)
        for path, value in order["values"].items():
            variant, cast = TYPES[self._types[path]]
            status = ua.StatusCode(order["status"].get(path, 0))
            await self._server.write_attribute_value(
                self._id(path), ua.DataValue(ua.Variant(cast(value), variant), status, SourceTimestamp=at)
            )
        for path, ends in order["ranges"].items():
            if self._ranges.get(path) != ends:
                self._ranges[path] = ends
                value = ua.Variant(ua.Range(*ends), ua.VariantType.ExtensionObject)
                await self._server.write_attribute_value(
                    self._range_nodes[path], ua.DataValue(value, ua.StatusCode(0), SourceTimestamp=at)
                )

    async def stop(self) -> None:
        """Stop listening."""
        await self._server.stop()


async def serve() -> None:
    """Serve until stdin closes."""
    plc = PlcServer()
    incoming = orders()
    first = await anext(incoming)
    url = await plc.start(first["nodes"])
    say({"url": url})
    async for order in incoming:
        await plc.put(order)
    await plc.stop()


def main() -> None:
    """Entry of the process."""
    die_with(int(sys.argv[1]))
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    asyncio.run(serve())


if __name__ == "__main__":
    main()
