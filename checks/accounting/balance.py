"""Tonnes of a period three ways, the hours that were not measured, what stands in for them, and the best estimate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from checks.accounting.calendar import Period
from checks.blocks import TOTALS, Blocks

Floats = NDArray[np.float64]
Method = Literal["PLC total", "mean load of the shift", "none"]

LEAST_MEASURED = 0.05
"""Part of a shift that must be measured before its mean load stands in for the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """How well the gauge is known, each as a standard uncertainty (k = 1).

    `span` [part of the tonnes] and `zero_t_h` [t/h] are systematic: the same in every block. `noise_t_h` [t/h] is random
    with the correlation time `noise_s` [s] (Bartlett: the variance of a mean over T is noise^2 * 2 noise_s / T). `card` [part
    of the tonnes] is what the way to the PLC may differ by where no common hours tell it.
    """

    span: float
    zero_t_h: float
    noise_t_h: float
    noise_s: float
    card: float = 0.0015


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodBalance:
    """One period of one loop [t]; totals are None where the loop lacks them or no block has them.

    `best` is `own` plus what stands in for the excluded hours. `random` and `systematic` are standard uncertainties (k = 1),
    `uncertainty` the expanded one of both (k = 2; JCGM 100:2008, 6.2). `complete` is False where hours have no stand-in: then
    `best` leaves them out and the uncertainty does not cover them.
    """

    period: Period
    gauge: float | None
    plc: float | None
    own: float
    best: float
    random: float
    systematic: float
    measured_h: float
    excluded: tuple[Excluded, ...]
    by_state: dict[str, float]
    """PLC total less own integral [t] by what the belt did, where both were there."""

    @property
    def uncertainty(self) -> float:
        """Expanded uncertainty of `best`, k = 2 [t]."""
        return 2.0 * math.hypot(self.random, self.systematic)

    @property
    def excluded_h(self) -> float:
        """Hours that were not measured."""
        return sum(stretch.hours for stretch in self.excluded)

    @property
    def complete(self) -> bool:
        """Whether every hour is measured or has a stand-in."""
        return all(stretch.method != "none" for stretch in self.excluded)


def balance(blocks: Blocks, period: Period, known: Known, shifts: Sequence[Period] = ()) -> PeriodBalance:
    """The balance of a period from blocks of one length (60 s or 3600 s) that lie on its grid; missing rows are not measured.

    `shifts` are those whose mean load stands in (the whole period where empty). A block counts where it starts. ValueError
    where the period or a shift begins or ends inside a block: hours do not fit a shift at half past, minutes do.
    """
    if any(edge % blocks.length_s for part in (period, *shifts) for edge in (part.begin, part.end)):
        raise ValueError(f"{period.name} does not begin and end with a block of {blocks.length_s} s: give shorter blocks")
    grid = _Grid(blocks, period)
    ratio, spread = _ratio(grid, known)
    excluded: list[Excluded] = []
    for part in shifts or (period,):
        inside = (grid.start >= part.begin) & (grid.start < part.end)
        excluded += _stand_ins(grid, inside, ratio, spread)
    own = float(grid.own.sum())
    best = own + math.fsum(stretch.tonnes for stretch in excluded)
    hours = float(grid.measured.sum()) / 3600.0
    noise = known.noise_t_h * math.sqrt(2.0 * known.noise_s / 3600.0 * hours)
    stand_in_h = sum(stretch.hours for stretch in excluded if stretch.method != "none")
    return PeriodBalance(
        period=period, gauge=grid.total(0), plc=grid.total(1), own=own, best=best,
        random=math.sqrt(noise**2 + sum(stretch.standard**2 for stretch in excluded)),
        systematic=math.hypot(known.span * best, known.zero_t_h * (hours + stand_in_h)),
        measured_h=hours, excluded=tuple(excluded), by_state=grid.apart(),
    )  # fmt: skip


