"""Rules of the tags of a loop: roles, units, bits, and addresses that fit into one read."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator

from config.model import Loop, ModbusEndpoint, ModbusTag, OpcUaTag, Site, Tag, WireType
from config.problems import Found, KeyPath, meant
from config.roles import ROLES, Kind
from config.units import convert, example_units

REGISTERS: dict[WireType, int] = {
    WireType.INT16: 1,
    WireType.UINT16: 1,
    WireType.INT32: 2,
    WireType.UINT32: 2,
    WireType.FLOAT32: 2,
    WireType.INT64: 4,
    WireType.UINT64: 4,
    WireType.FLOAT64: 4,
}
"""How many registers of 16 bits a value takes."""


def _each(loop: Loop, path: KeyPath) -> Iterator[tuple[str, Tag, KeyPath]]:
    for role, tag in loop.tags.items():
        yield role, tag, (*path, "tags", role)


def roles_are_known(loop: Loop, path: KeyPath, site: Site) -> Iterator[Found]:
    """Every tag has a role of the table, and the flow is there."""
    for role, _, here in _each(loop, path):
        if role not in ROLES:
            yield Found(here, f"no role {role!r}", meant(role, ROLES))
    if "flow" not in loop.tags:
        yield Found(
            (*path, "tags", "flow"), "the loop has no tag `flow`, the one role that every loop needs", "add a tag `flow`"
        )


def endpoints_exist(loop: Loop, path: KeyPath, site: Site) -> Iterator[Found]:
    """Every tag names an endpoint of its own protocol."""
    for _, tag, here in _each(loop, path):
        if not isinstance(tag, ModbusTag | OpcUaTag):
            continue
        endpoint = site.endpoints.get(tag.endpoint)
        if endpoint is None:
            yield Found((*here, "endpoint"), f"there is no endpoint {tag.endpoint!r}", meant(tag.endpoint, site.endpoints))
        elif isinstance(endpoint, ModbusEndpoint) != isinstance(tag, ModbusTag):
            yield Found((*here, "endpoint"), f"the endpoint {tag.endpoint!r} speaks {endpoint.protocol}, the tag does not")


def units_fit_their_role(loop: Loop, path: KeyPath, site: Site) -> Iterator[Found]:
    """`measured_in` is a unit of what the role measures."""
    for role, tag, here in _each(loop, path):
        if not tag.measured_in or role not in ROLES:
            continue
        unit = ROLES[role].unit
        if not unit:
            yield Found((*here, "measured_in"), f"the role {role} is a bit, code or counter without a unit", "take it out")
            continue
        try:
            convert(0.0, tag.measured_in, unit)
        except ValueError as error:
            yield Found(
                (*here, "measured_in"), str(error).partition("; use one of: ")[0], "units: " + ", ".join(example_units(unit))
            )


def numbers_are_usable(loop: Loop, path: KeyPath, site: Site) -> Iterator[Found]:
    """Scale and offset give a number, a period lasts, keys that cannot act are not there."""
    for role, tag, here in _each(loop, path):
        if not math.isfinite(tag.scale) or tag.scale == 0.0:
            yield Found((*here, "scale"), f"a scale of {tag.scale:g} loses the value", "any number but 0")
        if not math.isfinite(tag.offset):
            yield Found((*here, "offset"), f"an offset of {tag.offset:g} loses the value", "any finite number")
        if tag.period is not None and not 0.0 < tag.period <= 86400.0:
            yield Found((*here, "period"), f"{tag.period:g} s is no period", "more than 0 s, at most 1 d")
        if tag.independent and role != "loop_current":
            what = f"`independent` says something about loop_current only, not about {role}"
            yield Found((*here, "independent"), what, "take it out", True)
        if isinstance(tag, ModbusTag | OpcUaTag) and tag.inverted and role in ROLES and ROLES[role].kind is not Kind.BIT:
            yield Found((*here, "inverted"), f"the role {role} is no bit and cannot be inverted", "take it out; use scale: -1")


def bits_come_from_words(loop: Loop, path: KeyPath, site: Site) -> Iterator[Found]:
    """A bit is picked from an integer; a coil is a bit already."""
    for _, tag, here in _each(loop, path):
        if not isinstance(tag, ModbusTag):
            continue
        single = tag.table in ("coil", "discrete")
        if single and tag.bit is not None:
            yield Found((*here, "bit"), f"a {tag.table} is one bit already", "take `bit` out")
        elif single and "type" in tag.model_fields_set:
            yield Found((*here, "type"), f"a {tag.table} is one bit and has no type", "take `type` out")
        elif tag.bit is not None and tag.type in (WireType.FLOAT32, WireType.FLOAT64):
            yield Found((*here, "bit"), f"a bit cannot be picked from {tag.type}", "an integer type: uint16")


def reads_fit(loop: Loop, path: KeyPath, site: Site) -> Iterator[Found]:
    """A value lies within the table, and within one request to its endpoint."""
    for _, tag, here in _each(loop, path):
        if not isinstance(tag, ModbusTag) or tag.table in ("coil", "discrete"):
            continue
        width = REGISTERS[tag.type]
        if tag.address + width > 65536:
            what = f"{tag.type} takes {width} registers, but the table ends at address 65535"
            yield Found((*here, "address"), what, f"at most {65536 - width}")
        endpoint = site.endpoints.get(tag.endpoint)
        if isinstance(endpoint, ModbusEndpoint) and width > endpoint.max_registers:
            what = f"{tag.type} takes {width} registers, but {tag.endpoint!r} reads at most {endpoint.max_registers} at once"
            yield Found((*here, "type"), what, f"max_registers: {width} or more at the endpoint")


TAG_RULES: tuple[Callable[[Loop, KeyPath, Site], Iterator[Found]], ...] = (
    roles_are_known,
    endpoints_exist,
    units_fit_their_role,
    numbers_are_usable,
    bits_come_from_words,
    reads_fit,
)


def duplicate_addresses(site: Site) -> Iterator[Found]:
    """Two tags at one address, or a number that shares registers with another, are mostly a slip of the pen."""
    seen: dict[tuple[object, ...], str] = {}
    spans: dict[tuple[object, ...], list[tuple[int, int, str, KeyPath]]] = {}
    for loop_id, loop in site.loops.items():
        for role, tag, here in _each(loop, ("loops", loop_id)):
            name = f"{loop_id}.{role}"
            if isinstance(tag, ModbusTag):
                endpoint = site.endpoints.get(tag.endpoint)
                unit = tag.unit if tag.unit is not None else getattr(endpoint, "unit", None)
                table = (tag.endpoint, unit, tag.table)
                key: tuple[object, ...] = (*table, tag.address, tag.bit)
                if tag.bit is None and tag.table in ("holding", "input"):
                    spans.setdefault(table, []).append((tag.address, tag.address + REGISTERS[tag.type], name, here))
            elif isinstance(tag, OpcUaTag):
                key = (tag.endpoint, tag.node, tag.property, tag.bit)
            else:
                continue
            if key in seen:
                yield Found(here, f"the same address is read for {seen[key]}", "check the address", True)
            seen.setdefault(key, name)
    for entries in spans.values():
        entries.sort(key=lambda entry: entry[:2])
        for before, after in itertools.pairwise(entries):
            if before[0] < after[0] < before[1]:
                what = f"address {after[0]} lies inside the value of {before[2]} ({before[0]} to {before[1] - 1})"
                yield Found((*after[3], "address"), what, "check address and type of both", True)
