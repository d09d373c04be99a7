"""What can be verified of a loop, and what each needs: roles, lines of the site file, and lots that something else weighed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from checks.causes.separability import REFERENCES
from checks.result import Link
from config.model import Gauge, Loop, SpeedSource
from config.roles import ROLES


@dataclass(frozen=True, slots=True)
class Ability:
    """One thing that can be verified at a link: what it is, the roles it needs, and what it needs besides."""

    link: Link
    what: str
    roles: tuple[str, ...]
    besides: Callable[[Gauge], str] = lambda gauge: ""


def _from_counts(gauge: Gauge) -> str:
    missing = []
    if gauge.load_per_attenuation is None:
        missing.append("gauge.load_per_attenuation")
    if gauge.speed_source is SpeedSource.FIXED and gauge.fixed_speed is None:
        missing.append("gauge.fixed_speed")
    return " and ".join(missing)


def _factor(gauge: Gauge) -> str:
    return "gauge.load_per_attenuation" if gauge.load_per_attenuation is None else ""


def _length(gauge: Gauge) -> str:
    return "gauge.belt_length" if gauge.belt_length is None else ""


ABILITIES: tuple[Ability, ...] = (
    Ability(Link.COUNTS, "detector alive, its level plausible", ("count_rate",)),
    Ability(Link.COUNTS, "detector temperature in its limits", ("detector_temperature",)),
    Ability(Link.COUNTS, "zero of the empty belt by counts", ("count_rate",), _factor),
    Ability(Link.LOAD, "flow from counts and speed", ("count_rate", "speed"), _from_counts),
    Ability(Link.LOAD, "decay of the source against its law", ("count_rate", "speed"), _factor),
    Ability(Link.LOAD, "the weight itself, by material tests", (REFERENCES,)),
    Ability(Link.DRIVE, "belt speed against the drive", ("speed", "drive_speed")),
    Ability(Link.DRIVE, "belt speed while the drive stands", ("speed", "drive_running")),
    Ability(Link.DRIVE, "true belt speed by the turns of the belt", ("speed", "count_rate"), _length),
    Ability(Link.GAUGE_OUTPUT, "gauge output from flow and range", ("gauge_output",)),
    Ability(Link.CURRENT, "measured current from the flow", ("loop_current",)),
    Ability(Link.CURRENT, "current told apart between gauge and wire", ("gauge_output", "loop_current")),
    Ability(Link.INPUT_CARD, "raw counts from the measured current", ("loop_current", "ai_raw")),
    Ability(Link.INPUT_CARD, "raw counts from the flow", ("ai_raw",)),
    Ability(Link.SCALING_BLOCK, "PLC flow from raw counts", ("ai_raw", "plc_flow")),
    Ability(Link.SCALING_BLOCK, "PLC flow from gauge flow, end to end", ("plc_flow",)),
    Ability(Link.TOTALS, "gauge total against the integral", ("gauge_total",)),
    Ability(Link.TOTALS, "PLC total against the integral", ("plc_total", "plc_flow")),
    Ability(Link.COMMUNICATION, "readings alive and on time", ("flow",)),
    Ability(Link.SETUP, "range of the gauge as declared", ("gauge_range_low", "gauge_range_high")),
    Ability(Link.SETUP, "range of the PLC as declared", ("plc_range_low", "plc_range_high")),
    Ability(Link.SETUP, "unit of the PLC as declared", ("plc_unit",)),
    Ability(Link.SETUP, "nuclide as declared", ("nuclide_code",)),
)
"""In the order of the chain; the first of a link that is met is the strongest that the loop has."""

WHY: dict[str, str] = {
    REFERENCES: "both ends can agree and be wrong alike: only what something else weighed can show it",
    "gauge.load_per_attenuation": "kg/m of load for each unit of attenuation, from the last material test",
    "gauge.fixed_speed": "the speed that the gauge counts with",
    "gauge.belt_length": "length of the belt, once round",
}
"""What is needed and is no tag, in words."""
NAMES = {REFERENCES: "material tests in the ledger"}


def missing(ability: Ability, loop: Loop, has: frozenset[str]) -> list[str]:
    """What a loop lacks for it; `has` are its roles, and `references` where its ledger has material tests."""
    besides = ability.besides(loop.gauge)
    lacking = [role for role in ability.roles if role not in has]
    return lacking + (besides.split(" and ") if besides else [])


def meaning(needed: str) -> str:
    """What a role, a line of the site file or a kind of test is, in words."""
    return ROLES[needed].meaning if needed in ROLES else WHY.get(needed, "")


def name(needed: str) -> str:
    """How it is called in a sentence."""
    return NAMES.get(needed, needed)
