"""A survey for a terminal of 80 columns: what is odd first, then every tag."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from collector.commissioning.survey import Survey
from collector.commissioning.surveyed import Surveyed
from collector.replay.text import WIDTH, wrapped
from config.cautions import caution_text
from config.model import ModbusTag, OpcUaTag
from config.roles import ROLES, Kind

OLD_S = 10.0
"""A time stamp that lies further from the moment of its reading is told. Settings stand still and keep theirs."""


def text(found: Survey, *, now: float, raw: bool = False) -> str:
    """The survey; with `raw` the registers of every Modbus tag in all orders stand below it."""
    lines = wrapped(
        f"Survey of {found.site}, {_when(now)}, {len(found.tags)} tags, {found.requests} Modbus requests; nothing was written"
    )
    for name, reason in found.failures.items():
        lines += wrapped(f"endpoint {name}: {reason}", first="! ", rest="  ")
    for loop, agreed in found.agreed.items():
        if agreed is None:
            lines += wrapped(
                f"{loop}: no two stations of the chain show the same flow, or the belt is empty: registers cannot be told apart then. "
                "Survey again with load on the belt.", first="! ", rest="  ",
            )  # fmt: skip
        else:
            lines += wrapped(f"{loop}: {agreed[0]:,.4g} t/h now, by {', '.join(agreed[1])}")
    lines += ["", *_odd(found), *_hints(found)]
    for loop in dict.fromkeys(item.loop for item in found.tags):
        lines += ["", loop, f"{'':2}{'tag':<22}{'value':>13} {'unit':<6} {'quality':<10}from", "-" * WIDTH]
        for item in found.tags:
            if item.loop == loop:
                lines += _tag(item, raw)
    if found.odd:
        lines += ["", *caution_text(WIDTH).splitlines()]
    return "\n".join(lines) + "\n"


def _odd(found: Survey) -> list[str]:
    if not found.odd:
        return ["Nothing speaks against any tag that was read."]
    lines = [f"{len(found.odd)} tag{'s' if len(found.odd) > 1 else ''} cannot be right:"]
    for item in found.odd:
        lines += wrapped(f"{item.loop} {item.role}: {item.odd}", first="! ", rest="  ")
        if not item.suggestions:
            lines += wrapped(what_now(item), first="    ", rest="    ")
        for place, suggestion in enumerate(item.suggestions):
            lead = "in the site file" if not place else "or"
            lines += wrapped(
                f"{lead}: {item.role}: {{{suggestion.words()}}} gives {suggestion.value:.6g} {ROLES[item.role].unit}",
                first="    ",
                rest="    ",
            )
    return lines


def _hints(found: Survey) -> list[str]:
    """What the servers say of their own nodes; what several say alike is told once for each loop."""
    lines: list[str] = []
    for wrong, head in (
        (True, "What the servers say differs from the site file:"),
        (False, "What the servers could tell all the time:"),
    ):
        mine = [hint for hint in found.hints if hint.wrong is wrong]
        lines += ["", head] if mine else []
        for hint in mine:
            lines += wrapped(f"{hint.loop} {hint.role}: {hint.what}", first="! " if wrong else "  ", rest="  ")
            lines += [f"      {line}" for line in hint.lines]
    return lines


def what_now(item: Surveyed) -> str:
    """What to do about a tag that cannot be right and for which nothing is suggested."""
    if item.reading.quality == 2 and not item.reading.raw:
        return "compare address and table with the device's list of registers, and try `tallywire locate`"
    return "no other order, neighbour or unit gives what is expected: read the value on the device, and try `tallywire locate`"


def _tag(item: Surveyed, raw: bool) -> list[str]:
    value = number(item.value)
    quality = {0: "good", 1: "uncertain"}.get(item.reading.quality, item.reading.reason[:10] or "bad")
    mark = "! " if item.odd else "  "
    head, where = f"{mark}{item.role:<22}{value:>13} {ROLES[item.role].unit:<6} {quality:<10}", where_of(item)
    fits = len(head) + len(where) <= WIDTH
    lines = [head + where] if fits else [head.rstrip(), *wrapped(where, first="      ", rest="      ")]
    lines[0] = lines[0].rstrip()
    age = 0.0 if item.reading.source_time is None else item.reading.receive_time - item.reading.source_time
    if abs(age) > OLD_S and ROLES[item.role].kind is not Kind.SETTING:
        said = f"its time stamp is {age:,.0f} s old" if age > 0 else f"its time stamp is {-age:,.0f} s ahead of our clock"
        lines += wrapped(said, first="      ", rest="      ")
    if item.said_unit and item.said_unit != (getattr(item.tag, "measured_in", "") or ROLES[item.role].unit):
        lines += wrapped(f"the server says it is in {item.said_unit}", first="      ", rest="      ")
    if item.said_range is not None and (raw or item.odd):
        lines += wrapped(
            f"the server says its range is {item.said_range[0]:g} to {item.said_range[1]:g}", first="      ", rest="      "
        )
    if isinstance(item.tag, ModbusTag) and (raw or item.odd) and item.registers:
        words = " ".join(f"{address}:{word:04x}" for address, word in sorted(item.registers.items()))
        lines += wrapped(f"registers {words}", first="      ", rest="      ")
        orders = "  ".join(f"{order} {number:.6g}" for order, number in item.orders().items())
        lines += wrapped(orders, first="      ", rest="      ")
    return lines


def number(value: float) -> str:
    """A value as it is shown in a list, `-` where there is none."""
    if math.isnan(value):
        return "-"
    return f"{value:,.0f}" if value == round(value) and abs(value) < 1e12 else f"{value:,.6g}"


def where_of(item: Surveyed) -> str:
    """Where a tag is read, in a few words."""
    if isinstance(item.tag, ModbusTag):
        bit = f" bit {item.tag.bit}" if item.tag.bit is not None else ""
        return f"{item.tag.endpoint} {item.tag.table} {item.tag.address}{bit}"
    return f"{item.tag.endpoint} {item.tag.node}" if isinstance(item.tag, OpcUaTag) else ""


def _when(time: float) -> str:
    return datetime.fromtimestamp(time, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
