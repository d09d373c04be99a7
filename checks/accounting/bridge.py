"""The way from what the PLC booked to the best estimate, cause by cause, so that it adds up."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

NOT_EXPLAINED = "not explained"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One part of the difference: `tonnes` (+ = the PLC booked too much) and expanded uncertainty (k = 2), None if unknown [t]."""

    name: str
    tonnes: float
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """PLC total less best estimate [t], split by cause and, apart from that, by what the belt did.

    Each list ends with `not explained` and adds up to `difference` (`adds_up`): to one unit in the last place of its largest step.
    """

    booked: float
    best: float
    difference: float
    by_cause: tuple[Step, ...]
    by_state: tuple[Step, ...]


def bridge(booked: float, best: float, causes: Sequence[Step], states: Mapping[str, float]) -> Bridge:
    """Split `booked - best` [t].

    `causes` are the parts that findings explain (same name: added); `states` the part of the difference that arose in each
    belt state. NaN or infinite tonnes raise ValueError: an account with a hole has no difference.
    """
    values = [booked, best, *(step.tonnes for step in causes), *states.values()]
    if not all(math.isfinite(value) for value in values):
        raise ValueError("a bridge needs finite tonnes")
    difference = booked - best
    named: dict[str, Step] = {}
    for step in causes:
        had = named.get(step.name)
        named[step.name] = step if had is None else _both(had, step)
    return Bridge(
        booked=booked, best=best, difference=difference,
        by_cause=_closed(difference, list(named.values())),
        by_state=_closed(difference, [Step(name=name, tonnes=tonnes) for name, tonnes in states.items()]),
    )  # fmt: skip


def _both(one: Step, other: Step) -> Step:
    known = one.uncertainty is not None and other.uncertainty is not None
    wide = (one.uncertainty or 0.0) + (other.uncertainty or 0.0)
    return Step(name=one.name, tonnes=one.tonnes + other.tonnes, uncertainty=wide if known else None)


def _closed(difference: float, steps: list[Step]) -> tuple[Step, ...]:
    """The steps, largest first, and the remainder that closes them."""
    steps.sort(key=lambda step: (-abs(step.tonnes), step.name))
    rest = float(Fraction(difference) - sum((Fraction(step.tonnes) for step in steps), Fraction(0)))
    return (*steps, Step(name=NOT_EXPLAINED, tonnes=rest))


def adds_up(difference: float, steps: Sequence[Step]) -> bool:
    """Whether the steps give the difference to the last digit that their own size can carry."""
    size = max((abs(step.tonnes) for step in steps), default=0.0)
    return abs(math.fsum(step.tonnes for step in steps) - difference) <= math.ulp(max(size, abs(difference)))
