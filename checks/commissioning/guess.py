"""Which role a variable of a PLC could have: by its name, unit, range and value against physics and the other tags.

Each piece of evidence gives points, own estimates; a piece that rules a role out ends it. What is told is a proposal for a person, with
its reasons; nothing is taken into use by itself.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from checks.commissioning.naming_words import points_of_name
from checks.commissioning.plausible import LIMITS, Expected, oddity
from config.model import FlowRange, Loop
from config.roles import ROLES, Kind, Side
from config.units import convert, example_units, known_unit

ENOUGH = 3.5
"""Points from which a role is proposed."""
CLOSE = 1.5
"""A second role within so many points is told too."""
OF_LOOP, OF_OTHER = 4.0, -6.0
UNIT, RANGE, VALUE, SAME_VALUE, OTHER_UNIT, NOT_VALUE = 2.5, 3.0, 2.5, 3.6, 1.0, -3.0
SAME = 0.015
"""A value so near to what is expected is the same signal, a moment later [parts]."""
GAUGE_OVER_PLC = -1.5
"""What a PLC serves is seldom the gauge's own."""
ALIKE = 0.005
CURRENTS = ("loop_current", "gauge_output")


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A variable: name, the folders above it, whether it is a bit, a whole number or any number, value [its unit], unit (empty: not
    told), and its range in that unit."""

    name: str
    folders: str = ""
    is_bit: bool = False
    is_whole: bool = False
    value: float = math.nan
    unit: str = ""
    ends: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a loop: its declaration, and what its roles should show now."""

    loop: Loop
    expected: Mapping[str, Expected] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, order=True)
class Guess:
    """A role that a variable could have. `measured_in` is empty where it is in the unit of the role, or in none."""

    points: float
    loop: str
    role: str
    measured_in: str = ""
    why: tuple[str, ...] = ()


def guesses(
    candidate: Candidate, loops: Mapping[str, Known], others: Sequence[str] = (), *, on_gauge: bool = False
) -> list[Guess]:
    """Every role of every loop for which enough speaks, the likeliest first.

    `others` are loops that it may be named after too; `on_gauge`: the device is the gauge itself, so only what a gauge has is looked for.
    """
    names = tuple(dict.fromkeys((*loops, *others)))
    found = [
        guess
        for loop_id, known in loops.items()
        for role in ROLES
        if (not on_gauge or ROLES[role].side is Side.GAUGE)
        and (guess := _guess(candidate, loop_id, role, known, names, on_gauge)) is not None
        and guess.points >= ENOUGH
    ]
    return sorted(found, key=lambda guess: -guess.points)


def assigned(offers: Sequence[Sequence[Guess]]) -> list[list[Guess]]:
    """One role to one variable: the guesses of each variable that are left, the best first; none where another fits better."""
    order = sorted(((guess.points, -at, guess) for at, mine in enumerate(offers) for guess in mine), reverse=True)
    taken: set[tuple[str, str]] = set()
    given: dict[int, Guess] = {}
    for _, minus, guess in order:
        if -minus not in given and (guess.loop, guess.role) not in taken:
            given[-minus] = guess
            taken.add((guess.loop, guess.role))
    out: list[list[Guess]] = []
    for at, mine in enumerate(offers):
        best = given.get(at)
        others = [guess for guess in mine if best is not None and guess != best and best.points - guess.points <= CLOSE]
        out.append([] if best is None else [best, *others])
    return out


def _guess(candidate: Candidate, loop_id: str, role: str, known: Known, names: Sequence[str], on_gauge: bool) -> Guess | None:
    declared = ROLES[role]
    if not _kind_fits(candidate, declared.kind, declared.unit) or not _unit_fits(candidate, declared.unit):
        return None
    why: list[str] = []
    points = points_of_name(role, candidate.name, on_gauge=on_gauge)
    if points:
        why.append("name")
    if declared.side is Side.GAUGE and not on_gauge:
        points += GAUGE_OVER_PLC
    points += _of_loop(candidate, loop_id, names)
    if candidate.unit and known_unit(candidate.unit) and declared.unit:
        points += UNIT
        why.append(f"unit {candidate.unit}")
    ranged, word = _of_range(candidate, role, known.loop)
    points += ranged
    if word:
        why.append(word)
    measured_in = candidate.unit if candidate.unit and known_unit(candidate.unit) and candidate.unit != declared.unit else ""
    valued, unit, word = _of_value(candidate, role, known, measured_in or declared.unit)
    if valued is None:
        return None
    if word:
        why.append(word)
    if not why:
        return None
    return Guess(points + valued, loop_id, role, unit if unit != declared.unit else "", tuple(why))


