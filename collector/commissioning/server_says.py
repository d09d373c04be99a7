"""What an OPC UA server says of its own nodes, held against the site file: unit, range, and what could be read back all the time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from collector.commissioning.paste import tag_lines
from collector.commissioning.surveyed import Surveyed
from config.model import FlowRange, Loop, OpcUaTag, RawSpan, Site
from config.roles import ROLES
from config.units import convert, known_unit, unece_unit_id

ALIKE = 0.0005
"""Two ends are alike within this part of the span: rounding of a unit, as in the check `setup`."""
SETTING_PERIOD = "60 s"
INDENT = 6
READ_BACK = ("plc_range_low", "plc_range_high", "plc_unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """Something that a server says of a tag: in words, the lines of the site file, and whether it contradicts the site file."""

    loop: str
    role: str
    what: str
    lines: tuple[str, ...]
    wrong: bool


def hints(site: Site, found: Sequence[Surveyed]) -> list[Hint]:
    """What contradicts the site file first, then what could be read back."""
    out = [
        hint for item in found if isinstance(item.tag, OpcUaTag) and not item.tag.property for hint in _of(site, item, item.tag)
    ]
    return sorted(out, key=lambda hint: not hint.wrong)


def _of(site: Site, item: Surveyed, tag: OpcUaTag) -> Iterator[Hint]:
    loop, unit = site.loops[item.loop], ROLES[item.role].unit
    declared = tag.measured_in or unit
    said = item.said_unit if known_unit(item.said_unit) and unit else ""
    if said and not _same(said, declared):
        what = f"the server says it is in {said}, the site file says {declared}"
        if item.expected is not None and not item.odd:
            what += (
                "; the value fits the site file, so the unit in the server may be the wrong one: look at the screen of the PLC"
            )
        yield Hint(loop=item.loop, role=item.role, what=what, lines=(f"{item.role}: {{measured_in: {said}}}",), wrong=True)
    if usable(item.said_range):
        assert item.said_range is not None
        yield from _of_range(item, loop, item.said_range, said or declared)
    if item.role == "plc_flow":
        yield from _to_read_back(item, tag, loop, said or declared)


def _of_range(item: Surveyed, loop: Loop, ends: tuple[float, float], unit: str) -> Iterator[Hint]:
    if item.role in ("plc_flow", "flow"):
        side = "plc" if item.role == "plc_flow" else "gauge"
        declared: FlowRange | RawSpan = loop.plc.range if side == "plc" else loop.gauge.range
        said = (convert(ends[0], unit, "t/h"), convert(ends[1], unit, "t/h"))
        lines = (f"{side}:", f"  range: {{low: {ends[0]:.6g} {unit}, high: {ends[1]:.6g} {unit}}}")
        shown = f"{_ends(ends)} {unit}" + (f" ({_ends(said)} t/h)" if unit != "t/h" else "")
        words = f"{_ends((declared.low, declared.high))} t/h"
    elif item.role == "ai_raw":
        declared, said = loop.plc.raw_span, ends
        lines = ("plc:", f"  raw_span: {{low: {ends[0]:g}, high: {ends[1]:g}}}")
        shown, words = _ends(ends), _ends((declared.low, declared.high))
    else:
        return
    span = abs(declared.high - declared.low)
    if max(abs(said[0] - declared.low), abs(said[1] - declared.high)) > ALIKE * span:
        what = f"the server says its range is {shown}, the site file says {words}"
        yield Hint(loop=item.loop, role=item.role, what=what, lines=lines, wrong=True)


def _to_read_back(item: Surveyed, tag: OpcUaTag, loop: Loop, unit: str) -> Iterator[Hint]:
    measured = {"measured_in": unit} if unit != ROLES["plc_flow"].unit else {}
    lacking = []
    for role in READ_BACK:
        of_unit = role == "plc_unit"
        if role in loop.tags or (of_unit and not item.said_unit) or (not of_unit and not usable(item.said_range)):
            continue
        part = "EngineeringUnits" if of_unit else f"EURange.{role.rpartition('_')[2]}"
        fields = {
            "endpoint": tag.endpoint,
            "node": tag.node,
            "property": part,
            **({} if of_unit else measured),
            "period": SETTING_PERIOD,
        }
        lacking += [line[INDENT:] for line in tag_lines(role, fields, INDENT)]
    if lacking:
        what = "the server tells range or unit of the flow: read them back, and the check `setup` sees every change"
        yield Hint(loop=item.loop, role=item.role, what=what, lines=tuple(lacking), wrong=False)


def _same(unit: str, other: str) -> bool:
    if unit == other:
        return True
    first, second = unece_unit_id(unit), unece_unit_id(other)
    return first is not None and first == second


def usable(ends: tuple[float, float] | None) -> bool:
    """A range that somebody has set: two different numbers."""
    return ends is not None and all(map(math.isfinite, ends)) and ends[0] < ends[1]


def _ends(ends: tuple[float, float]) -> str:
    return f"{ends[0]:.6g} to {ends[1]:.6g}"
