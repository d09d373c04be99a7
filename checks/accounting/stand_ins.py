"""What stands in for hours that the gauge did not measure: the PLC total, brought to the gauge, else the mean load of the shift."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from checks.accounting.grid import Grid

Floats = NDArray[np.float64]
Method = Literal["PLC total", "mean load of the shift", "none"]

LEAST_SHIFTS = 5
"""Shifts from which the usual scatter of the load is told."""
LEAST_MEASURED = 0.05
"""Part of a shift that must be measured before its mean load stands in for the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """A stretch the gauge did not measure: epoch seconds, hours, and what stands in for it [t] by which method."""

    begin: int
    end: int
    hours: float
    method: Method
    tonnes: float
    standard: float
    """Random standard uncertainty of `tonnes` [t]."""
    booked: bool = True
    """Whether the PLC total of this stretch is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What a longer time knows better than one shift: own over PLC tonnes with its standard uncertainty (None where too little
    is known), and the flows [t/h] of the measured rows of each shift, all of `length_s`."""

    ratio: tuple[float, float] | None
    length_s: int = 60
    rates: tuple[Floats, ...] = ()

    def scatter(self, rows: int, length_s: int) -> float:
        """How far the mean of so many rows lies from that of its shift [t/h, k = 1], by all shifts; 0 where they are few."""
        count = max(1, round(rows * length_s / self.length_s))
        found = [_scatter(rates, count) ** 2 for rates in self.rates if len(rates) > 1]
        return math.sqrt(math.fsum(found) / len(found)) if len(found) >= LEAST_SHIFTS else 0.0


def rates_of(grid: Grid, inside: NDArray[np.bool_]) -> Floats:
    """Flows of the rows that were measured whole [t/h]."""
    whole = inside & (grid.measured >= 0.999 * grid.length)
    return np.asarray(grid.own[whole] * 3600.0 / grid.length, np.float64)


def stand_ins(grid: Grid, inside: NDArray[np.bool_], ratio: float, spread: float, usual: Usual | None = None) -> list[Excluded]:
    """What stands in for each stretch of a shift that was not measured; its load is known no better than in the usual shift."""
    silent = inside & (grid.measured < 0.999 * grid.length)
    missing = np.where(silent, grid.length - grid.measured, 0.0) / 3600.0
    hours = float(grid.measured[inside].sum()) / 3600.0
    enough = hours >= LEAST_MEASURED * float(inside.sum()) * grid.length / 3600.0 and hours > 0.0
    rate = float(grid.own[inside].sum()) / hours if enough else math.nan
    rates = rates_of(grid, inside)

    def apart(rows: int) -> float:
        return max(_scatter(rates, rows), usual.scatter(rows, grid.length) if usual is not None else 0.0)

    stretches, counted = _stretches(grid, inside, silent)
    edges = np.flatnonzero(inside)
    out = []
    for first, last in _runs(stretches, counted):
        rows = slice(first, last)
        gap = float(missing[rows].sum())
        at = np.flatnonzero(silent[rows]) + first
        method: Method = "none"
        tonnes = standard = 0.0
        if counted[first]:
            plc = ratio * float(np.nansum(grid.totals[rows, 1]))
            tonnes, standard, method = plc - float(grid.own[rows].sum()), abs(plc) * spread, "PLC total"
            if not grid.shown[rows].any() and plc > 0.0 and len(rates) > 1 and (first == edges[0] or last - 1 == edges[-1]):
                # The gap may go on in the next period; which part of its tonnes came in this one is not known.
                standard = math.hypot(standard, gap * apart(last - first))
        elif enough and len(rates) > 1:
            tonnes, standard, method = rate * gap, gap * apart(last - first), "mean load of the shift"
        out.append(
            Excluded(
                begin=int(grid.start[at[0]]), end=int(grid.start[at[-1]]) + grid.length, hours=gap,
                method=method, tonnes=tonnes, standard=standard, booked=bool(grid.read[rows].all()) or method == "PLC total",
            )
        )  # fmt: skip
    return out


def _stretches(grid: Grid, inside: NDArray[np.bool_], silent: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The rows that need a stand-in, and those for which the PLC total says what passed.

    A total that is not read may count on; its gain stands in the row in which it is read again, so a stretch over which it
    was read at both ends is made one with that row. A total that was reset meanwhile says nothing.
    """
    seen = np.isfinite(grid.totals[:, 1]) & ~grid.void
    joined, counted = silent.copy(), seen & grid.read & ~grid.late
    unread = inside & (silent | ~seen)
    for first, last in _runs(unread, np.zeros_like(unread)):
        whole = slice(first, last + 1)
        begun = (seen[first] and not grid.late[first]) or (first > 0 and inside[first - 1] and seen[first - 1])
        ended = last < len(unread) and inside[last] and seen[last]
        if not silent[first:last].any() or counted[first:last].all() or grid.void[first:last].any():
            continue
        if begun and ended and not grid.broken[first + 1 : last + 1].any():
            joined[whole] = counted[whole] = True
    return joined, counted


def _runs(silent: NDArray[np.bool_], counted: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) row of each stretch that is silent in one way."""
    kind = np.where(silent, np.where(counted, 2, 1), 0)
    edges = np.flatnonzero(np.diff(kind, prepend=0, append=0))
    return [(int(a), int(b)) for a, b in pairwise(edges) if kind[a] > 0]


def _scatter(rates: Floats, rows: int) -> float:
    """How far the mean of so many rows lies from the mean of all [t/h, k = 1]: read off the measured rows by moving means.

    Moving means lie nearer to the mean they help to make than an outside stretch does, by twice the variance of that mean. It
    is a third of what moving means over a quarter of the rows show: four of them make it, so they show the other three parts.
    A stretch longer than half of what was measured takes the scatter of that half: the load then is known no better.
    """

    def shown(length: int) -> float:
        sums = np.cumsum(np.concatenate(([0.0], rates)))
        means = (sums[length:] - sums[:-length]) / length
        return float(np.mean((means - rates.mean()) ** 2))

    of_mean = shown(max(1, len(rates) // 4)) / 3.0
    return math.sqrt(shown(max(1, min(rows, len(rates) // 2))) + 2.0 * of_mean)
