"""What an OPC UA server itself says of its nodes: unit and range (OPC UA part 8, 5.6)."""

from __future__ import annotations

from collections.abc import Mapping

from asyncua import ua

from collector.sources.opcua_source import OpcUaSource
from collector.sources.opcua_variable import clean
from collector.sources.source import Place
from config.model import OpcUaTag, Tag
from config.units import unit_from_unece


async def said_of(source: OpcUaSource, places: Mapping[Place, Tag]) -> dict[Place, tuple[str, tuple[float, float] | None]]:
    """Unit and range that the server gives with each node, as far as it does (OPC UA part 8, 5.6)."""
    link = source.link
    owners = source.owners()
    plain = [place for place, tag in places.items() if isinstance(tag, OpcUaTag) and not tag.property and place in owners]
    if link is None or not plain:
        return {}
    nodes = [owners[place] for place in plain]
    out: dict[Place, tuple[str, tuple[float, float] | None]] = {}
    units = await link.properties([(node, "EngineeringUnits") for node in nodes])
    ranges = await link.properties([(node, "EURange") for node in nodes])
    values = await link.read([node for node in (*units, *ranges) if node is not None])
    given = iter(values)
    unit_values = [next(given) if node is not None else None for node in units]
    range_values = [next(given) if node is not None else None for node in ranges]
    for place, unit_value, range_value in zip(plain, unit_values, range_values, strict=True):
        info = None if unit_value is None or unit_value.Value is None else unit_value.Value.Value
        ends = None if range_value is None or range_value.Value is None else range_value.Value.Value
        unit = (
            unit_from_unece(info.UnitId) or clean(str(info.DisplayName.Text or ""))
            if isinstance(info, ua.EUInformation)
            else ""
        )
        out[place] = (unit, (float(ends.Low), float(ends.High)) if isinstance(ends, ua.Range) else None)
    return out
