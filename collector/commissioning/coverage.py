"""What a loop can verify with the tags it has, link by link, in words for the person who writes the site file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from checks.result import Link
from collector.replay.text import wrapped
from config.load import LoadedSite
from config.model import Gauge, Loop, SpeedSource
from config.roles import ROLES, Kind


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


ABILITIES: tuple[Ability, ...] = (
    Ability(Link.COUNTS, "detector alive, its level plausible", ("count_rate",)),
    Ability(Link.COUNTS, "detector temperature in its limits", ("detector_temperature",)),
    Ability(Link.LOAD, "flow from counts and speed", ("count_rate", "speed"), _from_counts),
    Ability(Link.DRIVE, "belt speed against the drive", ("speed", "drive_speed")),
    Ability(Link.DRIVE, "belt speed while the drive stands", ("speed", "drive_running")),
    Ability(Link.GAUGE_OUTPUT, "gauge output from flow and range", ("gauge_output",)),
    Ability(Link.CURRENT, "measured current from the flow", ("loop_current",)),
    Ability(Link.CURRENT, "current told apart between gauge and wire", ("gauge_output", "loop_current")),
    Ability(Link.INPUT_CARD, "raw counts from the measured current", ("loop_current", "ai_raw")),
    Ability(Link.INPUT_CARD, "raw counts from the flow", ("ai_raw",)),
    Ability(Link.SCALING_BLOCK, "PLC flow from raw counts", ("ai_raw", "plc_flow")),
    Ability(Link.SCALING_BLOCK, "PLC flow from gauge flow, end to end", ("plc_flow",)),
    Ability(Link.TOTALS, "gauge total against the integral", ("gauge_total",)),
    Ability(Link.TOTALS, "PLC total against the integral", ("plc_total",)),
    Ability(Link.COMMUNICATION, "readings alive and on time", ("flow",)),
    Ability(Link.SETUP, "range of the gauge as declared", ("gauge_range_low", "gauge_range_high")),
    Ability(Link.SETUP, "range of the PLC as declared", ("plc_range_low", "plc_range_high")),
    Ability(Link.SETUP, "nuclide as declared", ("nuclide_code",)),
)
"""In the order of the chain; the first of a link that is met is the strongest that the loop has."""


def summary(loaded: LoadedSite) -> str:
    """The text that `validate` prints for a sound site file, at most 80 columns wide."""
    site = loaded.site
    tags = sum(len(loop.tags) for loop in site.loops.values())
    title = f" ({site.title})" if site.title else ""
    lines = [
        f"ok: {loaded.path}",
        *wrapped(f"site {site.site}{title}: {_count(len(site.loops), 'loop')}, {_count(len(site.endpoints), 'endpoint')}, "
                 f"{_count(tags, 'tag')}; time zone {site.time_zone}, shifts from {', '.join(site.shifts)}"),
        f"site file {loaded.sha256[:12]}",
    ]  # fmt: skip
    ledger = site.ledger
    entries = [(len(ledger.material_tests), "material test"), (len(ledger.tares), "tare"), (len(ledger.spans), "span run")]
    if any(number for number, _ in entries):
        lines += wrapped("ledger: " + ", ".join(_count(number, word) for number, word in entries if number))
    for warning in loaded.warnings:
        lines += wrapped(str(warning), first="warning: ", rest="         ")
    told: dict[tuple[str, ...], str] = {}
    for name, loop in site.loops.items():
        said = tuple(_loop(loop))
        title = f"  {loop.title}" if loop.title else ""
        lines += ["", f"{name}{title}", *([f"  as {told[said]}"] if said in told else said)]
        told.setdefault(said, name)
    return "\n".join(lines) + "\n"


def _loop(loop: Loop) -> list[str]:
    kinds = Counter(ROLES[role].kind for role in loop.tags)
    parts = [f"{kinds[kind]} {word}" for kind, word in _KINDS.items() if kinds[kind]]
    lines = wrapped(f"{_count(len(loop.tags), 'tag')}: {', '.join(parts)}", first="  ", rest="  ")
    for link in Link:
        said = [(ability.what, _missing(ability, loop)) for ability in ABILITIES if ability.link is link]
        can = [what for what, missing in said if not missing]
        head = f"  {link.value:<15}"
        entries = [("verifies ", "; ".join(can))] if can else []
        entries += [("cannot   ", f"{what}: needs {' and '.join(missing)}") for what, missing in said if missing]
        for verb, words in entries:
            lines += wrapped(words, first=head + verb, rest=" " * (len(head) + len(verb)))
            head = " " * len(head)
    return lines


def _missing(ability: Ability, loop: Loop) -> list[str]:
    besides = ability.besides(loop.gauge)
    return [role for role in ability.roles if role not in loop.tags] + ([besides] if besides else [])


_KINDS = {Kind.NUMBER: "numbers", Kind.BIT: "bits", Kind.TOTAL: "totals", Kind.SETTING: "settings"}


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
