"""What was answered for a site file, and the commented file that it makes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.commissioning.paste import tag_lines
from collector.commissioning.questions import (
    DRIVE,
    GAUGE,
    GAUGE_TAGS,
    MEASURED,
    PLC,
    PLC_TAGS,
    SITE,
    TAG_COMMENTS,
    YES,
    Ask,
    scalar,
)
from collector.commissioning.tag_words import Value, read_tag
from config.errors import TallywireError
from config.roles import ROLES, Kind, Side

MASS_OF = {"short_ton/h": "short_ton", "long_ton/h": "long_ton", "lb/h": "lb", "lb/min": "lb"}
"""The mass that a total is most likely in, by the unit of the flow beside it; common practice, no source."""


@dataclass(slots=True)
class LoopAnswers:
    """What was answered for one loop. `tags` by role as it was said; `devices` says from which the gauge's and the PLC's are read."""

    name: str = ""
    gauge: dict[str, str] = field(default_factory=dict)
    plc: dict[str, str] = field(default_factory=dict)
    drive: dict[str, str] = field(default_factory=dict)
    devices: dict[str, str] = field(default_factory=dict)
    tags: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class SiteAnswers:
    """What was answered for the site; `endpoints` by name."""

    site: dict[str, str] = field(default_factory=dict)
    endpoints: dict[str, dict[str, str]] = field(default_factory=dict)
    loops: list[LoopAnswers] = field(default_factory=list)


SIDES: Mapping[str, Sequence[str]] = {"gauge": GAUGE_TAGS, "PLC": PLC_TAGS}
"""Roles that are asked for, by whose values they are."""
BESIDES: Mapping[str, Sequence[str]] = {
    "gauge": [role for role, item in ROLES.items() if item.side is Side.GAUGE and role not in GAUGE_TAGS],
    "PLC": [role for role, item in ROLES.items() if item.side is not Side.GAUGE and role not in PLC_TAGS],
}
"""The other roles, which are kept where a device is found to have them."""


def roles_of(whose: str) -> list[str]:
    """Every role of a side, those that are asked for first."""
    return [*SIDES[whose], *BESIDES[whose]]


def usual_device(found: SiteAnswers, whose: str) -> str:
    """The device that the values of the gauge or the PLC are likely read from: OPC UA for the PLC."""
    names = list(found.endpoints)
    fitting = (name for name, item in found.endpoints.items() if (item["protocol"] == "opcua") == (whose == "PLC"))
    return next(fitting, names[0] if names else "")


def left_out(found: SiteAnswers) -> list[str]:
    """Tags that are not in the file because their device is gone, told by loop."""
    said = []
    for loop in found.loops:
        for whose in SIDES:
            device, lost = loop.devices.get(whose, ""), [role for role in roles_of(whose) if role in loop.tags]
            if lost and device not in found.endpoints:
                said.append(
                    f"{loop.name}: {device} is gone, so {', '.join(lost)} are left out. Add it again, or answer the tags anew"
                )
    return said


def site_text(found: SiteAnswers) -> str:
    """The commented site file of the answers."""
    lines = [
        "# Site file, begun by `tallywire init`. Next: tallywire validate, then tallywire survey with load on the belt.",
        "# A quantity is one text with number and unit. Passwords never stand here. Tallywire only reads.",
        "",
        "schema: 1",
        *_keys(SITE, found.site, ""),
        "# ledger: ledger.yaml                 # material tests, tares and span runs by hand: only they can prove the weight",
        "",
        "endpoints:",
    ]
    for name, item in found.endpoints.items():
        lines += [
            f"  {scalar(name)}:",
            *(f"    {key}: {value if value.isdigit() else scalar(value)}" for key, value in item.items()),
        ]
    lines += ["", "loops:"]
    for loop in found.loops:
        lines += [f"  {scalar(loop.name)}:", *_gauge(loop), *_plc(loop), *_drive(loop), "    tags:", *_tags(found, loop)]
    return "\n".join(lines) + "\n"


def _gauge(loop: LoopAnswers) -> list[str]:
    said = dict(loop.gauge)
    lines = [
        "    gauge:",
        f"      range: {{low: {said.pop('low', '0 t/h')}, high: {said.pop('high', '')}}}   # at 4 mA and at 20 mA",
    ]
    speed = said.pop("belt_speed", MEASURED)
    lines += (
        [f"      speed_source: {MEASURED}"]
        if speed == MEASURED
        else ["      speed_source: fixed", f"      fixed_speed: {speed}"]
    )
    activity, day = said.pop("activity", ""), said.pop("activity_date", "")
    filtered = said.pop("counts_filtered", YES) == YES
    lines += _keys(GAUGE, said, "      ")
    lines.append(f"      counts_filtered: {'true' if filtered else 'false'}   # whether the damping acts on the count rate too")
    if activity:
        lines += ["      source:   # as its papers name it, for reminders", f"        activity: {activity}"]
        lines.append(f"        activity_date: {day}")
    return lines


def _plc(loop: LoopAnswers) -> list[str]:
    said = dict(loop.plc)
    return [
        "    plc:",
        f"      range: {{low: {said.pop('low', '0 t/h')}, high: {said.pop('high', '')}}}   # at 4 mA and at 20 mA",
        f"      raw_span: {{low: {said.pop('raw_low', '0')}, high: {said.pop('raw_high', '27648')}}}",
        *_keys(PLC, said, "      "),
    ]


def _drive(loop: LoopAnswers) -> list[str]:
    said = dict(loop.drive)
    lines = ["      variable: true"] if said.pop("variable", "") == YES else []
    lines += _keys(DRIVE, said, "      ")
    return ["    drive:", *lines] if lines else []


def _tags(found: SiteAnswers, loop: LoopAnswers) -> list[str]:
    lines = []
    for whose in SIDES:
        device = loop.devices.get(whose, "")
        protocol = found.endpoints.get(device, {}).get("protocol", "")
        for role in roles_of(whose):
            fields = tag_of(loop, role, device, protocol)
            if fields is None:
                continue
            lines += [f"      # {TAG_COMMENTS[role]}"] if role in TAG_COMMENTS else []
            lines += tag_lines(role, fields)
    return lines


def tag_of(loop: LoopAnswers, role: str, device: str, protocol: str) -> dict[str, Value] | None:
    """The keys of a tag in the file, with the unit of the range where none was said; None where it is not read or cannot be."""
    if role not in loop.tags or not protocol:
        return None
    try:
        fields = read_tag(loop.tags[role], device, protocol)
    except TallywireError:
        return None
    unit = usual_unit(loop, role)
    return (
        {**fields, "measured_in": unit}
        if unit and "measured_in" not in fields and fields.get("property") != "EngineeringUnits"
        else fields
    )


def usual_unit(loop: LoopAnswers, role: str) -> str:
    """The unit of a flow or total of the PLC where nobody says another: that of its range; empty: the unit of the role.

    A gauge often shows its values in other units than those of its range: for it nothing is taken for granted.
    """
    if ROLES[role].side is Side.GAUGE:
        return ""
    said = re.sub(r"^[-+0-9.eE\s]+", "", loop.plc.get("high", ""))
    if ROLES[role].unit == "t/h":
        return said if said != "t/h" else ""
    return MASS_OF.get(said, "") if ROLES[role].kind is Kind.TOTAL else ""


def _keys(asks: Sequence[Ask], said: Mapping[str, str], indent: str) -> list[str]:
    comments = {ask.key: ask.comment for ask in asks}
    out = []
    for key, value in said.items():
        comment = comments.get(key, "")
        text = scalar(value)
        out.append(f"{indent}{key}: {text}{f'   # {comment}' if comment else ''}")
    return out
