"""Which tags part which causes: data. A pair that looks alike, and the sets of roles any of which tells the two apart.

`BY_DATA` needs no tag beyond those the causes have: load, time or a constant of the trade part them. `BY_HAND` is parted by
somebody who goes and looks. `loop_current` counts only where it is independent of the input card, and `references` stands for
material tests in the ledger.
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.causes import registry

Roles = frozenset[str]
BY_DATA: tuple[Roles, ...] = (frozenset(),)
BY_HAND: tuple[Roles, ...] = ()
REFERENCES = "references"
"""Stands for material tests in the ledger among the roles."""


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
BLOCK = ("ton-unit", "time-base", "raw-span", "live-zero-mix")
RANGES = ("upper-range", "lower-range")

RULES: tuple[Rule, ...] = (
    # along the path from the gauge's output to the scaling block
    Rule(WIRE, BLOCK, any_of("ai_raw")),
    Rule(WIRE, RANGES, any_of("ai_raw", "gauge_range_high+plc_range_high")),
    Rule(RANGES, ("raw-span",), any_of("plc_range_low+plc_range_high")),
    Rule(("upper-range",), ("ton-unit",), any_of("gauge_range_high+plc_range_high", "plc_unit")),
    Rule(("upper-range",), ("lower-range", "undocumented-change", "extra-filter"), BY_DATA),
    Rule(("lower-range",), ("live-zero-mix", "stale-tare"), BY_DATA),
    Rule(("double-scaling",), ("live-zero-mix", "upper-range"), any_of("ai_raw", "plc_range_low+plc_range_high")),
    Rule(("raw-span",), ("live-zero-mix", "square-root"), BY_DATA),
    Rule(("raw-span",), ("ton-unit",), any_of("plc_unit", "plc_range_low+plc_range_high")),
    Rule(("output-trim",), ("current-leak",), any_of("loop_current")),
    Rule(("current-leak", "current-leak-in"), ("current-offset",), BY_DATA),
    Rule(("current-leak",), ("wet-belt",), BY_DATA),
    Rule(("wrong-variable",), ("upper-range", "extra-filter"), any_of("speed")),
    Rule(("digital-analogue-differ",), ("wrong-variable", "extra-filter"), any_of("gauge_output")),
    Rule(("digital-analogue-differ",), ("output-frozen",), any_of("gauge_output_mode", "gauge_output")),
    Rule(("compliance-ceiling",), ("over-range",), any_of("gauge_over_range", "loop_supply_voltage", "ai_raw")),
    Rule(("compliance-ceiling",), ("zero-clamp",), BY_DATA),
    Rule(("square-root",), ("dead-time",), BY_DATA),
    Rule(("zero-clamp",), ("stale-tare", "current-offset", "low-cutoff"), BY_DATA),
    Rule(("extra-filter",), ("averaging-differs", "clock-shift"), BY_DATA),
    Rule(("stale-tare",), ("current-offset",), BY_DATA),
    # a value that stands still, or is gone
    Rule(("output-frozen",), ("stale-tag", "wrong-channel"), any_of("ai_raw", "loop_current")),
    Rule(("output-frozen",), ("forced-value",), any_of("ai_raw", "plc_forced", "plc_block_mode")),
    Rule(("output-frozen", "forced-value"), ("mode-left-on",), any_of("gauge_output_mode", "calibrating")),
    Rule(("output-frozen", "open-loop", "burnout-value"), ("counts-frozen", "zero-counts"), any_of("count_rate")),
    Rule(("stale-tag",), ("forced-value",), any_of("plc_total", "plc_forced", "ai_raw")),
    Rule(("stale-tag",), ("counts-frozen",), any_of("detector_temperature", "gauge_uptime", "speed")),
    Rule(("stale-tag",), ("wrong-channel",), any_of("ai_raw")),
    Rule(("open-loop",), ("burnout-value", "raw-overflow"), any_of("ai_raw")),
    Rule(("over-range",), ("burnout-value",), any_of("ai_raw", "gauge_over_range")),
    Rule(("speed-held",), ("hold-on-stop", "output-frozen"), any_of("speed+drive_running")),
    Rule(("tach-lost",), ("low-cutoff",), any_of("speed+drive_running")),
    # tags
    Rule(("word-order",), ("register-offset",), any_of("plc_flow", "ai_raw")),
    Rule(("register-offset", "wrong-type"), ("time-base",), any_of("ai_raw", "loop_current")),
    Rule(("wrong-type",), ("total-discontinuity",), BY_DATA),
    Rule(("wrong-type",), ("raw-overflow",), any_of("ai_raw")),
    Rule(("wrong-type",), ("detector-temperature",), any_of("ambient_temperature")),
    # counts
    Rule(("zero-counts",), ("shutter-closed",), any_of("count_rate")),
    Rule(("zero-counts",), ("gateway-zeros",), any_of("detector_temperature")),
    Rule(("shutter-part-open",), ("shutter-closed",), any_of("count_rate")),
    Rule(("shutter-part-open",), ("build-up",), any_of("shutter_closed")),
    Rule(("shutter-part-open", "build-up", "detector-drift", "light-leak"), ("detector-temperature",), any_of("detector_temperature")),
    Rule(("shutter-contradiction",), ("product-gammas",), BY_DATA),
    Rule(("counts-noisy",), ("background", "source-weak"), any_of("count_rate+drive_running")),
    Rule(("counts-noisy",), ("product-gammas",), any_of("count_rate+product")),
    Rule(("background",), ("product-gammas", "dead-time"), any_of("shutter_closed+count_rate")),
    Rule(("background",), ("neighbour-source",), BY_HAND),
    Rule(("source-changed",), ("background", "tare-loaded"), any_of("empty_belt_rate+count_rate")),
    # slow changes on the empty belt
    Rule(("decay-off",), ("detector-drift", "build-up", "stale-tare"), any_of("count_rate")),
    Rule(("decay-off",), ("decay-in-steps",), any_of("count_rate")),
    Rule(("decay-off",), ("nuclide-or-clock",), any_of("nuclide_code", "gauge_clock")),
    Rule(("decay-double",), ("stale-tare", "tare-loaded"), any_of("count_rate+empty_belt_rate")),
    Rule(("build-up",), ("detector-drift", "stale-tare"), BY_HAND),
    Rule(("build-up",), ("wet-belt",), BY_DATA),
    Rule(("tare-loaded",), ("auto-zero-creep", "tare-standing"), any_of("empty_belt_rate+speed")),
    Rule(("belt-wander",), ("load-shape",), any_of("count_rate+speed")),
    # truth
    Rule(("calibration-factor",), ("load-shape", "factor-twice"), any_of(REFERENCES)),
    Rule(("calibration-factor",), ("dead-time",), any_of(f"{REFERENCES}+count_rate")),
    Rule(("calibration-factor",), ("wet-dry-basis",), any_of(f"{REFERENCES}+moisture")),
    Rule(("calibration-factor",), ("product-gammas",), any_of(f"{REFERENCES}+product", "shutter_closed+product")),
    Rule(("calibration-factor",), ("belt-slip",), any_of("speed+drive_speed")),
    Rule(("calibration-factor",), ("ton-unit",), BY_DATA),
    Rule(("factor-twice", "controller-switch"), ("undocumented-change",), BY_HAND),
    # speed
    Rule(("belt-slip",), ("tach-extra-pulses", "fixed-speed"), any_of("speed+drive_speed")),
    # totals
    Rule(("total-time-base",), ("total-gating",), any_of("drive_running", "plc_flow+speed")),
    Rule(("total-time-base",), ("total-precision",), BY_DATA),
    Rule(("total-time-base", "counted-twice"), ("upper-range", "ton-unit", "time-base"), any_of("plc_flow")),
    Rule(("total-time-base",), ("counted-twice",), BY_DATA),
    Rule(("total-precision",), ("total-gating",), any_of("drive_running", "plc_flow+speed")),
    Rule(("total-gating",), ("low-cutoff",), any_of("plc_flow")),
    Rule(("total-discontinuity",), ("controller-switch",), BY_HAND),
)  # fmt: skip


def pairs() -> dict[frozenset[str], tuple[Roles, ...]]:
    """Every pair that the table speaks of, and what parts it; the first rule that names a pair holds."""
    known = registry()
    found: dict[frozenset[str], tuple[Roles, ...]] = {}
    for rule in RULES:
        for one in rule.these:
            for other in rule.those:
                if one != other and one in known and other in known:
                    found.setdefault(frozenset((one, other)), rule.by)
    return found
