"""A variable of an OPC UA server as it was found, and the space that it lies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from asyncua import ua

from collector.sources.opcua_names import parse, written
from collector.sources.opcua_values import number_of, quality_of, time_of
from config.units import unit_from_unece

MOST_SIGNS = 120
TEXTS = ("String", "LocalizedText", "ByteString", "Guid", "XmlElement")
ID_TYPES = {int(kind.value): kind.name for kind in ua.VariantType}


@dataclass(slots=True, kw_only=True)
class Variable:
    """A variable as the server shows it.

    `node` is written as a site file takes it; `path` are the names of the folders above it. `value` is None where it has no single
    number, `shown` is what it has instead. `source_time` [epoch s]. `unit` is ours where the server's unit id is known, else the
    server's own word; `ends` its EURange in that unit.
    """

    node: str
    path: tuple[str, ...]
    name: str
    data_type: str = ""
    value: float | None = None
    shown: str = ""
    quality: int = 2
    reason: str = ""
    source_time: float | None = None
    unit: str = ""
    ends: tuple[float, float] | None = None


@dataclass(slots=True, kw_only=True)
class Space:
    """What was found: variables in the order of the space, and why it was not walked to its end (empty: it was). `skew_s` is how far the
    clock of the server is ahead of ours."""

    variables: list[Variable] = field(default_factory=list)
    nodes: int = 0
    requests: int = 0
    cut: str = ""
    skew_s: float = 0.0
    namespaces: list[str] = field(default_factory=list)

    def name_of(self, node: str) -> str:
        """A node id of a site file in the form in which the variables have theirs; empty where the server cannot have it."""
        try:
            found = parse(node).in_server(self.namespaces)
        except ValueError:
            return ""
        return "" if found is None else written(found, self.namespaces)


def clean(text: str) -> str:
    """What a server says in words, made safe to show: one line, nothing that steers a terminal, not endless."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())[:MOST_SIGNS]


def good(data: ua.DataValue) -> bool:
    """Whether there is a value of good status."""
    return data.Value is not None and (data.StatusCode is None or data.StatusCode.is_good())


def fill(variable: Variable, row: Sequence[ua.DataValue]) -> None:
    """Value, quality, time and data type from what was read: `Value`, `DataType` and `ValueRank` of the node."""
    data, kind, rank = row
    variable.quality, variable.reason = quality_of(0 if data.StatusCode is None else data.StatusCode.value)
    variable.source_time = time_of(data.SourceTimestamp)
    value = None if data.Value is None else data.Value.Value
    variable.data_type = _type_name(data, kind)
    if isinstance(value, list) or (
        good(rank) and rank.Value is not None and isinstance(rank.Value.Value, int) and rank.Value.Value >= 0
    ):
        variable.data_type += "[]"
        variable.shown = f"{len(value)} values" if isinstance(value, list) else ""
        return
    if value is None:
        return
    try:
        number = number_of(value, {})
    except (ValueError, OverflowError):
        text = value.Text if isinstance(value, ua.LocalizedText) else value
        variable.shown = clean(str(text))[:60] if isinstance(text, str | int | float) else "no single number"
        return
    if variable.data_type in TEXTS:
        variable.shown = clean(str(value))[:60]
        return
    variable.value = float(number)


def _type_name(data: ua.DataValue, kind: ua.DataValue) -> str:
    if data.Value is not None and data.Value.VariantType is not ua.VariantType.Null:
        return str(getattr(data.Value.VariantType, "name", data.Value.VariantType))
    node = kind.Value.Value if good(kind) and kind.Value is not None else None
    if isinstance(node, ua.NodeId) and node.NamespaceIndex == 0:
        return ID_TYPES.get(int(node.Identifier), "") if isinstance(node.Identifier, int) else ""
    return ""


def put_unit(variable: Variable, value: Any) -> None:
    """The unit from an EUInformation: ours where the id is known, else the word of the server."""
    if isinstance(value, ua.EUInformation):
        variable.unit = unit_from_unece(value.UnitId) or clean(str(value.DisplayName.Text or ""))


def put_ends(variable: Variable, value: Any) -> None:
    """The range from a Range."""
    if isinstance(value, ua.Range):
        variable.ends = (float(value.Low), float(value.High))
