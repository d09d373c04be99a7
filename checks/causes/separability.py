"""Which tags part which causes: data. A pair that looks alike, and the sets of roles any of which tells the two apart.

`BY_DATA` needs no tag beyond those the causes have: load, time or a constant of the trade part them. `BY_HAND` is parted by
somebody who goes and looks. `loop_current` counts only where it is independent of the input card, `references` stands for
material tests in the ledger and `varied-speed` for a belt that is run at several speeds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from checks.causes import registry

Roles = frozenset[str]
BY_DATA: tuple[Roles, ...] = (frozenset(),)
BY_HAND: tuple[Roles, ...] = ()
REFERENCES = "references"
"""Stands for material tests in the ledger among the roles."""
VARIED = "varied-speed"
"""Stands for a belt that is run at several speeds: at one speed load and flow are the same signal."""
DECLARED = (REFERENCES, VARIED)
"""What parts causes and is no tag: it stands in the site file."""


def any_of(*sets: str) -> tuple[Roles, ...]:
    """Sets of roles, each written as names with `+` between them."""
    return tuple(frozenset(one.split("+")) for one in sets)


@dataclass(frozen=True, slots=True)
class Rule:
    """Every pair of one cause of `these` and one of `those`, and what parts it."""

    these: tuple[str, ...]
    those: tuple[str, ...]
    by: tuple[Roles, ...]


WIRE = ("output-trim", "current-leak", "current-leak-in", "current-offset")
BLOCK = ("ton-unit", "raw-span")
RANGES = ("upper-range", "lower-range")
OF_COUNTS = (
    "stale-tare", "build-up", "wet-belt", "detector-drift", "shutter-part-open", "source-changed", "background", "neighbour-source",
)  # fmt: skip
"""What moves the counts of the empty belt."""
OF_TARE = ("tare-loaded", "tare-standing", "nuclide-or-clock", "decay-off", "decay-double", "auto-zero-creep")
"""What moves the gauge's idea of the empty belt."""
BOTH_RANGES = "gauge_range_high+plc_range_high"

