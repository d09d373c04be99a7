"""What `diagnose` makes of a loop's check results."""

from __future__ import annotations

from dataclasses import dataclass

from checks.result import Evidence, Link, Verdict

UNKNOWN = "unknown"
"""The cause id of a deviation that no cause explains or that the data cannot name yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Another cause that the evidence does not rule out, and the cheapest measurement that would."""

    cause: str
    odds: float
    separated_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Implied:
    """The range that the far side behaves as if it had, t/h at 4 mA and at 20 mA."""

    range_low: float
    range_high: float
    unit: str = "t/h"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that is wrong with a loop.

    `cause` is an id of the catalogue or `unknown`; `odds` that cause against all others (19.0 = 19:1), None where the
    finding is categorical. `title` is the short name for people ("ends differ", "zero counts"). Times are epoch seconds
    UTC. `tonnes` is what the PLC booked minus the best estimate since `begin` (+ = too much), `tonnes_uncertainty` its
    expanded uncertainty (k = 2) [t]; None where it cannot be said. `gate` says what is still needed to name the cause.
    """

    loop: str
    link: Link
    cause: str
    title: str
    verdict: Verdict
    odds: float | None
    alternatives: tuple[Alternative, ...] = ()
    begin: int
    begin_interval: tuple[int, int]
    end: int | None = None
    tonnes: float | None = None
    tonnes_uncertainty: float | None = None
    rate_error_t_h: float | None = None
    implied: Implied | None = None
    advice: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    gate: tuple[str, ...] = ()
    sentence: str = ""
