"""What `diagnose` makes of a loop's check results."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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
    """The range that the far side behaves as if it had, t/h at 4 mA and at 20 mA, each with its expanded uncertainty (k = 2).

    The uncertainties are None where they cannot be said.
    """

    range_low: float
    range_high: float
    unit: str = "t/h"
    low_uncertainty: float | None = None
    high_uncertainty: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """A line as slope and offset [t/h], and its error at the mean flow since the begin [t/h]."""

    slope: float
    offset_t_h: float
    rate_error_t_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """The setting that puts a chain right, as a technician types it, and what that will do.

    `side` is where it is entered ("gauge", "plc", or "gauge or plc" where the data cannot tell), `setting` its name.
    `acts_as` is what the setting behaves as if it were now, rounded to the roundest number inside its expanded uncertainty
    `uncertainty` (k = 2); `computed` is the same unrounded. `enter` is the value to enter. `before` and `after` are the line
    as measured and as predicted; `after` is None where nothing can be predicted. `otherwise` names the other way, if any.
    """

    side: Literal["gauge", "plc", "gauge or plc"]
    setting: str
    unit: str
    acts_as: float | None
    computed: float | None
    uncertainty: float | None
    enter: float | None
    before: Predicted
    after: Predicted | None
    otherwise: str = ""
    present: float | None = None
    """What stands there now, where that is known and is no guess."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftTonnes:
    """Tonnes mis-stated in one shift (+ = too much booked) with the expanded uncertainty (k = 2) [t].

    `begin` and `end` (exclusive) are epoch seconds of the part of the shift that counts, `shift` its local begin, HH:MM.
    """

    shift: str
    begin: int
    end: int
    tonnes: float
    tonnes_uncertainty: float


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
    check: str = ""
    """The check that must agree again before this is known to be gone; empty where its absence says enough."""
    ruled_out: tuple[str, ...] = ()
    """Causes that the data were weighed against and that are improbable: they are not told."""
    weighed_odds: float | None = None
    """Odds against the causes that the data were weighed against alone; None where `odds` say the same. What a refinement goes by."""
    correction: Correction | None = None
    """The setting that puts it right, where the data say which."""
    by_shift: tuple[ShiftTonnes, ...] = ()
    """The tonnes of `tonnes` by shift of the site, oldest first, as far back as the rows reach that hold them (a day of blocks;
    two weeks for the weight); empty where they cannot be split."""
