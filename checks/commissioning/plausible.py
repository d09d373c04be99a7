"""Do the values of one moment fit together? Every station of the chain says a flow; the one most of them agree on is expected.

Only the present moment is judged, so the tolerance is wide: filters and polls of a second lie between the stations. Whether
the chain is true to a tenth of a per cent is for the checks, over time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from checks.commissioning.gauge import GaugeFacts
from checks.physics import T_H_PER_KG_S
from checks.signal import current_of, current_of_raw, flow_of, raw_of
from config.model import Loop
from config.nuclides import NUCLIDES

NEAR = 0.03
"""Stations of one moment agree within this [parts of the range]; own estimate for a belt that is loaded steadily."""
NEAR_REL = 0.03
LEAST_FLOW = 0.05
"""Below this part of the range the belt is as good as empty: a wrong register and a right one both show nothing."""
DECLARED = "declared in the site file"
"""Why a setting is expected."""
Values = Mapping[str, float]

LIMITS: Mapping[str, tuple[float, float, str]] = {
    "flow": (-5.0e3, 5.0e4, "t/h"),
    "plc_flow": (-5.0e3, 5.0e4, "t/h"),
    "speed": (0.0, 12.0, "m/s"),
    "load": (-20.0, 5000.0, "kg/m"),
    "count_rate": (0.0, 5.0e6, "1/s"),
    "detector_temperature": (-40.0, 90.0, "degC"),
    "cabinet_temperature": (-40.0, 90.0, "degC"),
    "ambient_temperature": (-60.0, 60.0, "degC"),
    "gauge_output": (0.0, 24.0, "mA"),
    "loop_current": (0.0, 24.0, "mA"),
    "loop_supply_voltage": (5.0, 60.0, "V"),
    "drive_speed": (0.0, 400.0, "Hz"),
    "gauge_total": (0.0, 1.0e9, "t"),
    "plc_total": (0.0, 1.0e9, "t"),
    "empty_belt_rate": (1.0, 5.0e6, "1/s"),
    "background_rate": (0.0, 1.0e5, "1/s"),
    "moisture": (0.0, 100.0, "%"),
    "gauge_uptime": (0.0, 4.3e9, "s"),
}
"""What a value can be at all, in the unit of its role. Own estimates, wide."""
SMALLEST = 1.0e-12
"""No device sends a reading that is nearer to zero and not zero; numbers that are read in a wrong order are such ones."""
MASS_NUMBERS = frozenset(nuclide.mass_number for nuclide in NUCLIDES.values())


@dataclass(frozen=True, slots=True)
class Expected:
    """What a role should show now, how far off it may be, and whence that is known."""

    value: float
    tolerance: float
    because: str

    def met_by(self, value: float) -> bool:
        """Whether a value is near enough; NaN is not."""
        return abs(value - self.value) <= self.tolerance


@dataclass(frozen=True, slots=True)
class Oddity:
    """Why a value cannot be right, and what would be expected (None: only a limit is known)."""

    what: str
    expected: Expected | None


def implied_flows(loop: Loop, values: Values, facts: GaugeFacts | None = None) -> dict[str, float]:
    """The flow that each station of the chain says [t/h], by the name of the station; what is not read is left out."""
    get = _getter(values)
    out = {
        "flow": get("flow"),
        "load and speed": T_H_PER_KG_S * get("load") * get("speed"),
        "gauge_output": flow_of(get("gauge_output"), loop.gauge.range),
        "loop_current": flow_of(get("loop_current"), loop.gauge.range),
        "ai_raw": flow_of(current_of_raw(get("ai_raw"), loop.plc.raw_span), loop.gauge.range),
        "plc_flow": get("plc_flow"),
        "count_rate": _from_counts(facts, get("count_rate")),
    }
    return {name: flow for name, flow in out.items() if math.isfinite(flow)}


def agreed_flow(loop: Loop, values: Values, facts: GaugeFacts | None = None) -> tuple[float, tuple[str, ...]] | None:
    """The flow that most stations say [t/h], and which they are; None where no two agree or the belt is as good as empty."""
    flows = implied_flows(loop, values, facts)
    span = loop.gauge.range.high - loop.gauge.range.low
    best: tuple[str, ...] = ()
    for flow in flows.values():
        near = tuple(name for name, other in flows.items() if abs(other - flow) <= NEAR * span + NEAR_REL * abs(flow))
        if len(near) > len(best):
            best = near
    if len(best) < 2:
        return None
    middle = sorted(flows[name] for name in best)[len(best) // 2]
    return (middle, best) if abs(middle - loop.gauge.range.low) >= LEAST_FLOW * span else None


def expectations(loop: Loop, values: Values, facts: GaugeFacts | None = None) -> dict[str, Expected]:
    """What each role of the chain should show, given the others."""
    out: dict[str, Expected] = {}
    agreed = agreed_flow(loop, values, facts)
    if agreed is not None:
        out |= _of_flow(loop, values, facts, *agreed)
    drive = values.get("drive_speed", math.nan)
    if loop.drive.speed_at_nominal is not None and drive > 1.0:
        speed = drive / loop.drive.nominal_frequency * loop.drive.speed_at_nominal
        out.setdefault("speed", Expected(speed, 0.05 * speed, "from the drive"))
    for role, declared in (
        ("gauge_range_low", loop.gauge.range.low), ("gauge_range_high", loop.gauge.range.high),
        ("plc_range_low", loop.plc.range.low), ("plc_range_high", loop.plc.range.high),
        ("empty_belt_rate", loop.gauge.empty_belt_rate), ("background_rate", loop.gauge.background),
    ):  # fmt: skip
        if declared is not None:
            out[role] = Expected(declared, 0.3 * abs(declared) + 1e-9, DECLARED)
    return out


def oddity(role: str, value: float, expected: Expected | None) -> Oddity | None:
    """Why a value cannot be right; None where nothing speaks against it."""
    if not math.isfinite(value):
        return Oddity("is no number", expected)
    if role == "nuclide_code" and value not in MASS_NUMBERS:
        return Oddity(f"{value:g} is no mass number of a gauge source", None)
    if 0.0 < abs(value) < SMALLEST:
        return Oddity(f"{value:.3g} is too near to zero for a reading that is not zero", expected)
    if role in LIMITS:
        low, high, unit = LIMITS[role]
        if not low <= value <= high:
            return Oddity(f"{value:.6g} {unit} cannot be (from {low:g} to {high:g} {unit})", expected)
    if expected is not None and not expected.met_by(value):
        return Oddity(f"{value:.6g} where {expected.value:.6g} is expected {expected.because}", expected)
    return None


def _of_flow(
    loop: Loop, values: Values, facts: GaugeFacts | None, flow: float, stations: tuple[str, ...]
) -> dict[str, Expected]:
    """What the roles of the chain show at a flow."""
    because = f"from {', '.join(stations)}"
    span = loop.gauge.range.high - loop.gauge.range.low
    spread = NEAR * span + NEAR_REL * abs(flow)
    current = current_of(flow, loop.gauge.range)
    ma = 16.0 * spread / span
    out = {
        "flow": Expected(flow, spread, because),
        "plc_flow": Expected(flow, spread, because),
        "gauge_output": Expected(current, ma, because),
        "loop_current": Expected(current, ma, because),
        "ai_raw": Expected(
            raw_of(current, loop.plc.raw_span), abs(loop.plc.raw_span.high - loop.plc.raw_span.low) * ma / 16.0, because
        ),
    }
    get = _getter(values)
    load, speed = get("load"), get("speed")
    if 0.0 < speed <= LIMITS["speed"][1]:
        wanted = flow / (T_H_PER_KG_S * speed)
        out["load"] = Expected(wanted, wanted * spread / abs(flow), f"{because} and the speed")
    if load > 0.0 and not _speed_speaks(loop, values):
        wanted = flow / (T_H_PER_KG_S * load)
        out["speed"] = Expected(wanted, wanted * spread / abs(flow), f"{because} and the load")
    if facts is not None:
        rate = facts.shown(flow)
        out["count_rate"] = Expected(rate, 0.2 * rate, f"{because} and the empty-belt rate")
    return out


def _speed_speaks(loop: Loop, values: Values) -> bool:
    """Whether the drive says how fast the belt is."""
    return loop.drive.speed_at_nominal is not None and values.get("drive_speed", math.nan) > 1.0


def _from_counts(facts: GaugeFacts | None, rate: float) -> float:
    if facts is None or not rate > 0.0:
        return math.nan
    net = rate / (1.0 - min(rate * facts.dead_time, 0.9)) - facts.background
    return facts.t_h_per_attenuation * math.log(facts.net_empty / net) if net > 0.0 else math.nan


def _getter(values: Values) -> Callable[[str], float]:
    return lambda role: values.get(role, math.nan)
