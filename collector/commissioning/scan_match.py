"""Which registers of a scan read as something that the site knows, and how they would be declared."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from checks.commissioning.coherent import coherent
from checks.commissioning.guess import Known
from checks.commissioning.plausible import DECLARED, Expected, oddity
from collector.commissioning.decodings import WIDTHS, Decoding, all_decodings
from collector.commissioning.locate import FLOATS, SCALES
from collector.commissioning.paste import Fields
from collector.commissioning.registers import runs
from collector.commissioning.scan import Scanned
from config.model import ByteOrder, Loop, WireType
from config.nuclides import nuclide
from config.roles import ROLES
from config.units import convert, example_units

KINDS = (WireType.FLOAT32, WireType.INT16, WireType.UINT16, WireType.INT32, WireType.UINT32)
SANE = (1e-3, 1e7)
"""A float beyond this is no value of a plant; own estimate."""
SAME = 0.015
EXACT = 1e-5
"""A setting that is declared as it is set is met to the digits of a float [parts]."""
ROUNDED = 1e-3
MOST = 3
"""So many places are told for a role."""
BY_PHYSICS = "flow = 3.6 x load x speed among these registers"


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A place that reads as a role of a loop should: how it is decoded, the value in the unit of the role, and why that fits."""

    loop: str
    role: str
    address: int
    type: WireType
    order: ByteOrder
    scale: float = 1.0
    measured_in: str = ""
    value: float
    off: float
    because: str

    def plainness(self, usual: ByteOrder) -> tuple[bool, int, float]:
        """The smaller the likelier: by physics, a float, in the `usual` order of the device, few changes, near."""
        changes = (self.order is not usual) + (self.scale != 1.0) * 2 + bool(self.measured_in) * 2
        return self.because != BY_PHYSICS, changes + (0 if self.type in FLOATS else 1) + (self.off > EXACT), self.off

    def fields(self, found: Scanned, unit: int) -> Fields:
        """The tag as a site file writes it; `unit` is that of the endpoint."""
        out: dict[str, str | int | float | bool] = {
            "endpoint": found.endpoint,
            "table": found.table,
            "address": self.address,
            "type": self.type.value,
        }
        if self.order is not ByteOrder.ABCD:
            out["order"] = self.order.value
        if self.scale != 1.0:
            out["scale"] = self.scale
        if self.measured_in:
            out["measured_in"] = self.measured_in
        if found.unit != unit:
            out["unit"] = found.unit
        return out


def matches(found: Scanned, known: Mapping[str, Known]) -> list[Match]:
    """What fits, at most three places a role, the likeliest first; a place that a likelier role has is not told again.

    A role whose expected value is zero is not looked for: every register that holds nothing shows it. Nor is one that the loop reads from
    another endpoint.
    """
    out: list[Match] = []
    ways = [(start, way) for start, words in runs(found.words) for way in all_decodings(words, KINDS)]
    for loop_id, item in known.items():
        mine = [*_by_physics(ways, loop_id, item.loop), *_by_value(ways, loop_id, item), *_codes(ways, loop_id, item.loop)]
        elsewhere = {role for role, tag in item.loop.tags.items() if getattr(tag, "endpoint", found.endpoint) != found.endpoint}
        out += _best([match for match in mine if match.role not in elsewhere])
    return out


def _by_value(ways: list[tuple[int, Decoding]], loop_id: str, known: Known) -> list[Match]:
    wanted = {**_declared(known.loop), **known.expected}
    out = []
    for role, expected in wanted.items():
        if not expected.value or not math.isfinite(expected.value):
            continue
        for start, way in ways:
            if way.type in FLOATS and not SANE[0] <= abs(way.number) <= SANE[1]:
                continue
            for scale, unit, value in _readings(way, role):
                off = abs(value - expected.value) / abs(expected.value)
                rough = scale != 1.0 and abs(way.number) < 200.0
                if not rough and off <= _within(expected, scale, unit) and oddity(role, value, None) is None:
                    out.append(
                        Match(
                            loop=loop_id, role=role, address=start + way.at, type=way.type, order=way.order, scale=scale,
                            measured_in=unit, value=value, off=off, because=f"{expected.value:.6g} is expected {expected.because}",
                        )
                    )  # fmt: skip
    return out


