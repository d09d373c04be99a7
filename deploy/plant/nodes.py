"""The address space of the invented PLC: one folder a loop, one variable a tag."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from deploy.plant.spec import LoopSpec
from deploy.plant.units import FlowUnit, flow_unit, mass_unit

NAMESPACE = "urn:invented:potash-terminal:plc"
DataType = Literal["Float", "Double", "Int32", "UInt16", "Int16", "Boolean"]


@dataclass(frozen=True, slots=True)
class Node:
    """A variable: role, name in the loop's folder, data type."""

    role: str
    name: str
    type: DataType


NODES: tuple[Node, ...] = (
    Node("plc_flow", "Flow", "Float"),
    Node("ai_raw", "RawInput", "Int32"),
    Node("loop_current", "LoopCurrent", "Float"),
    Node("plc_total", "Total", "Double"),
    Node("plc_forced", "Forced", "Boolean"),
    Node("plc_block_mode", "BlockMode", "Int16"),
    Node("plc_heartbeat", "Heartbeat", "UInt16"),
    Node("maintenance", "Maintenance", "Boolean"),
    Node("drive_running", "DriveRunning", "Boolean"),
    Node("drive_speed", "DriveFrequency", "Float"),
    Node("feed_running", "FeedRunning", "Boolean"),
    Node("product", "Product", "Int16"),
    Node("cabinet_temperature", "CabinetTemperature", "Float"),
    Node("loop_supply_voltage", "LoopSupply", "Float"),
    Node("ambient_temperature", "AmbientTemperature", "Float"),
)


def path_of(spec: LoopSpec, node: Node) -> str:
    """String identifier of the variable."""
    return f"{spec.loop}/{node.name}"


def scale_of(spec: LoopSpec, role: str) -> float:
    """What one unit of the variable is worth in the canonical unit of its role."""
    if role in {"plc_flow", "plc_range_low", "plc_range_high"}:
        return flow_unit(spec).in_t_h
    return mass_unit(spec).in_t if role == "plc_total" else 1.0


def values_of(spec: LoopSpec, roles: Mapping[str, float]) -> dict[str, float]:
    """Value of every variable of the loop, in the PLC's own units."""
    return {path_of(spec, node): roles[node.role] / scale_of(spec, node.role) for node in NODES if node.role in roles}


def range_of(spec: LoopSpec) -> tuple[float, float]:
    """EURange of the flow, in the PLC's own unit: what the scaling block is set to."""
    unit = flow_unit(spec).in_t_h
    return spec.block.range_low / unit, spec.block.range_high / unit


def unit_of(spec: LoopSpec) -> FlowUnit:
    """EngineeringUnits of the flow."""
    return flow_unit(spec)
