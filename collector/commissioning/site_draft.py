"""What was answered for a site file, and the commented file that it makes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.commissioning.questions import DRIVE, GAUGE, GAUGE_TAGS, PLC, PLC_TAGS, SITE, TAG_COMMENTS, Ask, scalar, tag_line


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
"""Roles by whose values they are."""


def usual_device(found: SiteAnswers, whose: str) -> str:
    """The device that the values of the gauge or the PLC are likely read from: OPC UA for the PLC."""
    names = list(found.endpoints)
    fitting = (name for name, item in found.endpoints.items() if (item["protocol"] == "opcua") == (whose == "PLC"))
    return next(fitting, names[0] if names else "")


def left_out(found: SiteAnswers) -> list[str]:
    """Tags that are not in the file because their device is gone, told by loop."""
    said = []
    for loop in found.loops:
        for whose, roles in SIDES.items():
            device, lost = loop.devices.get(whose, ""), [role for role in roles if role in loop.tags]
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
        gauge, plc = dict(loop.gauge), dict(loop.plc)
        lines += [
            f"  {scalar(loop.name)}:",
            "    gauge:",
            f"      range: {{low: {gauge.pop('low', '0 t/h')}, high: {gauge.pop('high', '')}}}   # at 4 mA and at 20 mA",
        ]
        lines += _keys(GAUGE, gauge, "      ")
        lines += [
            "    plc:",
            f"      range: {{low: {plc.pop('low', '0 t/h')}, high: {plc.pop('high', '')}}}   # at 4 mA and at 20 mA",
        ]
        lines.append(f"      raw_span: {{low: {plc.pop('raw_low', '0')}, high: {plc.pop('raw_high', '27648')}}}")
        lines += _keys(PLC, plc, "      ")
        lines += ["    drive:", *_keys(DRIVE, loop.drive, "      ")] if loop.drive else []
        lines += ["    tags:", *_tags(found, loop)]
    return "\n".join(lines) + "\n"


def _tags(found: SiteAnswers, loop: LoopAnswers) -> list[str]:
    lines = []
    for whose, roles in SIDES.items():
        device = loop.devices.get(whose, "")
        protocol = found.endpoints.get(device, {}).get("protocol", "")
        for role in roles:
            line = tag_line(loop.tags[role], device, protocol) if role in loop.tags else None
            if line is not None:
                comment = f"   # {TAG_COMMENTS[role]}" if role in TAG_COMMENTS else ""
                lines.append(f"      {role}: {line}{comment}")
    return lines


def _keys(asks: Sequence[Ask], said: Mapping[str, str], indent: str) -> list[str]:
    comments = {ask.key: ask.comment for ask in asks}
    out = []
    for key, value in said.items():
        comment = comments.get(key, "")
        text = scalar(value)
        out.append(f"{indent}{key}: {text}{f'   # {comment}' if comment else ''}")
    return out