def _within(expected: Expected, scale: float, unit: str) -> float:
    """The more freely a value is read, the nearer it must lie."""
    given = expected.tolerance / abs(expected.value)
    free = scale != 1.0 or bool(unit)
    if expected.because == DECLARED:
        return ROUNDED if free else SAME
    return min(given, SAME) if free else given


def _readings(way: Decoding, role: str) -> list[tuple[float, str, float]]:
    """Scale, unit (empty: that of the role) and value of the ways to take a number: as it is, in another unit, or as a scaled integer."""
    canonical = ROLES[role].unit
    if way.type not in FLOATS:
        return [(scale, "", way.number * scale) for scale in SCALES]
    units = [unit for unit in example_units(canonical) if unit != canonical] if canonical else []
    return [(1.0, "", way.number), *((1.0, unit, convert(way.number, unit, canonical)) for unit in units)]


def _declared(loop: Loop) -> dict[str, Expected]:
    """What the site file itself says of a gauge: settings that a device shows, wherever its values are."""
    speed = loop.drive.speed_at_nominal if loop.gauge.fixed_speed is None else loop.gauge.fixed_speed
    if speed is None or loop.drive.variable:
        return {}
    return {"speed": Expected(speed, 0.05 * speed, "by the declared speed")}


def _codes(ways: list[tuple[int, Decoding]], loop_id: str, loop: Loop) -> list[Match]:
    """The mass number of the declared nuclide, as a plain integer of one register."""
    mass = float(nuclide(loop.gauge.nuclide).mass_number)
    return [
        Match(
            loop=loop_id, role="nuclide_code", address=start + way.at, type=way.type, order=way.order, value=mass, off=0.0,
            because=f"{loop.gauge.nuclide} is declared",
        )
        for start, way in ways
        if way.type is WireType.UINT16 and way.order is ByteOrder.ABCD and way.number == mass
    ]  # fmt: skip


def _by_physics(ways: list[tuple[int, Decoding]], loop_id: str, loop: Loop) -> list[Match]:
    """Floats of one order that obey the law of the belt: of the order in which they obey it best.

    Read one register too far and with its words swapped, a float keeps its upper half: it nearly fits, but not as truly.
    """
    best: tuple[tuple[int, float], list[Match]] | None = None
    for order in ByteOrder:
        mine = [
            (start, way)
            for start, way in ways
            if way.order is order and way.type in FLOATS and SANE[0] <= way.number <= SANE[1]
        ]
        for item in coherent([way.number for _, way in mine], loop)[:1]:
            rank = (-len(item.places), item.off)
            if best is None or rank < best[0]:
                best = rank, [
                    Match(
                        loop=loop_id, role=role, address=mine[at][0] + mine[at][1].at, type=mine[at][1].type, order=order,
                        value=mine[at][1].number, off=0.0, because=BY_PHYSICS,
                    )
                    for role, at in item.places.items()
                ]  # fmt: skip
    return [] if best is None else best[1]


def _best(mine: list[Match]) -> list[Match]:
    """The likeliest places of each role; a place goes to the role that it fits best."""
    usual = _usual_order(mine)
    taken: set[int] = set()
    out: list[Match] = []
    for match in sorted(mine, key=lambda item: item.plainness(usual)):
        places = set(range(match.address, match.address + WIDTHS[match.type]))
        same = [item for item in out if item.role == match.role]
        sure = any(item.plainness(usual)[1] == 0 for item in same)
        if places & taken or len(same) >= MOST or (sure and match.plainness(usual)[1] > 0):
            continue
        taken |= places
        out.append(match)
    order = list(ROLES)
    return sorted(out, key=lambda item: (order.index(item.role), item.plainness(usual)))


def _usual_order(mine: list[Match]) -> ByteOrder:
    """The order of the device: that of what obeys physics, else that in which most settings are met exactly."""
    for match in mine:
        if match.because == BY_PHYSICS:
            return match.order
    exact = Counter(match.order for match in mine if match.type in FLOATS and match.off <= EXACT)
    return exact.most_common(1)[0][0] if exact else ByteOrder.ABCD