RULES: tuple[Rule, ...] = (
    # along the path from the gauge's output to the scaling block
    Rule(("time-base",), (*WIRE, *RANGES, "raw-span"), BY_DATA),
    Rule(("live-zero-mix",), WIRE, BY_DATA),
    Rule(("ton-unit",), ("current-leak", "current-leak-in", "current-offset", "lower-range"), BY_DATA),
    Rule(WIRE, BLOCK, any_of("ai_raw", "loop_current")),
    Rule(("output-trim",), ("upper-range",), any_of("gauge_output+ai_raw", "gauge_output+loop_current", BOTH_RANGES)),
    Rule(WIRE, RANGES, BY_DATA),
    Rule(("upper-range",), ("raw-span",), any_of("plc_range_high")),
    Rule(("lower-range",), ("raw-span",), any_of("plc_range_low")),
    Rule(("upper-range",), ("ton-unit",), any_of(BOTH_RANGES, "plc_unit")),
    Rule(("upper-range",), ("lower-range", "undocumented-change", "extra-filter"), BY_DATA),
    Rule(("lower-range",), ("live-zero-mix", "stale-tare"), BY_DATA),
    Rule(("double-scaling",), ("live-zero-mix", "upper-range", "lower-range", "raw-span"), any_of("plc_total", "plc_range_low+plc_range_high")),
    Rule(("raw-span",), ("live-zero-mix", "square-root"), BY_DATA),
    Rule(("raw-span",), ("ton-unit",), any_of("plc_unit", "plc_range_low+plc_range_high")),
    Rule(("output-trim",), ("current-leak",), BY_DATA),
    Rule(("output-trim", "current-leak-in"), ("current-offset",), BY_HAND),
    Rule(("current-leak",), ("current-offset", "wet-belt"), BY_DATA),
    Rule(("wrong-variable",), ("upper-range",), any_of(f"speed+{VARIED}", BOTH_RANGES)),
    Rule(("wrong-variable",), ("output-trim",), any_of(f"speed+{VARIED}", "gauge_output+ai_raw", "gauge_output+loop_current")),
    Rule(("wrong-variable",), ("raw-span", "ton-unit"), any_of(f"speed+{VARIED}", "ai_raw", "loop_current")),
    Rule(("wrong-variable",), ("extra-filter",), BY_DATA),
    Rule(("digital-analogue-differ",), ("wrong-variable", "extra-filter"), any_of("gauge_output")),
    Rule(("digital-analogue-differ",), ("output-frozen", "mode-left-on"), any_of("gauge_output_mode", "gauge_output")),
    Rule(("digital-analogue-differ",), ("forced-value", "stale-tag", "wrong-channel"), any_of("ai_raw", "loop_current")),
    Rule(("compliance-ceiling",), ("over-range", "zero-clamp"), BY_DATA),
    Rule(("square-root",), ("dead-time",), BY_DATA),
    Rule(("zero-clamp",), ("stale-tare", "current-offset", "low-cutoff"), BY_DATA),
    Rule(("extra-filter",), ("averaging-differs", "clock-shift"), BY_DATA),
    Rule(("stale-tare",), ("current-offset",), BY_DATA),
    # a value that stands still, or is gone
    Rule(("output-frozen",), ("stale-tag", "wrong-channel"), any_of("ai_raw", "loop_current")),
    Rule(("output-frozen",), ("forced-value",), any_of("ai_raw", "plc_forced", "plc_block_mode")),
    Rule(("output-frozen",), ("mode-left-on",), any_of("gauge_output_mode")),
    Rule(("mode-left-on",), ("forced-value", "stale-tag", "wrong-channel"), any_of("gauge_output_mode", "ai_raw", "loop_current")),
    Rule(("output-frozen", "open-loop", "burnout-value"), ("counts-frozen", "zero-counts"), any_of("count_rate")),
    Rule(("stale-tag",), ("forced-value",), any_of("plc_total", "plc_forced", "ai_raw")),
    Rule(("stale-tag",), ("counts-frozen",), any_of("detector_temperature", "gauge_uptime", "speed")),
    Rule(("stale-tag", "forced-value"), ("wrong-channel",), any_of("ai_raw")),
    Rule(("wrong-channel",), ("clock-shift",), BY_DATA),
    Rule(("open-loop",), ("burnout-value", "raw-overflow"), any_of("ai_raw")),
    Rule(("over-range",), ("burnout-value",), any_of("ai_raw", "gauge_over_range")),
    Rule(("speed-held",), ("hold-on-stop", "output-frozen"), any_of("speed+drive_running")),
    Rule(("tach-lost",), ("low-cutoff",), any_of("speed+drive_running")),
    # tags
    Rule(("word-order",), ("register-offset",), any_of("plc_flow", "ai_raw")),
    Rule(("register-offset",), ("wrong-type",), BY_DATA),
    Rule(("register-offset", "wrong-type"), ("time-base",), any_of("ai_raw", "loop_current", "gauge_total")),
    Rule(("wrong-type",), ("total-discontinuity",), BY_DATA),
    Rule(("wrong-type",), ("raw-overflow",), any_of("ai_raw")),
    Rule(("wrong-type",), ("detector-temperature",), BY_DATA),  # heat comes slowly; another type reads what no detector has, from the first day
    # counts
    Rule(("zero-counts",), ("shutter-closed",), any_of("count_rate")),
    Rule(("zero-counts",), ("gateway-zeros",), any_of("detector_temperature")),
    Rule(("shutter-part-open",), ("shutter-closed",), any_of("count_rate")),
    Rule(("shutter-closed",), ("shutter-contradiction",), any_of("shutter_closed")),
    Rule(("shutter-part-open", "build-up", "detector-drift", "light-leak"), ("detector-temperature",), any_of("detector_temperature")),
    Rule(("shutter-contradiction",), ("product-gammas",), BY_DATA),
    Rule(("counts-noisy",), ("background", "source-weak"), any_of("count_rate+drive_running")),
    Rule(("counts-noisy",), ("product-gammas",), any_of("count_rate+product")),
    Rule(("background",), ("product-gammas", "dead-time"), any_of("shutter_closed+count_rate", "background_rate")),
    # the zero: counts or tare, and within each what only an event, a wash or somebody who looks tells
    Rule(("decay-off",), ("detector-drift", "build-up", "stale-tare", "decay-in-steps"), any_of("count_rate")),
    Rule(("decay-double",), ("stale-tare", "tare-loaded"), any_of("count_rate+empty_belt_rate")),
    Rule(OF_COUNTS, OF_TARE, any_of("count_rate")),
    Rule(("shutter-part-open",), OF_COUNTS, any_of("shutter_closed+count_rate")),
    Rule(("build-up",), ("wet-belt",), BY_DATA),
    Rule(("background", "neighbour-source"), ("build-up", "detector-drift", "wet-belt", "shutter-part-open"), any_of("count_rate")),
    Rule(("background",), ("stale-tare", "source-changed"), any_of("shutter_closed+count_rate")),
    Rule(("wet-belt",), ("detector-drift", "source-changed"), any_of("count_rate")),
    Rule(OF_COUNTS, OF_COUNTS, BY_HAND),
    Rule(("decay-off", "decay-double"), ("nuclide-or-clock",), any_of("nuclide_code", "gauge_clock")),
    Rule(("decay-off",), ("decay-double",), BY_DATA),
    Rule(("tare-loaded",), ("auto-zero-creep", "tare-standing"), any_of("empty_belt_rate+speed")),
    Rule(("tare-loaded", "tare-standing"), ("nuclide-or-clock", "undocumented-change"), any_of("empty_belt_rate")),
    Rule(("nuclide-or-clock",), ("undocumented-change", "background"), any_of("nuclide_code+gauge_clock")),
    Rule(("belt-wander",), ("load-shape",), any_of("count_rate+speed")),
    # truth
    Rule(("calibration-factor",), ("load-shape", "factor-twice"), any_of(REFERENCES)),
    Rule(("calibration-factor",), ("dead-time", "background"), any_of(f"{REFERENCES}+count_rate", "count_rate+drive_running")),
    Rule(("calibration-factor", "load-shape"), ("wet-dry-basis",), any_of(f"{REFERENCES}+moisture")),
    Rule(("calibration-factor", "load-shape"), ("product-gammas",), any_of(f"{REFERENCES}+product", "shutter_closed+product")),
    Rule(("calibration-factor",), ("belt-slip",), any_of("speed+drive_speed")),
    Rule(("calibration-factor",), ("ton-unit",), BY_DATA),
    Rule(("factor-twice",), ("undocumented-change",), any_of(REFERENCES)),
    Rule(("factor-twice",), ("upper-range", "raw-span"), any_of(REFERENCES, "calibrating")),
    Rule(("controller-switch",), ("undocumented-change",), any_of("plc_heartbeat")),
    # speed
    Rule(("belt-slip",), ("tach-extra-pulses", "fixed-speed"), any_of("speed+drive_speed")),
    # totals
    Rule(("total-time-base",), ("total-gating",), any_of("feed_running")),
    Rule(("total-time-base",), ("total-precision",), BY_DATA),
    Rule(("total-time-base", "counted-twice"), ("upper-range", "ton-unit", "time-base"), any_of("plc_flow")),
    Rule(("total-time-base",), ("counted-twice",), BY_DATA),
    Rule(("total-precision",), ("total-gating",), BY_HAND),  # a total that stands still
    Rule(("total-gating",), ("low-cutoff",), any_of("plc_flow")),
    Rule(("total-discontinuity",), ("controller-switch",), any_of("plc_heartbeat")),
)  # fmt: skip


@cache
def pairs() -> Mapping[frozenset[str], tuple[Roles, ...]]:
    """Every pair that the table speaks of, and what parts it; the first rule that names a pair holds."""
    known = registry()
    found: dict[frozenset[str], tuple[Roles, ...]] = {}
    for rule in RULES:
        for one in rule.these:
            for other in rule.those:
                if one != other and one in known and other in known:
                    found.setdefault(frozenset((one, other)), rule.by)
    return MappingProxyType(found)
