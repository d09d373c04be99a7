"""The site file of the running plant: what a commissioning engineer would have declared, with the ports it listens on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

from ruamel.yaml import YAML

from deploy.plant.nodes import NODES, path_of
from deploy.plant.registers import MAP, STATUS_BITS, order_of
from deploy.plant.spec import LoopSpec
from deploy.plant.units import flow_unit, mass_unit

NUCLIDES = {137: "Cs-137", 60: "Co-60", 241: "Am-241"}
TITLES = {
    "TB-07": "Tunnel belt, store 1 to transfer tower",
    "TB-08": "Gallery belt, transfer tower to quay",
    "TB-09": "Quay belt, variable speed, to ship loader",
}

SOURCES = {"TB-07": ("PT-0712", "1.85 GBq"), "TB-08": ("PT-0815", "370 MBq")}
"""Identity and activity on the papers of the invented sources; TB-09 declares none."""


def site_text(
    specs: dict[str, LoopSpec], gauge_ports: dict[str, int], plc_url: str, *, time_zone: str = "UTC", folder: str = ""
) -> str:
    """The YAML text for these loops; `gauge_ports` by loop id, `time_zone` an IANA zone, `folder` of the data of the service."""
    endpoints: dict[str, Any] = {
        f"gauge-{loop}": {"protocol": "modbus", "host": "127.0.0.1", "port": port} for loop, port in gauge_ports.items()
    }
    endpoints["plc"] = {"protocol": "opcua", "url": plc_url}
    site = {
        "schema": 1,
        "site": "potash-terminal",
        "title": "Potash export terminal (invented)",
        "time_zone": time_zone,
        "endpoints": endpoints,
        "loops": {loop: loop_part(spec) for loop, spec in specs.items()},
        **({"history": {"folder": folder}} if folder else {}),
    }
    out = StringIO()
    out.write("# Written by the demo plant; the ports are those it listens on now.\n")
    yaml = YAML()
    yaml.width = 120
    yaml.dump(site, out)
    return out.getvalue()


def loop_part(spec: LoopSpec) -> dict[str, Any]:
    """The declaration of one loop."""
    gauge, block, belt = spec.gauge, spec.block, spec.belt
    declared: dict[str, Any] = {
        "range": {"low": f"{gauge.range_low:g} t/h", "high": f"{gauge.range_high:g} t/h"},
        "nuclide": NUCLIDES[gauge.mass_number],
        "reference_date": datetime.fromtimestamp(gauge.tared_s, UTC).date(),
        "empty_belt_rate": f"{gauge.empty_net + gauge.background:g} 1/s",
        "background": f"{gauge.background:g} 1/s",
        "dead_time": f"{gauge.dead_time:g} s",
        "damping": f"{gauge.damping:g} s",
        "counts_filtered": gauge.counts_filtered,
        "load_per_attenuation": f"{gauge.load_per_attenuation:.10g} kg/m",
        "belt_width": f"{belt.width:g} m",
        "belt_length": f"{belt.length:g} m",
        "speed_source": "measured" if gauge.fixed_speed is None else "fixed",
        "speed_sensor_at": "tail",
        "low_cutoff": f"{gauge.low_cutoff:g} t/h",
        "total": {"resolution": f"{gauge.total_resolution:g} t", "rollover": f"{gauge.total_rollover:.10g} t"},
        "loop_powered_by": "gauge",
    }
    if spec.loop in SOURCES:
        identity, activity = SOURCES[spec.loop]
        tared = datetime.fromtimestamp(gauge.tared_s, UTC).date()
        declared["source"] = {
            "identity": identity,
            "activity": activity,
            "activity_date": tared - timedelta(days=90),
            "shutter_check_due": tared + timedelta(days=3 * 365),
            "leak_test_due": tared + timedelta(days=385),
        }
    if gauge.fixed_speed is not None:
        declared["fixed_speed"] = f"{gauge.fixed_speed:g} m/s"
    return {
        "title": TITLES.get(spec.loop, spec.loop),
        "gauge": declared,
        "plc": {
            "range": {"low": f"{block.range_low:g} t/h", "high": f"{block.range_high:g} t/h"},
            "raw_span": {"low": block.raw_low, "high": block.raw_high},
            "filter": f"{block.filter:g} s",
            "total": {
                "resolution": f"{spec.plc_total.resolution:g} t",
                "rollover": f"{spec.plc_total.rollover:.10g} t",
            },
            "load_resistance": "250 ohm",
            "supply_voltage": f"{spec.wire.supply:g} V",
        },
        "drive": {
            "variable": belt.variable,
            "nominal_frequency": belt.nominal_frequency,
            "speed_at_nominal": f"{belt.speed:g} m/s",
        },
        "tags": tags_of(spec),
    }


def tags_of(spec: LoopSpec) -> dict[str, dict[str, Any]]:
    """Every tag of one loop by role."""
    gauge, order = f"gauge-{spec.loop}", order_of(spec)
    tags: dict[str, dict[str, Any]] = {}
    for register in MAP:
        tag: dict[str, Any] = {"endpoint": gauge, "table": register.table, "address": register.address, "type": register.type}
        if register.type != "uint16" and order != "ABCD":
            tag["order"] = order
        if register.scale != 1.0:
            tag["scale"] = register.scale
        if register.table == "holding":
            tag["period"] = "10 s"
        tags[register.role] = tag
    status = next(register for register in MAP if register.role == "gauge_status")
    for role, bit in STATUS_BITS.items():
        tags[role] = {"endpoint": gauge, "table": "input", "address": status.address, "type": "uint16", "bit": bit}
    for node in NODES:
        tags[node.role] = {"endpoint": "plc", "node": f"ns=2;s={path_of(spec, node)}"}
    flow = tags["plc_flow"]
    tags["plc_range_low"] = {**flow, "property": "EURange.low", "period": "10 s"}
    tags["plc_range_high"] = {**flow, "property": "EURange.high", "period": "10 s"}
    tags["plc_unit"] = {**flow, "property": "EngineeringUnits", "period": "10 s"}
    if flow_unit(spec).in_t_h != 1.0:
        for role in ("plc_flow", "plc_range_low", "plc_range_high"):
            tags[role]["measured_in"] = flow_unit(spec).written
    if mass_unit(spec).in_t != 1.0:
        tags["plc_total"]["measured_in"] = mass_unit(spec).written
    if "loop_current" in tags:
        tags["loop_current"]["independent"] = True
    return {role: tags[role] for role in spec.roles if role in tags}