def _kind_fits(candidate: Candidate, kind: Kind, unit: str) -> bool:
    """Bits are bits, codes are whole numbers."""
    if kind is Kind.BIT or candidate.is_bit:
        return candidate.is_bit and kind is Kind.BIT
    return kind is not Kind.SETTING or bool(unit) or candidate.is_whole


def _unit_fits(candidate: Candidate, unit: str) -> bool:
    if not candidate.unit or not known_unit(candidate.unit):
        return True
    if not unit:
        return False
    try:
        convert(0.0, candidate.unit, unit)
    except ValueError:
        return False
    return True


def _of_loop(candidate: Candidate, loop_id: str, names: Sequence[str]) -> float:
    """Whether the names above it, or its own, name the loop; with one loop only it is the loop."""
    if len(names) == 1:
        return 1.0
    text = _bare(f"{candidate.folders}/{candidate.name}")
    named = [name for name in names if _bare(name) in text]
    if loop_id in named:
        return OF_LOOP
    if named:
        return OF_OTHER
    digits = "".join(sign for sign in loop_id if sign.isdigit())
    return 1.0 if digits and re.search(rf"(?<!\d){digits}", f"{candidate.folders}/{candidate.name}") else 0.0


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def _of_range(candidate: Candidate, role: str, loop: Loop) -> tuple[float, str]:
    if candidate.ends is None:
        return 0.0, ""
    low, high = candidate.ends
    if role in ("plc_flow", "flow"):
        declared: FlowRange = loop.plc.range if role == "plc_flow" else loop.gauge.range
        unit = candidate.unit if candidate.unit and known_unit(candidate.unit) else "t/h"
        if _near((convert(low, unit, "t/h"), convert(high, unit, "t/h")), (declared.low, declared.high)):
            return RANGE, "range as declared"
    if role in CURRENTS and _near((low, high), (4.0, 20.0)):
        return RANGE, "range 4 to 20"
    if role == "ai_raw" and _near((low, high), (loop.plc.raw_span.low, loop.plc.raw_span.high)):
        return RANGE, "range as the raw span"
    return 0.0, ""


def _near(ends: tuple[float, float], wanted: tuple[float, float]) -> bool:
    span = abs(wanted[1] - wanted[0])
    return all(abs(end - other) <= ALIKE * span for end, other in zip(ends, wanted, strict=True))


def _of_value(candidate: Candidate, role: str, known: Known, unit: str) -> tuple[float | None, str, str]:
    """Points of the value (None: it rules the role out), the unit that was taken, and what speaks."""
    value = candidate.value
    if math.isnan(value):
        return -1.0, unit, ""
    expected = known.expected.get(role)
    # a zero that is expected is shown by every register that holds nothing
    said = bool(candidate.unit) and known_unit(candidate.unit)
    units = [unit] if said or not ROLES[role].unit else [unit, *(other for other in example_units(unit) if other != unit)]
    for tried in units:
        canonical = convert(value, tried, ROLES[role].unit) if ROLES[role].unit else value
        if expected is not None and expected.value and oddity(role, canonical, expected) is None:
            near = abs(canonical - expected.value) <= SAME * abs(expected.value)
            more = OTHER_UNIT if tried != unit else SAME_VALUE if near else VALUE
            return more, tried, f"value as expected {expected.because}" + (f" in {tried}" if tried != unit else "")
    canonical = convert(value, unit, ROLES[role].unit) if ROLES[role].unit else value
    if role in LIMITS and oddity(role, canonical, None) is not None:
        return None, unit, ""
    return (NOT_VALUE if expected is not None else 0.0), unit, ""
