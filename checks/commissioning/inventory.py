"""The sources of a site: what they were, what is left of them, and what is due. Reminders for people; the licence decides."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from config.model import Loop
from config.nuclides import nuclide

SOON_D = 30
"""A date is told as near within so many days."""


@dataclass(frozen=True, slots=True)
class Due:
    """Something that is due: what, when (None: nobody said), and in how many days (negative: past)."""

    what: str
    day: date | None
    days: int | None

    @property
    def overdue(self) -> bool:
        """Whether the day has passed."""
        return self.days is not None and self.days < 0

    @property
    def words(self) -> str:
        """In how many days, in words."""
        if self.days is None:
            return "not stated"
        if self.days < 0:
            return f"overdue by {-self.days} d"
        return f"in {self.days} d" if self.days <= SOON_D else "later"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceLine:
    """One source. Activities [Bq]; `left` is today's part of the activity on the papers."""

    loop: str
    nuclide: str
    half_life_d: float
    identity: str
    activity: float
    activity_date: date
    today: float
    left: float
    dues: tuple[Due, ...]


def inventory(loops: Mapping[str, Loop], day: date) -> tuple[list[SourceLine], list[str]]:
    """Every source that is declared, the next due first, and the loops that declare none."""
    lines, without = [], []
    for loop_id, loop in loops.items():
        source = loop.gauge.source
        if source is None:
            without.append(loop_id)
            continue
        known = nuclide(loop.gauge.nuclide)
        left = math.exp(-math.log(2.0) * (day - source.activity_date).days / known.half_life_d)
        lines.append(
            SourceLine(
                loop=loop_id, nuclide=known.name, half_life_d=known.half_life_d, identity=source.identity, activity=source.activity,
                activity_date=source.activity_date, today=source.activity * left, left=left,
                dues=(_due("shutter check", source.shutter_check_due, day), _due("leak test", source.leak_test_due, day)),
            )
        )  # fmt: skip
    return sorted(lines, key=lambda line: min((d.days for d in line.dues if d.days is not None), default=10**6)), without


def overdue(loops: Mapping[str, Loop], day: date) -> int:
    """How many reminders have passed."""
    lines, _ = inventory(loops, day)
    return sum(due.overdue for line in lines for due in line.dues)


def activity_words(becquerel: float) -> str:
    """An activity with a prefix: 1.85 GBq."""
    for scale, unit in ((1e12, "TBq"), (1e9, "GBq"), (1e6, "MBq"), (1e3, "kBq")):
        if becquerel >= scale:
            return f"{becquerel / scale:.3g} {unit}"
    return f"{becquerel:.3g} Bq"


def _due(what: str, day: date | None, today: date) -> Due:
    return Due(what, day, None if day is None else (day - today).days)