class _Grid:
    """The blocks of a period on its full grid: zero seconds and zero tonnes where a row is missing."""

    def __init__(self, blocks: Blocks, period: Period) -> None:
        length = self.length = blocks.length_s
        self.start = np.arange(period.begin, period.end, length, dtype=np.int64)
        here = (blocks.start_s >= period.begin) & (blocks.start_s < period.end)
        rows = (blocks.start_s[here] - period.begin) // length
        self.measured, self.own = np.zeros(len(self.start)), np.zeros(len(self.start))
        self.measured[rows] = np.nan_to_num(blocks.measured_s[here])
        self.own[rows] = np.nan_to_num(blocks.own_t[here])
        self.totals = np.full((len(self.start), len(TOTALS)), np.nan)
        self.totals[rows] = blocks.increment_t[here]
        states = {name: np.zeros(len(self.start)) for name in ("loaded", "empty", "stopped")}
        for name, seconds in states.items():
            seconds[rows] = blocks.state(name)[here]
        self.states = states

    def total(self, column: int) -> float | None:
        seen = self.totals[:, column]
        return float(np.nansum(seen)) if np.isfinite(seen).any() else None

    def apart(self) -> dict[str, float]:
        both = np.isfinite(self.totals[:, 1]) & (self.measured >= 0.999 * self.length)
        difference = np.where(both, np.nan_to_num(self.totals[:, 1]) - self.own, 0.0)
        named = {name: both & (seconds > 0.5 * self.length) for name, seconds in self.states.items()}
        mixed = both & ~np.logical_or.reduce(list(named.values()))
        return {name: float(difference[rows].sum()) for name, rows in {**named, "changing": mixed}.items() if rows.any()}


def _ratio(grid: _Grid, known: Known) -> tuple[float, float]:
    """Own tonnes over PLC tonnes where both are there, and its standard uncertainty; 1 and `card` where too little is."""
    both = np.isfinite(grid.totals[:, 1]) & (grid.measured >= 0.999 * grid.length)
    plc, own = grid.totals[both, 1], grid.own[both]
    if len(plc) < 10 or not plc.sum() > 0.0:
        return 1.0, known.card
    ratio = float(own.sum() / plc.sum())
    scatter = float(np.sqrt(np.sum((own - ratio * plc) ** 2))) / float(plc.sum())
    return ratio, scatter


def _stand_ins(grid: _Grid, inside: NDArray[np.bool_], ratio: float, spread: float) -> list[Excluded]:
    """What stands in for each stretch of a shift that was not measured."""
    silent = inside & (grid.measured < 0.999 * grid.length)
    missing = np.where(silent, grid.length - grid.measured, 0.0) / 3600.0
    hours = float(grid.measured[inside].sum()) / 3600.0
    enough = hours >= LEAST_MEASURED * float(inside.sum()) * grid.length / 3600.0 and hours > 0.0
    rate = float(grid.own[inside].sum()) / hours if enough else math.nan
    whole = inside & ~silent
    rates = grid.own[whole] * 3600.0 / grid.length
    counted = np.isfinite(grid.totals[:, 1])
    out = []
    for first, last in _runs(silent, counted):
        rows = slice(first, last)
        gap = float(missing[rows].sum())
        method: Method = "none"
        tonnes = standard = 0.0
        if counted[first]:
            plc = ratio * float(grid.totals[rows, 1].sum())
            tonnes, standard, method = plc - float(grid.own[rows].sum()), abs(plc) * spread, "PLC total"
        elif enough and len(rates) > 1:
            tonnes, standard, method = rate * gap, gap * _scatter(rates, last - first), "mean load of the shift"
        out.append(
            Excluded(
                begin=int(grid.start[first]), end=int(grid.start[last - 1]) + grid.length, hours=gap,
                method=method, tonnes=tonnes, standard=standard,
            )
        )  # fmt: skip
    return out


def _runs(silent: NDArray[np.bool_], counted: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last (exclusive) row of each stretch that is silent in one way."""
    kind = np.where(silent, np.where(counted, 2, 1), 0)
    edges = np.flatnonzero(np.diff(kind, prepend=0, append=0))
    return [(int(a), int(b)) for a, b in pairwise(edges) if kind[a] > 0]


def _scatter(rates: Floats, rows: int) -> float:
    """How far the mean of so many rows lies from the mean of all [t/h, k = 1]: read off the measured rows by moving means.

    Moving means lie nearer to the mean they help to make than an outside stretch does: with the part f of the rows in a
    stretch, their variance is v (1 - f) and that of the stretch against the mean v (1 + f).
    A stretch longer than half of what was measured takes the scatter of that half: the load then is known no better.
    """
    rows = max(1, min(rows, len(rates) // 2))
    sums = np.cumsum(np.concatenate(([0.0], rates)))
    means = (sums[rows:] - sums[:-rows]) / rows
    part = rows / len(rates)
    return float(np.sqrt(np.mean((means - rates.mean()) ** 2))) * math.sqrt((1.0 + part) / (1.0 - part))
